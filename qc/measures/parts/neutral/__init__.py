"""Neutral surfaces and casts."""
