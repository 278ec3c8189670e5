"""Margins of a loop gain: every crossing found and refined, the headline numbers, and a fast path for many loops.

Conventions, used throughout the package:

* T is the loop gain of a negative-feedback loop: positive real at dc, unstable encirclements go around -1.
* A *crossover* is a frequency where |T| = 1; its phase margin is 180 degrees plus the phase of T, in (-180, 180].
* A *phase crossing* is a frequency where T is real and negative; its gain margin is -20 log10 |T|: positive where
  |T| < 1 (the gain may rise by that much), negative where |T| > 1 (the gain may fall by that much).
* The modulus margin is the least distance of T from -1, min |1 + T|.

The headline crossover is the highest crossover, the bandwidth of the loop; the lowest is told beside it. The headline
phase margin is the smallest over all crossovers. The headline gain margin is the smallest over the phase crossings
above the highest crossover; when the phase margin at that crossover is negative it is that of the phase crossing next
below it, usually negative too.

A loop whose open loop has right-half-plane poles may show handsome margins and oscillate. A margin is therefore raw
material: whoever shows one binds it to a stability verdict taken from the switching model, never from these curves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.margins.crossings import (
    gain_crossings,
    phase_crossings,
    refined_crossings,
    require_finite,
    wrapped_deg,
)
from loopdesign.margins.grid import first_grid, refined_grid
from loopdesign.margins.modulus import grid_modulus, refined_modulus
from loopdesign.margins.results import HeadlineMargins, LoopMargins, headlines, listed

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from loopdesign.margins.grid import ComplexArray, FloatArray, ResponseFunction

__all__ = [
    "HeadlineMargins",
    "LoopMargins",
    "find_margins",
    "headline_margins",
    "margins_from_grid",
    "unwrapped_phase_deg",
    "wrapped_deg",
]


def unwrapped_phase_deg(loop: ArrayLike) -> FloatArray:
    """Return the phase without jumps along the last axis.

    Parameters
    ----------
    loop : array_like (..., F)
        Loop gain at rising frequencies [unitless].

    Returns
    -------
    ndarray (..., F)
        Phase; the branch is chosen so that the first value lies in (-180, 180] [deg].
    """
    return np.degrees(np.unwrap(np.angle(np.asarray(loop, dtype=np.complex128)), axis=-1))


def find_margins(
    response: ResponseFunction,
    *,
    low_hz: float,
    high_hz: float,
    count: int = 400,
    batch: int = 1,
    extra_hz: ArrayLike = (),
) -> tuple[LoopMargins, ...]:
    """Find every margin of a batch of loop gains that can be evaluated at will.

    A logarithmic grid is laid and refined item by item, wherever the loop gain changes fast between neighbours or turns
    back just before a line it may have crossed. Every crossing bracketed on it is refined to eleven digits by
    Chandrupatla's method (T. R. Chandrupatla, 1997: bisection and inverse quadratic interpolation). The modulus margin
    is the deepest of all dips. A resonance much narrower than the grid shows only where ``extra_hz`` tells of it; for a
    closed loop whose multipliers are known, `loopdesign.margins.closed_loop` needs no telling.

    Parameters
    ----------
    response : callable
        Takes frequencies of shape (B, F), each item its own, and returns the loop gain of shape (B, F) [unitless].
    low_hz, high_hz : float
        Band to examine; the upper end is usually half the switching frequency [Hz].
    count : int
        Points of the first grid [unitless].
    batch : int
        Number of items B [unitless].
    extra_hz : array_like (K,) or (B, K)
        Frequencies of lightly damped poles and zeros, which a grid may step over: points are laid at and beside them.
        Those outside the band and those that are not finite are ignored [Hz].

    Returns
    -------
    tuple of LoopMargins
        One per item.

    Raises
    ------
    ValueError
        When the band is empty or the response is not of shape (B, F).
    NumericalError
        When the response is not finite.
    """
    if not 0 < low_hz < high_hz:
        raise ValueError(f"the band must satisfy 0 < low_hz < high_hz, got {low_hz} Hz to {high_hz} Hz")

    def checked(frequencies: FloatArray) -> ComplexArray:
        values = np.asarray(response(frequencies), dtype=np.complex128)
        if values.shape != frequencies.shape:
            raise ValueError(f"the response has shape {values.shape} where {frequencies.shape} is expected")
        return values

    frequencies = first_grid(low_hz, high_hz, count, batch, extra_hz)
    frequencies, loop = refined_grid(checked, frequencies, checked(frequencies))
    require_finite(frequencies, loop)
    gain, phase = refined_crossings(checked, frequencies, loop)
    modulus = refined_modulus(checked, frequencies, loop)
    return listed(gain, phase, modulus, band=(low_hz, high_hz), start=loop[:, 0])


def margins_from_grid(frequencies_hz: ArrayLike, loop: ArrayLike) -> tuple[LoopMargins, ...]:
    """Find every margin of loop gains known at given frequencies only, such as measured ones.

    Between neighbours ln |T| and the phase are taken as straight over ln f, so the error falls with the square of the
    spacing. The phase must turn by less than 180 degrees between neighbours.

    Parameters
    ----------
    frequencies_hz : array_like (F,) or (..., F)
        Rising frequencies [Hz].
    loop : array_like (..., F)
        Loop gain [unitless].

    Returns
    -------
    tuple of LoopMargins
        One per item of the flattened leading axes; one for a loop of shape (F,).

    Raises
    ------
    ValueError
        When frequencies do not rise.
    NumericalError
        When a value is not finite.
    """
    frequencies, values = _as_batch(frequencies_hz, loop)
    gain, phase = gain_crossings(frequencies, values), phase_crossings(frequencies, values)
    modulus = grid_modulus(frequencies, values)
    band = (float(frequencies.min()), float(frequencies.max()))
    return listed(gain, phase, modulus, band=band, start=values[:, 0])


def headline_margins(frequencies_hz: ArrayLike, loop: ArrayLike) -> HeadlineMargins:
    """Return the headline margins of many loops at once, by interpolation as in `margins_from_grid`.

    Parameters
    ----------
    frequencies_hz : array_like (F,) or (B, F)
        Rising frequencies [Hz].
    loop : array_like (B, F)
        Loop gain [unitless].

    Returns
    -------
    HeadlineMargins
        Arrays of shape (B,), NaN where a number does not exist.

    Raises
    ------
    ValueError
        When frequencies do not rise.
    NumericalError
        When a value is not finite.
    """
    frequencies, values = _as_batch(frequencies_hz, loop)
    gain, phase = gain_crossings(frequencies, values), phase_crossings(frequencies, values)
    return headlines(gain, phase, grid_modulus(frequencies, values))


def _as_batch(frequencies_hz: ArrayLike, loop: ArrayLike) -> tuple[FloatArray, ComplexArray]:
    values = np.asarray(loop, dtype=np.complex128)
    values = values.reshape(-1, values.shape[-1])
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    if frequencies.shape[-1] != values.shape[-1] or values.shape[-1] < 2:
        raise ValueError(
            f"frequencies {frequencies.shape} and loop gain {np.shape(loop)} need equal last axes of two points or more"
        )
    frequencies = frequencies.reshape(-1, frequencies.shape[-1])
    if not (np.all(frequencies[:, 0] > 0) and np.all(np.diff(frequencies, axis=-1) > 0)):
        raise ValueError("frequencies must be positive and rise along the last axis")
    require_finite(frequencies, values)
    return np.broadcast_to(frequencies, values.shape), values
