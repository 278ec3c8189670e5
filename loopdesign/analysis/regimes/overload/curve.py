"""The output characteristic with the controller at its limit: voltage against current from full load into a short.

The load is a resistor that falls, or a load with a drop that is shorted piece by piece. From the largest load that is
regulated on, the duty first stays at the largest one where that is what ends the on-time; then the limit ends it, and
the duty falls until the load is a short, or until the pulse is the shortest that the controller makes. Beyond that it
cannot limit the current, and two points are found by stepping only.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.regimes.overload.ceiling import AT_THE_LIMIT, DOUBLINGS, LEAST
from loopdesign.analysis.regimes.overload.points import judged_points, stepped_point
from loopdesign.analysis.regimes.overload.string import LoadString, load_line
from loopdesign.analysis.regimes.overload.words import reached
from loopdesign.network.modulator import VoltageMode
from loopdesign.orbit.search.reach import SHORTEST_ON
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.regimes.overload.ceiling import Ceiling
    from loopdesign.analysis.regimes.overload.held import HeldLevel
    from loopdesign.analysis.regimes.overload.points import OverloadPoint

POINTS = 9
"""Points of each part of a curve."""
SHORT = 1e-3
"""Resistance of a short, over that of the largest load of the case."""

LOST = "the orbits could not be followed further"
FOLD = "losses end regulation"
"""How a reason begins where more duty would bring no more output at the largest load."""
BEYOND = (2.0, 10.0)
"""Ratios of the load's conductance to its last value at which it is stepped where the limit fails."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OverloadCurve:
    """Output characteristic at one input voltage.

    Attributes
    ----------
    input_voltage : float
        Of the source [V].
    largest_load_a : float or None
        Largest load at which the output is regulated [A]; zero where not even a 64th of the largest of the case is,
        None where nothing limits it or it was not found.
    points : tuple of OverloadPoint
        From there on, the load falling to a short; where the current is regulated, from the highest voltage looked at
        to the lowest.
    reason : str
        Why the curve ends where it does, as a sentence.
    levels : tuple of HeldLevel
        Voltages between which each regulated current is held; empty where the voltage is regulated.
    """

    input_voltage: float
    largest_load_a: float | None
    points: tuple[OverloadPoint, ...]
    reason: str
    levels: tuple[HeldLevel, ...] = ()

    @property
    def folds_back(self) -> bool:
        """Whether the current of an orbit falls anywhere while the output falls."""
        current = [p.output_current_a for p in self.points if p.stable is not None]
        if self.largest_load_a and self.reason.startswith(FOLD):
            current.insert(0, self.largest_load_a)
        return any(after < before * (1.0 - AT_THE_LIMIT) for before, after in pairwise(current))

    def to_dict(self) -> dict[str, Any]:
        """Turn the curve into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Input voltage, largest load, whether it folds back, points, reason, and regulated levels.
        """
        return {
            "input_voltage": self.input_voltage, "largest_load_a": self.largest_load_a, "folds_back": self.folds_back,
            "reason": self.reason, "points": [p.to_dict() for p in self.points],
            "levels": [level.to_dict() for level in self.levels],
        }  # fmt: skip


def overload_curves(
    ceiling: Ceiling, items: NDArray[np.intp], largest: NDArray[np.float64], duty: NDArray[np.float64], full: float
) -> tuple[OverloadCurve, ...]:
    """Follow the output characteristic of some converters, one for each input voltage, into a short.

    Parameters
    ----------
    ceiling : Ceiling
        Converters (B,) whose controller is at its limit.
    items : ndarray (S,)
        Which of them [unitless].
    largest, duty : ndarray (B,)
        Largest load that is regulated [A], and the duty there [unitless], as `Ceiling.largest_load` gives them.
    full : float
        Largest load of the case [A].

    Returns
    -------
    tuple of OverloadCurve
        One for each.
    """
    if ceiling.converter.load == "voltage":
        ceiling = replace(ceiling, string=_at_largest(ceiling, largest))
    return tuple(_curve(ceiling, int(item), float(largest[item]), float(duty[item]), full) for item in items)


def _at_largest(ceiling: Ceiling, largest: NDArray[np.float64]) -> LoadString:
    """Take the loads with a drop as they are at the largest load (B,) [A]; NaN where there is none."""
    known = np.where(np.isfinite(largest), largest, np.nan)
    drop, resistance = load_line(ceiling.at(np.arange(len(known)), known))
    return LoadString(drop=drop, resistance=resistance, base=known, lengthens=False)


def _curve(ceiling: Ceiling, item: int, largest: float, duty: float, full: float) -> OverloadCurve:
    """Follow one input voltage."""
    line = float(ceiling.converter.input_voltage[item])
    if not np.isfinite(largest) or largest <= 0.0:
        none = 0.0 if largest == 0.0 else None
        return OverloadCurve(input_voltage=line, largest_load_a=none, points=(), reason=_nowhere(largest, full))
    folded = _folded(ceiling, item, largest, duty)
    told = f"{FOLD} at a duty of {duty:.3g}, where more would bring no more output" if folded else ""
    if folded:
        duty = _beyond_fold(ceiling, item, largest, duty)
        if np.isnan(duty):
            return OverloadCurve(input_voltage=line, largest_load_a=largest, points=(), reason=f"{told}; {LOST}")
    loads, duties, top, reason = _places(ceiling, item, largest, duty, full)
    points = list(judged_points(ceiling, item, loads, duties, top))
    if reason:
        points += [
            p for ratio in BEYOND if (p := stepped_point(ceiling, item, loads[-1] * ratio, duties[-1])) is not None
        ]
    last = next((p for p in reversed(points) if p.stable is not None), None)
    if last is None:
        reason = "no operating point could be followed beyond the largest load"
    elif reason:
        reason = f"below {format_quantity(last.output_voltage_v, 'V')} {reason}"
        if points[-1].stable is None:
            at = f"{format_quantity(points[-1].output_current_a, 'A')} at"
            reason += f"; stepped beyond it: {at} {format_quantity(points[-1].output_voltage_v, 'V')}"
    else:
        reason = f"followed into a short: {reached(last)}"
    if told:
        jump = f", and the output falls at once to {format_quantity(points[0].output_voltage_v, 'V')}" if points else ""
        reason = f"{told}{jump}; {reason}"
    return OverloadCurve(input_voltage=line, largest_load_a=largest, points=tuple(points), reason=reason)


