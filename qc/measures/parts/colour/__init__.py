"""Colour channels at their end."""
