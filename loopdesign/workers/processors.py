"""How many processors there are to work with."""

from __future__ import annotations

import os


def available_processors() -> int:
    """Count the processors that this process may use, which may be fewer than the machine has.

    Returns
    -------
    int
        At least one.
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
