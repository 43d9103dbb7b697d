"""Whose shots these are, told by the glass."""