def _folded(ceiling: Ceiling, item: int, largest: float, duty: float) -> bool:
    """Whether neither a limit nor the largest duty ends regulation at the largest load, but losses."""
    first = ceiling.beyond(np.array([item]), np.array([largest]), np.array([duty]))
    full = duty >= ceiling.converter.max_duty * (1.0 - AT_THE_LIMIT)
    return bool(not full and abs(float(first[0])) > AT_THE_LIMIT)


def _beyond_fold(ceiling: Ceiling, item: int, largest: float, duty: float) -> float:
    """Find the duty to which the controller goes on from the fold: its limit, or the largest; NaN where not followed.

    The output has stopped to rise there, so that the error amplifier asks for more until something stops it.
    """
    one, load, most = np.array([item]), np.array([largest]), np.array([ceiling.converter.max_duty])
    beyond = float(ceiling.beyond(one, load, most)[0])
    if beyond > 0.0:
        return float(ceiling.duty_at(one, load, np.array([duty]), most)[0])
    return beyond if np.isnan(beyond) else float(most[0])


def _nowhere(largest: float, full: float) -> str:
    """Say why there is no load at which the limit is reached."""
    if np.isnan(largest):
        return "the load at which the limit is reached could not be followed"
    if largest > 0.0:
        return f"nothing limits the load up to {format_quantity(full * 2.0**DOUBLINGS, 'A')}, the largest one tried"
    loads = f"{format_quantity(full, 'A')} nor {format_quantity(full * LEAST, 'A')}"
    return f"neither {loads} is regulated, so that there is no load from which to follow the output"


def _places(
    ceiling: Ceiling, item: int, largest: float, duty: float, full: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, str]:
    """List measures of the load [A] and duties of a curve, the fixed duty at its top, and why it ends.

    The fixed duty is NaN where the limit ends the on-time from the beginning; the reason is empty where it ends in a
    short.
    """
    short = full / SHORT
    one = np.array([item])
    first = ceiling.orbits(one, np.array([largest]), np.array([duty]))
    fixed = abs(float(first.beyond[0])) > AT_THE_LIMIT or isinstance(ceiling.converter.modulator, VoltageMode)
    loads, duties, top = np.array([largest]), np.array([duty]), np.nan
    if fixed:
        top = duty
        found = np.array([np.nan])
        if not isinstance(ceiling.converter.modulator, VoltageMode):
            found = ceiling.load_at(one, duties, largest, short)
        end = short if np.isnan(found[0]) else float(found[0])
        loads = np.geomspace(largest, end, POINTS)
        duties = np.full(POINTS, duty)
        if np.isnan(found[0]):
            return loads, duties, top, ""
    least = max(ceiling.shortest, 0.0) + SHORTEST_ON
    if duty <= least:
        return loads, duties, top, no_hold(ceiling)
    shorted, reason = _duty_in_a_short(ceiling, item, short, (least, duty))
    falling = np.linspace(duty, shorted, POINTS)[1:]
    drawn = ceiling.load_at(np.full(len(falling), item), falling, 0.1 * largest, short * (1.0 + AT_THE_LIMIT))
    good = np.isfinite(drawn)
    loads, duties = np.append(loads, drawn[good]), np.append(duties, falling[good])
    return loads, duties, top, reason if reason or good[-1] else LOST


def _duty_in_a_short(ceiling: Ceiling, item: int, short: float, between: tuple[float, float]) -> tuple[float, str]:
    """Find the duty at which the limit holds a short, or the least, with the reason why it does not."""
    one, load = np.array([item]), np.array([short])
    least, high = between
    while high > least:
        low = max(0.5 * high, least)
        beyond = float(ceiling.beyond(one, load, np.array([low]))[0])
        if np.isnan(beyond):
            return low, LOST
        if beyond <= 0.0:
            found = float(ceiling.duty_at(one, load, np.array([low]), np.array([high]))[0])
            return (found, "") if np.isfinite(found) else (low, LOST)
        high = low
    return least, no_hold(ceiling)


def no_hold(ceiling: Ceiling) -> str:
    """Say what happens where the limit would need a shorter pulse than the controller makes.

    Parameters
    ----------
    ceiling : Ceiling
        Converters at their limit.

    Returns
    -------
    str
        A clause.
    """
    shortest = format_quantity(ceiling.shortest * ceiling.converter.period, "s")
    if ceiling.shortest:
        return (
            f"the shortest pulse of {shortest} brings more current than the off-time takes away: the controller cannot "
            "limit the current, and nothing but resistances bounds it"
        )
    told = "no pulse is short enough: the source feeds the output through the rectifier"
    return f"{told}, and the controller cannot limit the current"
