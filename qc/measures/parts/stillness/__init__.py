"""Frames that are black, frozen or come twice."""
