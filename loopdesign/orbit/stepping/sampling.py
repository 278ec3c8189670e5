"""The sampling instants of a motion, and the first sample at which guards are tripped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

EARLY = (1e-4, 5e-4, 2e-3, 8e-3)
"""Sampling instants of a motion [periods] at first, where the fastest modes die; even ones follow."""
EVEN = 16
"""Fewest even samples of a period."""
PER_TURN = 8
"""Samples of one turn of the fastest mode that rings."""
MOST = 512
"""Most even samples of a period."""
RINGS = 2.0
"""Decay over frequency of a mode [unitless] above which it dies before it turns."""


def even_samples(values: NDArray[np.complex128]) -> int:
    """Choose how many even samples of a period show every mode that rings.

    Parameters
    ----------
    values : ndarray (n,)
        Eigenvalues of the network [1/period].

    Returns
    -------
    int
        Samples [unitless], a power of two.
    """
    rings = np.abs(values.real) < RINGS * np.abs(values.imag)
    turns = float(np.abs(values.imag[rings]).max(initial=0.0)) / (2.0 * np.pi)
    return int(2 ** np.ceil(np.log2(np.clip(PER_TURN * turns, EVEN, MOST))))


def instants(even: int) -> NDArray[np.float64]:
    """List the sampling instants of a motion.

    Parameters
    ----------
    even : int
        Even samples of a period [unitless].

    Returns
    -------
    ndarray
        From zero to one [periods].
    """
    return np.array([0.0, *EARLY, *(np.arange(1, even + 1) / even)])


def first_trip(
    grid: list[list[float]], count: int, times: list[float]
) -> tuple[int, list[int], list[tuple[float, float, int]]]:
    """Find the first sample at which guards are tripped, which they are, and the humps before it worth climbing.

    Plain numbers: at this size they are faster than arrays. The first sample is ``count`` where none is tripped.

    Parameters
    ----------
    grid : list of list of float
        Each guard at every sample, tripped above zero [any unit].
    count : int
        Number of samples [unitless].
    times : list of float
        Their instants [periods].

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
                    humps.append((times[j - 2], times[j], k))
            before = now
    return first, rows, [hump for hump in humps if hump[1] <= times[min(first, len(times) - 1)]]


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


def humps(left: NDArray[np.float64], middle: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell the same of many samples at once.

    Parameters
    ----------
    left, middle, right : ndarray
        Guards at the sample before, at the highest, and at the one after [any unit].

    Returns
    -------
    ndarray
        Whether each may.
    """
    rise = np.maximum(middle - left, middle - right)
    risky: NDArray[np.bool_] = (left < middle) & (middle >= right) & (middle <= 0.0) & (middle + 2.0 * rise > 0.0)
    return risky
