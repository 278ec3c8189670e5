"""What an optocoupler and its pull-up deliver, what an operating point needs of them, and what resistor would do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.controller import attainable, light_path, transfer_ratios
from loopdesign.corners.converters import regulated_factor
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners


def beyond_the_pull_up(case: cases.Case, corners: Corners, item: int, control_voltage: float) -> str:
    """Say what range an optocoupler and its pull-up deliver at a corner, what is needed there, and what would do.

    Parameters
    ----------
    case : Case
        Case with an optocoupler and its pull-up supply.
    corners : Corners
        Operating conditions (B,).
    item : int
        Which of them [unitless].
    control_voltage : float
        Control voltage that the output needs there [V].

    Returns
    -------
    str
        A clause such as "it needs 0.52 V, they deliver 0.87 V to 4.5 V with transfer ratios from 70 % to 160 %; ...";
        empty where the case has no such range.
    """
    here = corners.take(np.array([item]))
    path, both = light_path(case, regulated_factor(case, here)), attainable(case, here)
    if path is None or both is None:
        return ""
    low, high = (float(np.ravel(v)[0]) for v in both)
    _, smallest, largest = transfer_ratios(case)
    current = float(np.ravel(path.largest_current)[0])
    if current < path.regulator_minimum_current:
        limit = current * path.led_resistance / path.regulator_minimum_current
        told = f"the LED resistor lets {_amperes(current)} through, the regulator needs "
        told += f"{_amperes(path.regulator_minimum_current)}"
        return f"{told}; {_at_most('an LED resistor', limit)}"
    span = f"{low:.3g} V to {high:.3g} V" if low <= high else f"no voltage with all of them ({low:.3g} V, {high:.3g} V)"
    ratios = f"transfer ratios from {100 * smallest:.3g} % to {100 * largest:.3g} %"
    if smallest == largest:
        ratios = f"a transfer ratio of {100 * smallest:.3g} %"
    told = f"it needs about {control_voltage:.3g} V, they deliver {span} with {ratios}"
    if control_voltage <= low and low > path.saturation_voltage:
        limit = float(np.ravel(path.largest_led_resistance(smallest, control_voltage))[0])
        return f"{told}; {_at_most('an LED resistor', limit)}"
    if control_voltage >= high:
        limit = (path.pull_up_supply - control_voltage) / (largest * path.regulator_minimum_current)
        return f"{told}; {_at_most('a pull-up', limit)}"
    return told


def _at_most(what: str, limit: float) -> str:
    """Say what resistor would do, or that none does."""
    return (
        f"{what} below {format_quantity(limit, 'ohm')} would do" if limit > 0.0 else f"no {what.split(' ', 1)[1]} does"
    )


def _amperes(current: float) -> str:
    return format_quantity(max(current, 0.0), "A")
