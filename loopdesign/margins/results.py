"""What is read from loop gains: every crossing of one loop, and the headline numbers of one or many.

`loopdesign.margins.margins` says what the numbers mean.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.margins.crossings import Crossings
    from loopdesign.margins.grid import ComplexArray, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopMargins:
    """Hold every crossing of one loop gain and the headline numbers.

    These are raw readings of one curve and no proof of stability: the caller binds them to the verdict.

    Parameters
    ----------
    crossovers_hz : tuple of float
        Every frequency where |T| = 1, rising [Hz].
    phase_margins_deg : tuple of float
        Phase margin at each crossover, in (-180, 180] [deg].
    phase_crossings_hz : tuple of float
        Every frequency where T is real and negative, rising [Hz].
    gain_margins_db : tuple of float
        Gain margin at each phase crossing, negative where |T| > 1 [dB].
    crossover_hz, lowest_crossover_hz : float or None
        Highest and lowest crossover [Hz].
    phase_margin_deg : float or None
        Smallest phase margin over all crossovers [deg].
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
    lowest_crossover_hz: float | None
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
    crossover_hz, lowest_crossover_hz : ndarray (B,)
        Highest and lowest crossover [Hz].
    phase_margin_deg : ndarray (B,)
        Smallest phase margin over all crossovers [deg].
    gain_margin_db : ndarray (B,)
        Smallest gain margin above the highest crossover [dB].
    modulus_margin : ndarray (B,)
        Least |1 + T| over the examined band [unitless].
    modulus_margin_hz : ndarray (B,)
        Where it occurs [Hz].
    """

    crossover_hz: FloatArray
    lowest_crossover_hz: FloatArray
    phase_margin_deg: FloatArray
    gain_margin_db: FloatArray
    modulus_margin: FloatArray
    modulus_margin_hz: FloatArray


def headlines(gain: Crossings, phase: Crossings, modulus: tuple[FloatArray, FloatArray]) -> HeadlineMargins:
    """Return the headline numbers of crossings found in a batch; ``modulus`` is the least |1 + T| (B,) and where.

    Parameters
    ----------
    gain : Crossings
        Where |T| = 1, with the phase margin [deg].
    phase : Crossings
        Where T is real and negative, with the gain margin [dB].
    modulus : tuple of ndarray (B,)
        Least |1 + T| [unitless], and where [Hz].

    Returns
    -------
    HeadlineMargins
        Arrays (B,), NaN where a number does not exist.
    """
    batch = len(modulus[0])
    crossover, lowest, last_margin = (np.full(batch, np.nan) for _ in range(3))
    smallest = np.full(batch, np.inf)
    crossover[gain.item] = gain.hz  # the list rises within an item and numpy keeps the last value written
    lowest[gain.item[::-1]] = gain.hz[::-1]
    last_margin[gain.item] = gain.value
    np.minimum.at(smallest, gain.item, gain.value)
    # NaN compares false: without a crossover no phase crossing is below it, and every one counts.
    below = phase.hz < crossover[phase.item]
    gain_margin = np.full(batch, np.inf)
    np.minimum.at(gain_margin, phase.item[~below], phase.value[~below])
    next_below = np.full(batch, np.nan)
    next_below[phase.item[below]] = phase.value[below]
    gain_margin = np.where((last_margin < 0) & np.isfinite(next_below), next_below, gain_margin)
    return HeadlineMargins(
        crossover_hz=crossover,
        lowest_crossover_hz=lowest,
        phase_margin_deg=_finite_or_nan(smallest),
        gain_margin_db=_finite_or_nan(gain_margin),
        modulus_margin=modulus[0],
        modulus_margin_hz=modulus[1],
    )


def _finite_or_nan(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def listed(
    gain: Crossings,
    phase: Crossings,
    modulus: tuple[FloatArray, FloatArray],
    *,
    band: tuple[float, float],
    start: ComplexArray,
) -> tuple[LoopMargins, ...]:
    """Build one result per item from crossings found in a batch; `start` (B,) is the loop gain at the low end.

    Parameters
    ----------
    gain : Crossings
        Where |T| = 1, with the phase margin [deg].
    phase : Crossings
        Where T is real and negative, with the gain margin [dB].
    modulus : tuple of ndarray (B,)
        Least |1 + T| [unitless], and where [Hz].
    band : tuple of float
        Lowest and highest frequency examined [Hz].
    start : ndarray (B,)
        Loop gain at the low end [unitless].

    Returns
    -------
    tuple of LoopMargins
        One per item.
    """
    headline = headlines(gain, phase, modulus)
    gains, phases = _by_item(gain, len(start)), _by_item(phase, len(start))
    results = []
    for i in range(len(start)):
        crossover, gain_margin = _number(headline.crossover_hz[i]), _number(headline.gain_margin_db[i])
        result = LoopMargins(
            crossovers_hz=gains[i][0],
            phase_margins_deg=gains[i][1],
            phase_crossings_hz=phases[i][0],
            gain_margins_db=phases[i][1],
            crossover_hz=crossover,
            lowest_crossover_hz=_number(headline.lowest_crossover_hz[i]),
            phase_margin_deg=_number(headline.phase_margin_deg[i]),
            gain_margin_db=gain_margin,
            modulus_margin=float(headline.modulus_margin[i]),
            modulus_margin_hz=float(headline.modulus_margin_hz[i]),
            reasons=_reasons(crossover, gain_margin, band, start_above=bool(abs(start[i]) >= 1)),
        )
        results.append(result)
    return tuple(results)


def _by_item(crossings: Crossings, batch: int) -> list[tuple[tuple[float, ...], tuple[float, ...]]]:
    """Frequencies and margins of each item; the list is ordered by item."""
    ends = np.cumsum(np.bincount(crossings.item, minlength=batch))[:-1]
    hz, value = np.split(crossings.hz, ends), np.split(crossings.value, ends)
    return [(tuple(f.tolist()), tuple(m.tolist())) for f, m in zip(hz, value, strict=True)]


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _reasons(
    crossover_hz: float | None, gain_margin_db: float | None, band: tuple[float, float], *, start_above: bool
) -> dict[str, str]:
    reasons = {}
    low, high = (format_quantity(f, "Hz", 3) for f in band)
    if crossover_hz is None:
        side = "above" if start_above else "below"
        text = f"the loop gain stays {side} one from {low} to {high}"
        reasons = {"crossover_hz": text, "phase_margin_deg": text}
    if gain_margin_db is None:
        start = low if crossover_hz is None else f"the highest crossover at {format_quantity(crossover_hz, 'Hz', 3)}"
        reasons["gain_margin_db"] = f"the phase does not cross -180 degrees from {start} to {high}"
    return reasons
