"""Settings of all tests: properties are judged by what they find, not by the time a loaded machine takes,
and draw the same examples every time."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "steady", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("steady")
