"""What to open, cut and splice again."""
