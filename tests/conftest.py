"""What holds for every test."""

from __future__ import annotations

from hypothesis import settings

# How long an example takes depends on who else uses the machine; what must be fast has
# a test that says so.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
