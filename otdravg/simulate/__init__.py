"""Simulated OTDR shots of known truth, for the demo, the sample traces and the tests.

Works from physics (linear power, pulse, receiver, noise, quantisation) and shares no
code with the part of the package that measures.
"""
