"""How far variants stay within what bounds their controller: duty, shortest pulse, clamp, current limit, pull-up.

The reserves lead the search for worst ends to those that a controller cannot hold; whether one holds is for `judge` to
say, by the closed loop with its ripple.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.controller import bounds
from loopdesign.network.batch import occurring
from loopdesign.orbit.augmented import Stepper, augmented, dot

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.orbit.holding import Bounds
    from loopdesign.orbit.problem import OperatingPoint

    Array = NDArray[np.float64]

RESERVES = ("largest duty", "minimum on-time", "lowest clamp", "highest clamp", "current limit", "pull-up below",
            "pull-up above")  # fmt: skip
"""What each column of `reserves` is kept from."""
PLENTY = 1e3
"""Reserve where nothing bounds, and the least and most that is told: larger than any that matters."""


def reserves(case: cases.Case, corners: Corners, point: OperatingPoint) -> Array:
    """Say by how much operating points stay within each bound.

    Parameters
    ----------
    case : Case
        The case.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    point : OperatingPoint
        Their operating points (B,), loop open.

    Returns
    -------
    ndarray (B, 7)
        By `RESERVES`: duty and on-time [periods], voltages at the comparator and control voltages [V]; below zero where
        the bound is passed.
    """
    given = bounds(case, corners)
    trip = point.sequence.ends[np.arange(len(point)), point.trip]
    lowest, highest = (None, None) if given.pull_up is None else given.pull_up
    columns = (
        case.modulator.max_duty - point.duty,
        trip - given.armed if given.armed else None,
        None if given.lowest is None else point.trim - given.lowest,
        None if given.highest is None else given.highest - point.trim,
        _below_the_limit(point, given),
        None if lowest is None else point.trim - lowest,
        None if highest is None else highest - point.trim,
    )
    table = [np.full(len(point), PLENTY) if c is None else np.broadcast_to(c, (len(point),)) for c in columns]
    return np.clip(np.nan_to_num(np.stack(table, axis=1), nan=-PLENTY), -PLENTY, PLENTY)


def _below_the_limit(point: OperatingPoint, given: Bounds) -> Array | None:
    """Sensed signal (B,) at the trip below the current limit [V]; None without a limit."""
    if given.current_limit is None:
        return None
    stepper, items = Stepper(point.problem), np.arange(len(point))
    configuration = point.sequence.configuration[items, point.trip]
    sensed = np.zeros(len(point))
    for c in occurring(configuration):
        th, some = point.problem.thresholds[int(c)], configuration == c
        sensed[some] = dot(stepper.row(th.sensed_state, th.sensed_input), augmented(point)[items, point.trip + 1])[some]
    return np.asarray(given.current_limit - sensed)
