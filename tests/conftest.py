"""Settings all tests share: property tests repeat exactly from run to run and keep nothing on disk."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "repeatable",
    deadline=None,
    derandomize=True,
    database=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("repeatable")
