"""Margins of a loop gain: every crossing found and refined, the headline numbers, and a fast path for many loops.

Conventions, used throughout the package:

* T is the loop gain of a negative-feedback loop: positive real at dc, unstable encirclements go around -1.
* A *crossover* is a frequency where |T| = 1; its phase margin is 180 degrees plus the phase of T, in (-180, 180].
* A *phase crossing* is a frequency where T is real and negative; its gain margin is -20 log10 |T|: positive where
  |T| < 1 (the gain may rise by that much), negative where |T| > 1 (the gain may fall by that much).
* The modulus margin is the least distance of T from -1, min |1 + T|.

The headline crossover is the highest crossover, the bandwidth of the loop. The headline phase margin is the smallest
over all crossovers. The headline gain margin is the smallest over the phase crossings above the highest crossover; when
the phase margin at that crossover is negative it is that of the phase crossing next below it, usually negative too.

A loop whose open loop has right-half-plane poles may show handsome margins and oscillate. A margin is therefore raw
material: whoever shows one binds it to a stability verdict taken from the switching model, never from these curves.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.margins.crossings import (
    ComplexArray,
    Crossings,
    FloatArray,
    ResponseFunction,
    first_grid,
    gain_crossings,
    grid_modulus,
    phase_crossings,
    refined_crossings,
    refined_grid,
    refined_modulus,
    require_finite,
    wrapped_deg,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

__all__ = [
    "HeadlineMargins",
    "LoopMargins",
    "find_margins",
    "headline_margins",
    "margins_from_grid",
    "unwrapped_phase_deg",
    "wrapped_deg",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopMargins:
    """Hold every crossing of one loop gain and the headline numbers.

    These are raw readings of one curve and no proof of stability: the caller binds them to the verdict.

    Parameters
    ----------
    crossovers_hz : tuple of float
        Every frequency where |T| = 1, rising [Hz].
    phase_margins_deg : tuple of float
        Phase margin at each crossover, in (-180, 180] [degree].
    phase_crossings_hz : tuple of float
        Every frequency where T is real and negative, rising [Hz].
    gain_margins_db : tuple of float
        Gain margin at each phase crossing, negative where |T| > 1 [dB].
    crossover_hz : float or None
        Highest crossover [Hz].
    phase_margin_deg : float or None
        Smallest phase margin over all crossovers [degree].
    gain_margin_db : float or None
        Smallest gain margin above the highest crossover; the module's head tells of negative phase margins [dB].
    modulus_margin : float
        Least |1 + T| over the examined band [unitless].
    modulus_margin_hz : float
        Where it occurs [Hz].
    reasons : mapping of str to str
        For each headline number that is None, why.
    """

    crossovers_hz: tuple[float, ...]
    phase_margins_deg: tuple[float, ...]
    phase_crossings_hz: tuple[float, ...]
    gain_margins_db: tuple[float, ...]
    crossover_hz: float | None
    phase_margin_deg: float | None
    gain_margin_db: float | None
    modulus_margin: float
    modulus_margin_hz: float
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadlineMargins:
    """Hold the headline numbers of many loops as arrays of shape (B,), NaN where a number does not exist.

    These are raw readings and no proof of stability: the caller binds them to the verdict.

    Parameters
    ----------
    crossover_hz : ndarray (B,)
        Highest crossover [Hz].
    phase_margin_deg : ndarray (B,)
        Smallest phase margin over all crossovers [degree].
    gain_margin_db : ndarray (B,)
        Smallest gain margin above the highest crossover [dB].
    modulus_margin : ndarray (B,)
        Least |1 + T| over the examined band [unitless].
    modulus_margin_hz : ndarray (B,)
        Where it occurs [Hz].
    """

    crossover_hz: FloatArray
    phase_margin_deg: FloatArray
    gain_margin_db: FloatArray
    modulus_margin: FloatArray
    modulus_margin_hz: FloatArray


def unwrapped_phase_deg(loop: ArrayLike) -> FloatArray:
    """Return the phase without jumps along the last axis.

    Parameters
    ----------
    loop : array_like (..., F)
        Loop gain at rising frequencies [unitless].

    Returns
    -------
    ndarray (..., F)
        Phase; the branch is chosen so that the first value lies in (-180, 180] [degree].
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

    A logarithmic grid is laid, refined item by item wherever the loop gain changes fast between neighbours, and every
    crossing bracketed on it is refined to eleven digits by Chandrupatla's method (T. R. Chandrupatla, 1997: bisection
    and inverse quadratic interpolation).

    Parameters
    ----------
    response : callable
        Takes frequencies of shape (B, F), each item its own, and returns the loop gain of shape (B, F) [unitless].
    low_hz, high_hz : float
        Band to examine; the upper end is usually half the switching frequency [Hz].
    count : int
        Points of the first grid.
    batch : int
        Number of items B.
    extra_hz : array_like (K,) or (B, K)
        Frequencies to add to the grid, such as lightly damped resonances, which a grid may step over. Those outside
        the band and those that are not finite are ignored [Hz].

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
    return _collect(gain, phase, modulus, band=(low_hz, high_hz), start=loop[:, 0])


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
    return _collect(gain, phase, modulus, band=band, start=values[:, 0])


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
    crossover_hz, phase_margin_deg, gain_margin_db = _headline(gain, phase, len(values))
    modulus, modulus_hz = grid_modulus(frequencies, values)
    return HeadlineMargins(
        crossover_hz=crossover_hz,
        phase_margin_deg=phase_margin_deg,
        gain_margin_db=gain_margin_db,
        modulus_margin=modulus,
        modulus_margin_hz=modulus_hz,
    )


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


