"""Sharpness, and what motion takes from it."""
