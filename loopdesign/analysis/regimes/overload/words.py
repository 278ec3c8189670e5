"""What is left out of an output characteristic, and what it takes for granted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.corners.controller import light_path
from loopdesign.corners.converters import topology_of
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.analysis.regimes.overload.points import OverloadPoint


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
    given = case.specification
    told = [_load_taken(case), "overload: parts keep the values they have at full load"]
    if topology_of(case).outputs:
        told.append(
            "overload: loads of further outputs are nominal and stay as they are; what they take counts as delivered"
        )
    if getattr(case.modulator, "current_limit", None) is not None:
        told.append("overload: the current limit acts on the sensed signal alone, without the compensating ramp")
    if any(value is not None for name, value in case.ratings if name != "derating"):
        told.append("overload: no rating is held against what parts carry there")
    if getattr(case.error_amplifier, "clamp", None) is not None:
        told.append(
            "overload: the clamp is compared with the control voltage at the end of the on-time, without its ripple; "
            "check compares the whole period, and so does the verdict here at the listed input voltages and loads"
        )
    if _pulled_up(case):
        told.append("overload: what the optocoupler and its pull-up can deliver is not counted as a limit")
    if given.load in {"current", "power"}:
        told.append(f'overload: load = "{given.load}" is taken for a resistor')
    return told


def _load_taken(case: cases.Case) -> str:
    """Say how the output is driven, and why so."""
    given = case.specification
    if given.regulate == "current":
        return (
            "overload: the load is driven through all voltages by its length, drop and resistance in proportion; "
            "orbits take it for linear, runs let it draw nothing below its drop"
        )
    if given.load == "voltage":
        return (
            "overload: up to the largest load the drop falls; from there on the load is shorted piece by piece, drop "
            "and resistance in proportion, so that it meets the characteristic once as a resistor does. Averages "
            "differ from those with a resistor by what the ripple does, multipliers by more; orbits take the load for "
            "linear, runs let it draw nothing below its drop"
        )
    return "overload: the load is a resistor, lowered into a short"


def reached(point: OverloadPoint) -> str:
    """Say the current and voltage of a point: as stepped where its orbit is not stable and the run came to rest.

    Parameters
    ----------
    point : OverloadPoint
        The point.

    Returns
    -------
    str
        Such as "3.06 A at 120 mV", and which of both it is where the orbit is not stable.
    """
    amps, volts, told = point.output_current_a, point.output_voltage_v, ""
    if point.stable is False:
        told = " (an orbit that is not stable)"
        if point.stepped_voltage_v is not None and point.stepped_current_a is not None:
            amps, volts, told = point.stepped_current_a, point.stepped_voltage_v, " (stepped)"
    return f"{format_quantity(amps, 'A')} at {format_quantity(volts, 'V')}{told}"
