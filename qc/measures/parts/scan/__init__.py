"""Fields and noise, read from pairs of frames."""
