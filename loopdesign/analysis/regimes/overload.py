"""The output characteristic with the controller at its limit: voltage against current from full load into a short.

The load is a resistor that falls. From the largest load that is regulated on, the duty first stays at the largest one
where that is what ends the on-time; then the limit ends it, and the duty falls until the load is a short, or until the
pulse is the shortest that the controller makes. Beyond that it cannot limit the current, and two points are found
by stepping only.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.regimes.ceiling import DOUBLINGS, LEAST
from loopdesign.analysis.regimes.overloaded import judged_points, stepped_point
from loopdesign.corners.controller import light_path
from loopdesign.corners.converters import topology_of
from loopdesign.network.modulator import VoltageMode
from loopdesign.orbit.search.reach import SHORTEST_ON
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.regimes.ceiling import Ceiling
    from loopdesign.analysis.regimes.overloaded import OverloadPoint

POINTS = 9
"""Points of each part of a curve."""
SHORT = 1e-3
"""Resistance of a short, over that of the largest load of the case."""
AT_THE_LIMIT = 1e-5
"""Relative distance from a limit at which it is what ends the on-time."""
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
        From there on, the load resistance falling.
    reason : str
        Why the curve ends where it does, as a sentence.
    """

    input_voltage: float
    largest_load_a: float | None
    points: tuple[OverloadPoint, ...]
    reason: str

    @property
    def folds_back(self) -> bool:
        """Whether the current of an orbit falls anywhere while the output falls."""
        current = [p.output_current_a for p in self.points if p.stable is not None]
        return any(after < before * (1.0 - AT_THE_LIMIT) for before, after in pairwise(current))

    def to_dict(self) -> dict[str, Any]:
        """Turn the curve into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Input voltage, largest load, whether it folds back, points and reason.
        """
        return {
            "input_voltage": self.input_voltage, "largest_load_a": self.largest_load_a, "folds_back": self.folds_back,
            "reason": self.reason, "points": [p.to_dict() for p in self.points],
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
    return tuple(_curve(ceiling, int(item), float(largest[item]), float(duty[item]), full) for item in items)


def _curve(ceiling: Ceiling, item: int, largest: float, duty: float, full: float) -> OverloadCurve:
    """Follow one input voltage."""
    line = float(ceiling.converter.input_voltage[item])
    if not np.isfinite(largest) or largest <= 0.0:
        none = 0.0 if largest == 0.0 else None
        return OverloadCurve(input_voltage=line, largest_load_a=none, points=(), reason=_nowhere(largest, full))
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
        at = f"{format_quantity(last.output_current_a, 'A')} at {format_quantity(last.output_voltage_v, 'V')}"
        reason = f"followed into a short: {at}"
    return OverloadCurve(input_voltage=line, largest_load_a=largest, points=tuple(points), reason=reason)


def _nowhere(largest: float, full: float) -> str:
    """Say why there is no load at which the limit is reached."""
    if np.isnan(largest):
        return "the largest load that is regulated could not be followed"
    if largest > 0.0:
        return f"nothing limits the load up to {format_quantity(full * 2.0**DOUBLINGS, 'A')}, the largest one tried"
    loads = f"{format_quantity(full, 'A')} nor {format_quantity(full * LEAST, 'A')}"
    return f"neither {loads} is regulated, so that there is no load from which to follow the output"


def _places(
    ceiling: Ceiling, item: int, largest: float, duty: float, full: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float, str]:
    """List loads [A at the regulated output] and duties of a curve, the fixed duty at its top, and why it ends.

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
        return loads, duties, top, _no_hold(ceiling)
    shorted = ceiling.duty_at(one, np.array([short]), np.array([least]), np.array([duty]))[0]
    held = bool(np.isfinite(shorted))
    falling = np.linspace(duty, shorted if held else least, POINTS)[1:]
    drawn = ceiling.load_at(np.full(len(falling), item), falling, 0.1 * largest, short * (1.0 + AT_THE_LIMIT))
    good = np.isfinite(drawn)
    loads, duties = np.append(loads, drawn[good]), np.append(duties, falling[good])
    return loads, duties, top, "" if held else _no_hold(ceiling)


def _no_hold(ceiling: Ceiling) -> str:
    """Say what happens where the limit would need a shorter pulse than the controller makes."""
    shortest = format_quantity(ceiling.shortest * ceiling.converter.period, "s")
    if ceiling.shortest:
        return (
            f"the shortest pulse of {shortest} brings more current than the off-time takes away: the controller cannot "
            "limit the current, and nothing but resistances bounds it"
        )
    told = "no pulse is short enough: the source feeds the output through the rectifier"
    return f"{told}, and the controller cannot limit the current"


def not_examined(case: cases.Case) -> str:
    """Say why a case has no output characteristic.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    str
        A clause; empty where it has one.
    """
    clamp = None if case.error_amplifier is None else case.error_amplifier.clamp
    given = case.specification
    only = "a current limit or clamp counts at the listed input voltages and loads only"
    if given.regulate == "current" or given.load == "voltage":
        why = "it is not modelled for a load with a drop, or where the current is regulated"
        return f"no output characteristic: {why}; {only}"
    if not topology_of(case).devices.plain:
        return f"no output characteristic: it is not modelled for a stage with several rectifiers; {only}"
    if clamp is None and getattr(case.modulator, "current_limit", None) is None:
        if _pulled_up(case):
            told = "no output characteristic: the optocoupler's pull-up bounds an overload"
            if light_path(case) is None:
                return f"{told}, but the case does not give error_amplifier.pull_up_supply; nothing of it was examined"
            return f"{told}; what it delivers counts at the listed input voltages and loads only"
        return (
            "no output characteristic: the case gives neither modulator.current_limit nor a clamp of the control "
            "voltage, so that nothing but the largest duty and resistances bounds an overload"
        )
    return ""


def _pulled_up(case: cases.Case) -> bool:
    """Whether an optocoupler and its pull-up bound the control voltage."""
    return case.error_amplifier is not None and case.error_amplifier.kind == "shunt optocoupler"


def taken_for_granted(case: cases.Case) -> list[str]:
    """Say what the output characteristic of a case takes for granted.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    list of str
        Clauses.
    """
    told = ["overload: the load is a resistor that falls, and parts keep the values they have at full load"]
    if getattr(case.modulator, "current_limit", None) is not None:
        told.append("overload: the current limit acts on the sensed signal alone, without the compensating ramp")
    if getattr(case.error_amplifier, "clamp", None) is not None:
        told.append(
            "overload: the clamp is compared with the control voltage at the end of the on-time, without its ripple; "
            "check compares the whole period, and so does the verdict here at the listed input voltages and loads"
        )
    if _pulled_up(case):
        told.append("overload: what the optocoupler and its pull-up can deliver is not counted as a limit")
    if case.specification.load != "resistive":
        told.append(f'overload: load = "{case.specification.load}" is taken for a resistor')
    return told
