"""Pictures: one set of curves and labels for every page and screen."""
