"""Lamps that beat, bands and flashes."""
