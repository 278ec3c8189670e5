"""The loads at which conduction and regulation change over input voltage: traced by root-finding, not read off a grid.

Going down in load, the rectifier first stops within the period (`continuous_limit`); then the on-time, or the control
voltage, reaches the least that the controller can make. Both distances are smooth functions of the load; the first that
reaches zero is where regulation by a pulse every period ends. In discontinuous conduction the on-time goes with the
square root of the load, so that the search is one in that root.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import compensation, solved
from loopdesign.corners.trouble import strict
from loopdesign.errors import CircuitError, ConvergenceError, NumericalError, UnreachableOutputError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.boundary import continuous_limit
from loopdesign.orbit.holding import lowest_control
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.sequence import Sequence

    Distance: TypeAlias = Callable[[NDArray[np.intp], NDArray[np.float64]], NDArray[np.float64]]

FAILURES = (CircuitError, NumericalError, UnreachableOutputError, ConvergenceError, *BREAKDOWN)
"""What a single operating point may end with."""
LIGHTEST = 1e-5
"""Smallest load looked at, over the largest of the case [unitless]."""
CLOSE = 1e-7
"""Relative closeness of a boundary in load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadBoundary:
    """Loads at which conduction and regulation change, at each input voltage.

    Attributes
    ----------
    input_voltage : ndarray (L,)
        Input voltages [V].
    continuous_limit_a : ndarray (L,)
        Load at which continuous conduction ends [A]; NaN where the rectifier is synchronous, several take
        part, or it was not found.
    least_load_a : ndarray (L,)
        Load below which regulation by a pulse every period ends [A]; zero where it does not down to the smallest load
        looked at, infinite where no load up to the largest of the case is regulated so, NaN where an operating point
        on the way could not be followed.
    least_load_by : tuple of str
        What ends it, as in a verdict: ``minimum on-time``, ``clamp`` or ``pull-up``; empty where nothing does.
    smallest_load_a : float
        Smallest load looked at [A].
    """

    input_voltage: NDArray[np.float64]
    continuous_limit_a: NDArray[np.float64]
    least_load_a: NDArray[np.float64]
    least_load_by: tuple[str, ...]
    smallest_load_a: float


def load_boundary(case: cases.Case, parts: Mapping[str, float], lines: NDArray[np.float64]) -> LoadBoundary:
    """Trace the loads at which conduction and regulation change over input voltage, with nominal parts.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float
        Compensation parts by designator [ohm], [F]; empty without a loop, so that the control voltage has no ripple.
    lines : ndarray (L,)
        Input voltages [V].

    Returns
    -------
    LoadBoundary
        Both boundaries.
    """
    full = case.specification.output_current.highest
    trace = _Trace(case, parts, lines)
    limits = bounds(case, trace.corners(np.arange(len(lines)), np.full(len(lines), full)))
    found, by = np.zeros(len(lines)), [""] * len(lines)
    asked: list[tuple[str, Distance]] = []
    if limits.armed or case.modulator.turn_off_delay:
        asked.append(("minimum on-time", lambda k, load: trace.trip(k, load) - limits.armed))
    if limits.lowest is not None:
        lowest = limits.lowest
        asked.append(("clamp", lambda k, load: trace.control(k, load) - lowest))
    if limits.pull_up is not None:
        attained = np.broadcast_to(limits.pull_up[0], lines.shape)
        asked.append(("pull-up", lambda k, load: trace.control(k, load) - attained[k]))
    for word, distance in asked:
        loads = _largest_zero(distance, len(lines), full)
        for k, load in enumerate(loads):
            if np.isnan(load) or load > found[k]:
                found[k], by[k] = load, word if load > 0.0 else ""
    return LoadBoundary(
        input_voltage=lines, continuous_limit_a=_continuous(case, lines, full), least_load_a=found,
        least_load_by=tuple(by), smallest_load_a=LIGHTEST * full,
    )  # fmt: skip


class _Trace:
    """Operating points of a case over line and load, each begun from the last one of its line."""

    def __init__(self, case: cases.Case, parts: Mapping[str, float], lines: NDArray[np.float64]) -> None:
        self.case, self.parts, self.lines = case, parts, lines
        self.known: Sequence | None = None
        """Sequences of every line, as last found."""

    def corners(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> Corners:
        """Make corners of some lines at given loads."""
        return Corners(
            input_voltage=self.lines[items], load_current=load,
            temperature=np.full(len(items), self.case.nominal_temperature),
        )  # fmt: skip

    def solved(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> tuple[Converter, OperatingPoint]:
        """Solve the stage of some lines at given loads."""
        guess = None if self.known is None else self.known.take(items)
        converter, point = solved(self.case, self.corners(items, load), guess)
        if self.known is not None:
            self.known = self.known.with_items(items, point.sequence)
        elif len(items) == len(self.lines):
            self.known = point.sequence
        return converter, point

    def trip(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """Instant of the trip [periods]; the loop moves it nowhere, for it holds the same output."""
        point = self.solved(items, load)[1]
        return point.sequence.ends[np.arange(len(point)), point.trip]

    def control(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lowest control voltage of the period [V], of the closed loop where there is one."""
        converter, point = self.solved(items, load)
        if self.parts:
            closed = converter.closed(compensation(self.case, self.parts, self.corners(items, load)))
            point = operating_point(closed, point.sequence)
        return lowest_control(point)


def _continuous(case: cases.Case, lines: NDArray[np.float64], full: float) -> NDArray[np.float64]:
    """Load (L,) at which continuous conduction ends [A]; NaN where there is none or it was not found."""
    trace = _Trace(case, {}, lines)

    def examine(items: NDArray[np.intp]) -> NDArray[np.float64]:
        with strict():
            return continuous_limit(*solved(case, trace.corners(items, np.full(len(items), full))))

    everyone = np.arange(len(lines))
    return in_halves(examine, everyone, failures=FAILURES, alone=lambda _: np.array([np.nan]))


def _largest_zero(distance: Distance, count: int, full: float) -> NDArray[np.float64]:
    """Find the load (L,) below which a distance is negative: by a search in a bracket, in the root of the load.

    Zero where it is positive at the smallest load already, infinite where it is negative at the largest, NaN where it
    could not be told.
    """

    def at(items: NDArray[np.intp], root: NDArray[np.float64]) -> NDArray[np.float64]:
        def examine(some: NDArray[np.intp]) -> NDArray[np.float64]:
            with strict():
                return distance(items[some], full * root[some] ** 2)

        return in_halves(examine, np.arange(len(items)), failures=FAILURES, alone=lambda _: np.array([np.nan]))

    everyone = np.arange(count)
    low, high = np.full(count, np.sqrt(LIGHTEST)), np.ones(count)
    above, below = at(everyone, high), at(everyone, low)
    result = np.where(above < 0.0, np.inf, np.where((above >= 0.0) & (below > 0.0), 0.0, np.nan))
    inside = np.flatnonzero((above >= 0.0) & (below <= 0.0))
    if len(inside):
        from scipy.optimize.elementwise import find_root  # noqa: PLC0415  (a quarter of a second to load)

        found = find_root(
            lambda root, item: at(item.astype(np.intp), root), (low[inside], high[inside]), args=(inside,),
            tolerances={"xatol": 0.0, "xrtol": CLOSE, "fatol": 0.0, "frtol": 0.0},
        )  # fmt: skip
        result[inside] = np.where(found.success, full * found.x**2, np.nan)
    return result
