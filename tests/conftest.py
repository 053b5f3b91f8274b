"""What holds for every test."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# How long an example takes, or making it, depends on who else uses the machine; what
# must be fast has a test that says so.
settings.register_profile(
    "any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any machine")
