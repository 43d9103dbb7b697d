"""One shot: its signal, its noise, its events."""
