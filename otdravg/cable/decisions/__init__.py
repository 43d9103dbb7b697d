"""A reviewer's decisions, on top of the measurement."""
