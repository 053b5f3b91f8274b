"""Lines, breaks, loudness and peaks of sound."""
