"""Settings all tests share: property tests repeat exactly from run to run and keep nothing on disk."""

from __future__ import annotations

import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy loads: the matrices are small

from hypothesis import HealthCheck, settings  # noqa: E402

settings.register_profile(
    "repeatable",
    deadline=None,
    derandomize=True,
    database=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("repeatable")
