"""Headings and sentences of the outputs, in every language."""
