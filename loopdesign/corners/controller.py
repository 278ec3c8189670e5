"""What bounds the controller of a case, at the tolerances of its corners."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.compensation.optocoupler import LightPath
from loopdesign.corners.converters import regulated_factor
from loopdesign.orbit.holding import Bounds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.orbit.stepping.devices import ControlLimits

    Range: TypeAlias = tuple["float | NDArray[np.float64]", "float | NDArray[np.float64]"]


def bounds(case: cases.Case, corners: Corners) -> Bounds:
    """Return what bounds the controller at a batch of corners.

    Parameters
    ----------
    case
        The case.
    corners
        Factors ``current_limit`` and ``transfer_ratio`` on their values.

    Returns
    -------
    Bounds
        Clamp [V], current limit [V], the instant from which the comparators are heard [periods], and what an
        optocoupler and its pull-up deliver [V].
    """
    m, clamp = case.modulator, None if case.error_amplifier is None else case.error_amplifier.clamp
    limit = m.current_limit if m.scheme == "peak current" else None
    armed = max(m.blanking, m.min_on_time - m.turn_off_delay) * case.converter.switching_frequency
    return Bounds(
        lowest=None if clamp is None else clamp.min,
        highest=None if clamp is None else clamp.max,
        current_limit=None if limit is None else limit * corners.factor("current_limit"),
        armed=max(armed, 0.0),
        pull_up=attainable(case, corners),
    )


def attainable(case: cases.Case, corners: Corners) -> Range | None:
    """Return between what an optocoupler and its pull-up can set the control voltage at a batch of corners.

    A corner that says nothing of the transfer ratio stands for every converter made: the range is what both extremes of
    the ratio can set. Where a factor gives the ratio, the range is that of this ratio.

    Parameters
    ----------
    case
        The case.
    corners
        Operating conditions; factors ``transfer_ratio`` and those that move the output, which feeds the light source
        unless a supply of its own does.

    Returns
    -------
    tuple of ndarray, or None
        Lowest and highest control voltage (B,) [V], the lowest above the highest where there is none; None where the
        case has no optocoupler or does not say what it is pulled up to.
    """
    path = light_path(case, regulated_factor(case, corners))
    if path is None:
        return None
    typical, smallest, largest = transfer_ratios(case)
    factor = corners.factors.get("transfer_ratio")
    ends = (smallest, largest) if factor is None else (typical * factor, typical * factor)
    lowest, highest = path.attainable(*ends)
    return np.broadcast_to(lowest, (len(corners),)), np.broadcast_to(highest, (len(corners),))


def transfer_ratios(case: cases.Case) -> tuple[float, float, float]:
    """Return typical, smallest and largest transfer ratio of a case [unitless]; zero without an optocoupler."""
    given = case.error_amplifier
    if given is None or given.kind != "shunt optocoupler":
        return 0.0, 0.0, 0.0
    typical = given.transfer_ratio
    low, high = given.transfer_ratio_min, given.transfer_ratio_max
    return typical, typical if low is None else low, typical if high is None else high


def light_path(case: cases.Case, factor: float | NDArray[np.float64] = 1.0) -> LightPath | None:
    """Return what bounds the light source of a case's optocoupler and its transistor.

    Parameters
    ----------
    case
        The case.
    factor
        Regulated output over the specified one, scalar or (B,) [unitless].

    Returns
    -------
    LightPath or None
        None where the case has no optocoupler or does not say what it is pulled up to; what else it does not say
        counts as nothing, which leaves the widest range.
    """
    given = case.error_amplifier
    if given is None or given.kind != "shunt optocoupler" or given.pull_up_supply is None:
        return None
    return LightPath(
        pull_up_supply=given.pull_up_supply,
        pull_up=given.pull_up,
        led_supply=case.specification.output_voltage * factor if given.led_supply is None else given.led_supply,
        led_drop=given.led_drop or 0.0,
        led_resistance=given.led_resistance,
        regulator_minimum_voltage=given.regulator_minimum_voltage or 0.0,
        regulator_minimum_current=given.regulator_minimum_current or 0.0,
        saturation_voltage=given.saturation_voltage or 0.0,
    )


def control_limits(case: cases.Case) -> ControlLimits:
    """Return what bounds the controller of the nominal case, as the stepping in time knows it.

    An optocoupler's range, at its typical transfer ratio, is a clamp of the control voltage there: that the regulator
    behind it saturates as well is left out.
    """
    from loopdesign.orbit.stepping.devices import ControlLimits  # noqa: PLC0415  (for what steps in time)

    amplifier, m = case.error_amplifier, case.modulator
    lowest, highest = _clamped(case)
    return ControlLimits(
        output_current=getattr(amplifier, "output_current_limit", None),
        lowest=lowest,
        highest=highest,
        min_on_time=m.min_on_time,
        current_limit=m.current_limit if m.scheme == "peak current" else None,
    )


def limits_at(case: cases.Case, corners: Corners, item: int) -> ControlLimits:
    """Return what bounds the controller at one corner, its current limit at its tolerance there.

    Parameters
    ----------
    case
        The case.
    corners
        Operating conditions (B,).
    item
        Which of them [unitless].

    Returns
    -------
    ControlLimits
        As the stepping in time knows them.
    """
    limits = control_limits(case)
    factor = float(np.broadcast_to(np.asarray(corners.factor("current_limit"), float), (len(corners),))[item])
    return limits if limits.current_limit is None else replace(limits, current_limit=factor * limits.current_limit)


def _clamped(case: cases.Case) -> tuple[float | None, float | None]:
    """Lowest and highest control voltage [V] of clamp and pull-up together; None has no bound."""
    clamp = None if case.error_amplifier is None else case.error_amplifier.clamp
    lowest, highest = (None, None) if clamp is None else (clamp.min, clamp.max)
    path = light_path(case)
    if path is None:
        return lowest, highest
    ratio = transfer_ratios(case)[0]
    low, high = (float(v) for v in path.attainable(ratio, ratio))
    if low > high:  # nothing can be set: there is no range to stay in
        return lowest, highest
    return low if lowest is None else max(low, lowest), high if highest is None else min(high, highest)
