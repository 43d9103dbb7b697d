"""The catalogue of what a crew brings home from a whole cable, and what a review may say of it.

Written from the reviewer's side of the screen: nothing here knows how the program measures, pairs
or decides.
"""
