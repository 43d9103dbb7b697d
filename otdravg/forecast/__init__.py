"""Shots that nobody has taken yet: what they could measure."""
