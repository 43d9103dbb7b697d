"""The catalogue of what can happen to a pair of shots, and what the screen may say about it.

Written from the technician's side of the screen: nothing here knows how the program measures.
"""
