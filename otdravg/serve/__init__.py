"""A local page for those who do not work in a terminal: the library's calls, seen in a browser."""
