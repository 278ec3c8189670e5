"""The output characteristic where the current is regulated: beyond the highest voltage at which it is held, and below.

Beyond the highest voltage the controller is at its limit, and the current falls while the string gets longer. Below the
lowest, where every clock makes the shortest pulse, the current rises into a short.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.regimes.overload.ceiling import DOUBLINGS, DUTY, ENDED, LEAST
from loopdesign.analysis.regimes.overload.curve import OverloadCurve
from loopdesign.analysis.regimes.overload.held import LOWEST, SHORT
from loopdesign.analysis.regimes.overload.points import judged_points
from loopdesign.analysis.regimes.overload.words import reached
from loopdesign.network.modulator import VoltageMode
from loopdesign.orbit.search.reach import SHORTEST_ON
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.regimes.overload.held import HeldLevel, HeldRange
    from loopdesign.analysis.regimes.overload.points import OverloadPoint

POINTS = 7
"""Points of each part of a curve."""
FARTHEST = 2.0
"""Voltage up to which the limit is followed, over the highest at which the current is held [unitless]."""


def compliance_curves(
    highest: HeldRange, others: tuple[HeldRange, ...], items: NDArray[np.intp]
) -> tuple[OverloadCurve, ...]:
    """Follow the output characteristic of a regulated current at some input voltages.

    Parameters
    ----------
    highest : HeldRange
        Of the largest regulated current, at every input voltage (B,).
    others : tuple of HeldRange
        Of the other ones.
    items : ndarray (S,)
        Which input voltages [unitless].

    Returns
    -------
    tuple of OverloadCurve
        One for each.
    """
    return tuple(_curve(highest, others, int(item)) for item in items)


def _curve(highest: HeldRange, others: tuple[HeldRange, ...], item: int) -> OverloadCurve:
    """Follow one input voltage."""
    levels = tuple(held.level(item) for held in (*others, highest))
    above = sorted(_above(highest, item), key=lambda p: -p.output_voltage_v)
    below = _below(highest, item)
    return OverloadCurve(
        input_voltage=float(highest.ceiling.converter.input_voltage[item]), largest_load_a=None,
        points=tuple(above + below), reason=_reason(levels[-1], highest, item, above, below), levels=levels,
    )  # fmt: skip


def _above(held: HeldRange, item: int) -> list[OverloadPoint]:
    """Judge points with the controller at its limit, from the highest voltage at which the current is held upwards."""
    ceiling, longest = held.ceiling, float(held.longest[item])
    if not np.isfinite(longest) or longest <= 0.0:
        return []
    shares = np.geomspace(longest, FARTHEST * longest, POINTS)
    most = ceiling.converter.max_duty
    duties = np.full(POINTS, most)
    first = float(held.duty[item])
    if isinstance(ceiling.converter.modulator, VoltageMode):
        duties[:] = first
    else:
        low = np.full(POINTS, max(ceiling.shortest, 0.0) + SHORTEST_ON)
        found = ceiling.duty_at(np.full(POINTS, item), shares, low, duties)
        found[0] = most if held.longest_by[item] == ENDED[DUTY] else first
        duties = np.where(np.isfinite(found), found, most)
    top = first if isinstance(ceiling.converter.modulator, VoltageMode) else most
    return list(judged_points(ceiling, item, shares, duties, top))


def _below(held: HeldRange, item: int) -> list[OverloadPoint]:
    """Judge points of the shortest pulse, from the lowest voltage at which the current is held into a short."""
    ceiling, shortest = held.ceiling, float(held.shortest[item])
    if not np.isfinite(shortest) or shortest <= 0.0 or not _every_clock(held, item):
        return []
    shares = np.geomspace(shortest, SHORT * shortest, POINTS)
    duty = ceiling.shortest
    return list(judged_points(ceiling, item, shares, np.full(POINTS, duty), duty))


def _every_clock(held: HeldRange, item: int) -> bool:
    """Whether every clock makes the shortest pulse below the range; without blanking pulses are skipped instead."""
    return bool(held.ceiling.bounds.armed) and held.shortest_by[item] != LOWEST


def _reason(
    level: HeldLevel, held: HeldRange, item: int, above: list[OverloadPoint], below: list[OverloadPoint]
) -> str:
    """Say between which voltages the largest current is held, and what happens beyond."""
    current, longest = format_quantity(level.load_current, "A"), float(held.longest[item])
    if longest == 0.0:
        return f"{current} is not held, nor is it at a {1.0 / LEAST:.0f}th of the load's voltage"
    if np.isnan(longest):
        return f"the highest voltage at which {current} is held could not be followed"
    low = "a short" if level.held_from_v == 0.0 else format_quantity(level.held_from_v or 0.0, "V")
    if level.held_from_v is None:
        low = "a voltage that could not be followed"
    told = f"the limits allow {current} from {low}"
    if level.held_to_v is None:
        told += f" on; nothing ends it up to {2.0**DOUBLINGS:.0f} times the load's voltage"
    else:
        told += f" to {format_quantity(level.held_to_v, 'V')} ({level.held_to_by})"
    if above:
        far = above[0]
        told += f"; above it the current falls, followed to {reached(far)}; what the voltage reaches with the load "
        told += "disconnected was not examined"
    if below:
        short = format_quantity(below[-1].output_current_a, "A")
        orbit = "" if below[-1].stable else " (an orbit that is not stable)"
        told += f"; below it every clock makes the shortest pulse, and the current rises to {short} in a short{orbit}"
    elif level.held_from_v:
        told += "; below it pulses are skipped, which is not followed here"
    return f"{told}; stability within the range was not examined"
