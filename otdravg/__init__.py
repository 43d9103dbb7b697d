"""True splice loss from two OTDR shots of one fibre, with its uncertainty."""

__version__ = "0.1.0"
