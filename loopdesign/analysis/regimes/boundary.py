"""The loads at which conduction and regulation change over input voltage: traced by root-finding, not read off a grid.

Going down in load, the rectifier first stops within the period (`continuous_limit`); then the on-time, or the control
voltage, reaches the least that the controller can make. Both distances are smooth functions of the load; the first that
reaches zero is where regulation by a pulse every period ends. In discontinuous conduction the on-time goes with the
square root of the load, so that the search is one in that root.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import compensation, solved, topology_of
from loopdesign.corners.trouble import strict
from loopdesign.errors import CircuitError, ConvergenceError, NumericalError, UnreachableOutputError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.boundary import conduction_margin, continuous_limit
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
WALK = 12
"""Loads, evenly spaced by ratio, by which a stage with several rectifiers is followed down, each from the last."""
MORE = (2.0, 4.0)
"""Loads from which the end of continuous conduction is looked for, over the largest of the case, where conduction is
not continuous there [unitless]."""
NEXT, NEAR, APPROACHES = 0.97, (4e-3, 2e-3, 1e-3), 40
"""Second load of that search over its first; distances from the end of the last three, relative; most steps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadBoundary:
    """Loads at which conduction and regulation change, at each input voltage.

    Attributes
    ----------
    input_voltage : ndarray (L,)
        Input voltages [V].
    continuous_limit_a : ndarray (L,)
        Load at which continuous conduction ends [A]: the first of the rectifiers that ordinarily carry the off-time
        stops at the clock. NaN where they are synchronous, or it was not found.
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
    full, degrees = np.full(len(lines), case.specification.output_current.highest), case.nominal_temperature
    return boundary_at(
        case, parts, Corners(input_voltage=lines, load_current=full, temperature=np.full(len(lines), degrees))
    )


def boundary_at(case: cases.Case, parts: Mapping[str, float], at: Corners) -> LoadBoundary:
    """Trace the loads at which conduction and regulation change at given conditions.

    Parameters
    ----------
    case, parts
        The case, and compensation parts by designator [ohm], [F]; empty without a loop.
    at : Corners
        Input voltages, temperatures and factors on part values (L,); the load is left open.

    Returns
    -------
    LoadBoundary
        Both boundaries.
    """
    full, lines = case.specification.output_current.highest, at.input_voltage
    trace = _Trace(case, parts, at)
    limits = bounds(case, trace.corners(np.arange(len(lines)), np.full(len(lines), full)))
    found, by, several = np.zeros(len(lines)), [""] * len(lines), not topology_of(case).devices.plain
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
        loads = largest_zero(distance, len(lines), full, walk=several)
        for k, load in enumerate(loads):
            if np.isnan(load) or load > found[k]:
                found[k], by[k] = load, word if load > 0.0 else ""
    return LoadBoundary(
        input_voltage=lines, continuous_limit_a=_continuous(case, at, full), least_load_a=found,
        least_load_by=tuple(by), smallest_load_a=LIGHTEST * full,
    )  # fmt: skip


class _Trace:
    """Operating points of a case over conditions and load, each begun from the last one of its condition."""

    def __init__(self, case: cases.Case, parts: Mapping[str, float], at: Corners) -> None:
        self.case, self.parts, self.at = case, parts, at
        self.known: Sequence | None = None
        """Sequences of every condition, as last found."""

    def corners(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> Corners:
        """Make corners of some conditions at given loads."""
        return replace(self.at.take(items), load_current=load)

    def solved(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> tuple[Converter, OperatingPoint]:
        """Solve the stage of some conditions at given loads."""
        guess = None if self.known is None else self.known.take(items)
        converter, point = solved(self.case, self.corners(items, load), guess)
        if self.known is not None:
            self.known = self.known.with_items(items, point.sequence)
        elif len(items) == len(self.at):
            self.known = point.sequence
        return converter, point

    def trip(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """Instant of the trip [periods]; the loop moves it nowhere, for it holds the same output."""
        point = self.solved(items, load)[1]
        return point.sequence.ends[np.arange(len(point)), point.trip]

    def margin(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far conduction is from its end (S,), as `conduction_margin` tells."""
        return conduction_margin(self.solved(items, load)[1])

    def control(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lowest control voltage of the period [V], of the closed loop where there is one."""
        converter, point = self.solved(items, load)
        if self.parts:
            closed = converter.closed(compensation(self.case, self.parts, self.corners(items, load)))
            point = operating_point(closed, point.sequence)
        return lowest_control(point)


def _continuous(case: cases.Case, at: Corners, full: float) -> NDArray[np.float64]:
    """Load (L,) at which continuous conduction ends [A]; NaN where there is none or it was not found."""
    trace = _Trace(case, {}, at)

    def examine(items: NDArray[np.intp]) -> NDArray[np.float64]:
        with strict():
            return continuous_limit(*solved(case, trace.corners(items, np.full(len(items), full))))

    everyone = np.arange(len(at))
    found = in_halves(examine, everyone, failures=FAILURES, alone=lambda _: np.array([np.nan]))
    if topology_of(case).devices.plain or case.converter.rectifier == "synchronous" or not np.isnan(found).any():
        return found
    return np.where(np.isnan(found), _followed_down(case, at, full), found)


def _followed_down(case: cases.Case, at: Corners, full: float) -> NDArray[np.float64]:
    """Load (L,) at which continuous conduction of several rectifiers ends [A]; NaN where it was not found."""
    result = np.full(len(at), np.nan)
    for most in (1.0, *MORE):
        left = np.flatnonzero(np.isnan(result))
        if len(left):
            trace = _Trace(case, {}, at.take(left))
            result[left] = _approached(_guarded(trace.margin), np.full(len(left), most * full))
    return result


def _approached(margin: Distance, load: NDArray[np.float64]) -> NDArray[np.float64]:
    """Load (L,) at which a margin comes to zero from above, never going below; NaN where it is not positive at first.

    The margin is nearly a straight line over the load. Three loads close to its zero give that by a parabola.
    """
    everyone = np.arange(len(load))
    here = margin(everyone, load)
    before, last = load, NEXT * load
    first, second = here, np.where(here > 0.0, margin(everyone, last), np.nan)
    for _ in range(APPROACHES):
        with np.errstate(all="ignore"):
            zero = last - second * (before - last) / (first - second)
            zero = np.where((zero < last) & np.isfinite(zero), zero, 0.5 * last)
        if not (np.abs(last - zero) > NEAR[0] * zero).any():
            break
        trial = np.maximum(zero + 0.25 * (last - zero), 0.5 * last)
        found = margin(everyone, trial)
        beyond = ~(found > 0.0)
        for _ in range(APPROACHES):
            if not (beyond & np.isfinite(second)).any():
                break
            trial = np.where(beyond, 0.5 * (trial + last), trial)
            found = np.where(beyond, margin(everyone, trial), found)
            beyond = ~(found > 0.0)
        before, first, last, second = last, second, trial, np.where(beyond, np.nan, found)
    x = zero[:, None] * (1.0 + np.array(NEAR))
    y = np.stack([margin(everyone, column) for column in x.T], axis=1)
    weights = np.stack([y[:, (k + 1) % 3] * y[:, (k + 2) % 3] for k in range(3)], axis=1)
    with np.errstate(all="ignore"):
        for k in range(3):
            weights[:, k] /= (y[:, k] - y[:, (k + 1) % 3]) * (y[:, k] - y[:, (k + 2) % 3])
    result = (weights * x).sum(axis=1)  # the load as a parabola of the margin, where the margin is zero
    return np.where((y > 0.0).all(axis=1) & (np.abs(result / zero - 1.0) < NEAR[0]), result, np.nan)


def _guarded(distance: Distance) -> Distance:
    """Give NaN for single items at which a distance cannot be told."""

    def at(items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        def examine(some: NDArray[np.intp]) -> NDArray[np.float64]:
            with strict():
                return distance(items[some], load[some])

        return in_halves(examine, np.arange(len(items)), failures=FAILURES, alone=lambda _: np.array([np.nan]))

    return at


def largest_zero(
    distance: Distance, count: int, full: float, *, walk: bool = False, least: float = LIGHTEST
) -> NDArray[np.float64]:
    """Find the load below which a distance is negative: by a search in a bracket, in the root of the load.

    Parameters
    ----------
    distance : callable
        From items (S,) and loads (S,) [A] to distances (S,).
    count : int
        Number of items L [unitless].
    full : float
        Largest load [A].
    least : float
        Smallest load looked at, over the largest [unitless].
    walk : bool
        Go down from it in steps, for orbits that are found from their neighbours only.

    Returns
    -------
    ndarray (L,)
        Load [A]; zero where the distance is positive at the smallest load already, infinite where it is negative at
        the largest, NaN where it could not be told.
    """
    guarded = _guarded(distance)

    def at(items: NDArray[np.intp], root: NDArray[np.float64]) -> NDArray[np.float64]:
        return guarded(items, full * root**2)

    smallest = np.sqrt(least)
    low, high, below = np.ones(count), np.ones(count), np.full(count, np.nan)
    above = at(np.arange(count), high)
    result = np.where(above < 0.0, np.inf, np.nan)
    going = np.flatnonzero(above >= 0.0)
    for root in np.geomspace(1.0, smallest, WALK)[1:] if walk else [smallest]:
        if not len(going):
            break
        high[going], low[going] = low[going], root
        below[going] = at(going, low[going])
        going = going[below[going] > 0.0]
    result[going] = 0.0
    inside = np.flatnonzero((above >= 0.0) & (below <= 0.0))
    if len(inside):
        from scipy.optimize.elementwise import find_root  # noqa: PLC0415  (a quarter of a second to load)

        found = find_root(
            lambda root, item: at(item.astype(np.intp), root), (low[inside], high[inside]), args=(inside,),
            tolerances={"xatol": 0.0, "xrtol": CLOSE, "fatol": 0.0, "frtol": 0.0},
        )  # fmt: skip
        result[inside] = np.where(found.success, full * found.x**2, np.nan)
    return result
