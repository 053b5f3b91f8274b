"""What the measures are made of: arithmetic, memory and words, one folder a field."""
