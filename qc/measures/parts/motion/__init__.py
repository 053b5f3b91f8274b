"""Motion of the whole picture."""
