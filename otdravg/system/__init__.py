"""Files, folders, processes and foreign text, handled safely."""
