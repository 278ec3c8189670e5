"""The sampling instants of a motion, and the first sample at which guards are tripped."""

from __future__ import annotations

import numpy as np

EARLY = (1e-4, 5e-4, 2e-3, 8e-3)
EVEN = 16
TIMES = np.array([0.0, *EARLY, *(np.arange(1, EVEN + 1) / EVEN)])
"""Sampling instants of a motion [periods]: dense at first, where the fastest modes die, then even."""
INSTANTS = TIMES.tolist()


def scan(grid: list[list[float]], count: int) -> tuple[int, list[int], list[tuple[float, float, int]]]:
    """Find the first sample at which guards are tripped, which they are, and the humps before it worth climbing.

    Plain numbers: at this size they are faster than arrays. The first sample is ``count`` where none is tripped.

    Parameters
    ----------
    grid : list of list of float
        Each guard at every sample, tripped above zero [any unit].
    count : int
        Number of samples [unitless].

    Returns
    -------
    tuple
        Number of the sample, guards tripped there, and humps as pairs of their flanks with the guard [unitless].
    """
    first = count
    rows: list[int] = []
    humps = []
    for k, h in enumerate(grid):
        before, rising = min(h[0], 0.0), False
        for j in range(1, min(first + 1, count)):
            now = h[j]
            if now > 0.0:
                rows = [*rows, k] if j == first else [k]
                first = j
                break
            if now > before:
                rising = True
            elif rising:
                rising = False
                if hump(h[j - 2], before, now):
                    humps.append((INSTANTS[j - 2], INSTANTS[j], k))
            before = now
    return first, rows, [hump for hump in humps if hump[1] <= INSTANTS[min(first, len(INSTANTS) - 1)]]


def hump(left: float, middle: float, right: float) -> bool:
    """Whether a guard may trip between samples around its highest: a smooth hump rises less than its flanks.

    Parameters
    ----------
    left : float
        Guard at the sample before [any unit].
    middle : float
        Guard at the highest sample [any unit].
    right : float
        Guard at the sample after [any unit].

    Returns
    -------
    bool
        Whether it may.
    """
    return left < middle >= right and middle <= 0.0 < middle + 2.0 * max(middle - left, middle - right)
