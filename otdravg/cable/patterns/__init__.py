"""Where bad splices gather."""