def _headline(gain: Crossings, phase: Crossings, batch: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return highest crossover, smallest phase margin and headline gain margin, NaN where there is none."""
    crossover, last_margin = np.full(batch, np.nan), np.full(batch, np.nan)
    smallest = np.full(batch, np.inf)
    crossover[gain.item] = gain.hz  # the list rises within an item and numpy keeps the last value written
    last_margin[gain.item] = gain.value
    np.minimum.at(smallest, gain.item, gain.value)
    # NaN compares false: without a crossover no phase crossing is below it, and every one counts.
    below = phase.hz < crossover[phase.item]
    gain_margin = np.full(batch, np.inf)
    np.minimum.at(gain_margin, phase.item[~below], phase.value[~below])
    next_below = np.full(batch, np.nan)
    next_below[phase.item[below]] = phase.value[below]
    gain_margin = np.where((last_margin < 0) & np.isfinite(next_below), next_below, gain_margin)
    return crossover, _finite_or_nan(smallest), _finite_or_nan(gain_margin)


def _finite_or_nan(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def _collect(
    gain: Crossings,
    phase: Crossings,
    modulus: tuple[FloatArray, FloatArray],
    *,
    band: tuple[float, float],
    start: ComplexArray,
) -> tuple[LoopMargins, ...]:
    """Build one result per item; `start` is the loop gain at the low end of the band."""
    batch = len(start)
    crossover, phase_margin, gain_margin = _headline(gain, phase, batch)
    return tuple(
        LoopMargins(
            crossovers_hz=tuple(gain.hz[gain.item == i].tolist()),
            phase_margins_deg=tuple(gain.value[gain.item == i].tolist()),
            phase_crossings_hz=tuple(phase.hz[phase.item == i].tolist()),
            gain_margins_db=tuple(phase.value[phase.item == i].tolist()),
            crossover_hz=_number(crossover[i]),
            phase_margin_deg=_number(phase_margin[i]),
            gain_margin_db=_number(gain_margin[i]),
            modulus_margin=float(modulus[0][i]),
            modulus_margin_hz=float(modulus[1][i]),
            reasons=_reasons(
                _number(crossover[i]), _number(gain_margin[i]), band, start_above=bool(abs(start[i]) >= 1)
            ),
        )
        for i in range(batch)
    )


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _reasons(
    crossover_hz: float | None, gain_margin_db: float | None, band: tuple[float, float], *, start_above: bool
) -> dict[str, str]:
    reasons = {}
    low, high = f"{band[0]:.4g} Hz", f"{band[1]:.4g} Hz"
    if crossover_hz is None:
        side = "above" if start_above else "below"
        text = f"the loop gain stays {side} one from {low} to {high}"
        reasons = {"crossover_hz": text, "phase_margin_deg": text}
    if gain_margin_db is None:
        start = low if crossover_hz is None else f"the highest crossover at {crossover_hz:.4g} Hz"
        reasons["gain_margin_db"] = f"the phase does not cross -180 degrees from {start} to {high}"
    return reasons
