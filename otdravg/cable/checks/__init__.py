"""What is odd about a cable run, and the verdicts of its rows."""
