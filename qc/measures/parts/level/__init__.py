"""Level, stops and their drift."""
