"""Many points of a sweep's plane solved together: the same exact model as a check, in large batches.

A check solves its own corners and no others. What is solved in one batch shares the number of steps of an iteration and
the points of a grid, which moves the last digits: readings agree with those of a check to a hundred-millionth of their
size as a rule, and to a hundred-thousandth where a sharp resonance sets them. A point that cannot join the others, or
makes them fail, is examined by itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import loop_margins
from loopdesign.analysis.given import has_loop, require_slope
from loopdesign.corners.trouble import strict
from loopdesign.errors import LoopDesignError
from loopdesign.explore.point import SweepPoint, conduction, examined_point, misleads
from loopdesign.explore.together import solved_loops
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import KEPT, held

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from loopdesign.case import Case
    from loopdesign.explore.point import PointTask
    from loopdesign.margins.margins import LoopMargins

AT_ONCE = 24
"""Points solved in one batch, each with all its corners: a working set that stays near the processor."""
FAILURES = (LoopDesignError, ValueError, *BREAKDOWN)


def examined_together(task: PointTask, values: Sequence[tuple[float, ...]]) -> list[SweepPoint]:
    """Examine several points in one batch; in halves where one of them makes it fail, down to each by itself.

    Parameters
    ----------
    task : PointTask
        What every point shares; nominal corners, and parts that are given.
    values : sequence of tuple of float
        Values of the varied quantities at each point, in SI units.

    Returns
    -------
    list of SweepPoint
        One per point, without ``targets_met``, which a batch does not examine.
    """
    if len(values) == 1:
        return [examined_point(task, values[0])]
    try:
        return _together(task, values)
    except FAILURES:
        middle = len(values) // 2
        return examined_together(task, values[:middle]) + examined_together(task, values[middle:])


def _together(task: PointTask, values: Sequence[tuple[float, ...]]) -> list[SweepPoint]:
    """Examine points in one batch."""
    cases = [task.case(v) for v in values]
    for case in cases:
        require_slope(case)
    with strict():
        model, bounds = solved_loops(cases)
        codes = held(model.point, bounds)
        margins = loop_margins(model) if has_loop(cases[0]) else ()
    largest = np.abs(model.multipliers).max(axis=1)
    corners, broken = len(largest) // len(cases), model.point.discontinuous
    told = []
    for k, (case, at) in enumerate(zip(cases, values, strict=True)):
        mine = slice(k * corners, (k + 1) * corners)
        read = _point(case, at, (largest[mine], codes[mine] == KEPT), margins[mine])
        told.append(replace(read, mode=conduction([bool(b) for b in broken[mine]])))
    return told


def _point(
    case: Case,
    values: tuple[float, ...],
    verdict: tuple[NDArray[np.float64], NDArray[np.bool_]],
    margins: Sequence[LoopMargins],
) -> SweepPoint:
    """Read the worst of one point's corners; a corner that is not held has no margins."""
    largest, kept = verdict
    read = [m for m, k in zip(margins, kept, strict=False) if k]

    def worst_of(name: str, pick: Callable[[list[float]], float] = min) -> float | None:
        present = [float(v) for m in read if (v := getattr(m, name)) is not None]
        return pick(present) if present else None

    asked = case.targets.phase_margin, case.targets.gain_margin
    return SweepPoint(
        values=values,
        stable=bool(((largest < 1.0) & kept).all()),
        largest_multiplier=float(largest.max()),
        phase_margin_deg=worst_of("phase_margin_deg"),
        gain_margin_db=worst_of("gain_margin_db"),
        modulus_margin=worst_of("modulus_margin"),
        crossover_hz=worst_of("crossover_hz", max),
        lowest_crossover_hz=worst_of("lowest_crossover_hz"),
        misleading=any(misleads(m, float(size), asked) for m, size in zip(margins, largest, strict=False)),
    )
