"""Where functions of one variable, evaluated for a whole batch at once, fall through zero: by chords in a bracket.

The chord is that of the false position with the retained end's value halved (M. Dowell and P. Jarratt, "A modified
regula falsi method for computing the root of an equation", BIT 11 (1971) 168-174; from memory). Where a bracket has not
become half as wide in two steps, its middle is taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MOST_STEPS = 3
"""Steps taken at most, per halving of the bracket that is wanted [unitless]."""
APART = 1e-3
"""Share of the bracket by which the place looked at keeps away from its ends [unitless]."""


def falls_through_zero(value: Callable[[Array], Array], low: Array, high: Array, *, halvings: int) -> Array:
    """Find where each function of a batch falls through zero.

    Parameters
    ----------
    value : callable
        From places (B,) to values (B,), in any unit.
    low : ndarray (B,)
        Where the values are taken to be above zero, whatever they are [any unit]; they are not evaluated there.
    high : ndarray (B,)
        Where they are taken to be below [any unit].
    halvings : int
        Each bracket is narrowed at least by so many halvings; the place returned is on the chord of what is left
        [unitless].

    Returns
    -------
    ndarray (B,)
        The places.
    """
    low, high = low.copy(), high.copy()
    wanted = (high - low) * 0.5**halvings
    at_low, at_high = np.full_like(low, np.nan), value(high)
    at_high = np.where(at_high < 0.0, at_high, np.nan)  # an end whose value says nothing gives no chord
    place, before, side = 0.5 * (low + high), high - low, np.zeros(len(low))
    for step in range(MOST_STEPS * halvings):
        found = value(place)
        above = found > 0.0
        low, high = np.where(above, place, low), np.where(above, high, place)
        # the value of an end that stays twice in a row counts half, so that the next chord reaches beyond the root
        at_high = np.where(above, np.where(side > 0.0, 0.5 * at_high, at_high), found)
        at_low = np.where(above, found, np.where(side < 0.0, 0.5 * at_low, at_low))
        side = np.where(above, 1.0, -1.0)
        width = high - low
        with np.errstate(invalid="ignore", divide="ignore"):
            share = at_low / (at_low - at_high)
        middle = ~np.isfinite(share)
        if step % 2:
            middle |= width > 0.5 * before
            before = width
        place = low + np.where(middle, 0.5, np.clip(share, APART, 1.0 - APART)) * width
        if (width <= wanted).all():
            break
    return np.asarray(place)
