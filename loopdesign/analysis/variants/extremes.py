"""Corners at the ends of every tolerance: which combination of ends is worst for what.

`ends` searches them for every condition and reading; here it is told what to judge and how bad a finding is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from loopdesign.analysis.variants.beside import OrbitsBeside
from loopdesign.analysis.variants.current_loop import CurrentLoop, current_loop
from loopdesign.analysis.variants.ends import Ends, EndSearch
from loopdesign.analysis.variants.held import HeldEnds, held_badness, held_ends
from loopdesign.analysis.variants.judge import Judged, judge
from loopdesign.analysis.variants.reserve import RESERVES
from loopdesign.analysis.variants.solve import nominal_temperature
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import variants
from loopdesign.network.batch import distinct_rows, joined, take
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]

Found = TypeVar("Found", Judged, CurrentLoop)
MARGINS = ("phase_margin_deg", "gain_margin_db", "modulus_margin")
"""Readings whose low end is the bad one, and that nothing can use up where they do not exist."""
READINGS = (*MARGINS, "crossover_hz", "lowest_crossover_hz", "largest_multiplier")
"""Every reading that has a worst combination, in the order of the columns of `badness`."""
NO_MARGIN = 1e3
"""What stands for a margin that does not exist: larger than any that does, in the unit of the margin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extremes:
    """Combinations of tolerance ends, each the worst for some reading at some condition.

    Attributes
    ----------
    condition
        (V,) index of the nominal condition.
    places
        (V,k) -1 or 1 per cause.
    corners
        The same as corners (V,).
    judged
        Their margins and verdicts.
    current_loop
        The current loop alone of each.
    nominal, nominal_current_loop
        The same of nominal parts at every condition (C,).
    examined
        How many combinations were judged to find these, nominal parts among them [unitless].
    varied
        What varies (k).
    gain
        (6,k) by how much less bad each of `READINGS` is where one end of its worst combination is turned over.
    reserve_gain
        (7,k) the same for each of `reserve.RESERVES`.
    """

    condition: NDArray[np.intp]
    places: Array
    corners: Corners
    judged: Judged
    current_loop: CurrentLoop
    nominal: Judged
    nominal_current_loop: CurrentLoop
    examined: int
    varied: tuple[Varied, ...]
    gain: Array
    reserve_gain: Array


def at_temperatures(base: Base) -> Base:
    """Extend line and load at the nominal temperature to every temperature of the case.

    Parameters
    ----------
    base : Base
        Every line and load at the nominal temperature, in the order of the case.

    Returns
    -------
    Base
        Every line, load and temperature; where their solutions lie is that of the nominal temperature.
    """
    everywhere = base_corners(base.case)
    each = len(everywhere) // len(base.corners)
    origin = np.arange(len(everywhere)) // each
    bias = {name: values[origin] for name, values in base.bias.items()}
    return replace(base, corners=everywhere, guess=base.guess.take(origin), bias=bias)


def badness(judged: Judged) -> Array:
    """Tell how bad findings are for each of `READINGS`.

    Parameters
    ----------
    judged : Judged
        Findings (N,).

    Returns
    -------
    ndarray (N, 6)
        Finite, the larger the worse, in the units of the readings. An operating point that is not reached or not held
        has no margins; its multiplier counts as the worst there is where it is out of reach.
    """
    low = [-np.nan_to_num(getattr(judged, name), nan=NO_MARGIN, posinf=NO_MARGIN) for name in MARGINS]
    highest = np.nan_to_num(judged.crossover_hz, nan=0.0)
    lowest = -np.nan_to_num(judged.lowest_crossover_hz, nan=0.0)
    largest = np.minimum(judged.largest_multiplier, NO_MARGIN)
    table = np.stack([*low, highest, lowest, largest], axis=1)
    nothing = np.array([*[-NO_MARGIN] * len(MARGINS), 0.0, -np.inf])
    table[:, :-1] = np.where(judged.read[:, None], table[:, :-1], nothing)
    return np.maximum(table, -1e30)


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyEnds:
    """The combinations of tolerance ends that single influences promise to be the worst, at every condition.

    Attributes
    ----------
    condition, corners
        (V,) the condition of each, and the same as corners.
    judged
        Their margins and verdicts.
    """

    condition: NDArray[np.intp]
    corners: Corners
    judged: Judged


def closed_search(base: Base, varied: tuple[Varied, ...]) -> EndSearch[Judged]:
    """Prepare the search for the worst combinations of tolerance ends with the loop closed.

    Parameters
    ----------
    base
        Nominal conditions with the compensation parts chosen.
    varied
        Causes of spread, at least one.

    Returns
    -------
    EndSearch
        Nothing is judged yet.
    """
    beside = OrbitsBeside(base, len(varied))

    def close(condition: NDArray[np.intp], places: Array) -> Judged:
        begin, seen = beside.of(condition, places)
        return judge(base, variants(base.corners, condition, varied, places), condition, begin, seen)

    return EndSearch(close, badness, len(varied), nominal_temperature(base))


def likely_ends(base: Base, varied: tuple[Varied, ...], search: EndSearch[Judged]) -> LikelyEnds:
    """Judge what single influences promise to be the worst; a search of its own goes on from there.

    Parameters
    ----------
    base, varied
        Nominal conditions and causes of spread.
    search
        The search over them.

    Returns
    -------
    LikelyEnds
        Usually the worst combinations, or combinations near to them.
    """
    condition, places, judged = search.likely()
    return LikelyEnds(condition=condition, corners=variants(base.corners, condition, varied, places), judged=judged)


def extremes(
    base: Base, varied: tuple[Varied, ...], held: HeldEnds | None = None, search: EndSearch[Judged] | None = None
) -> Extremes:
    """Examine the worst combination of tolerance ends per condition and reading.

    Parameters
    ----------
    base
        Nominal conditions with the compensation parts chosen.
    varied
        Causes of spread; none leaves nominal parts alone.
    held
        The ends of the same conditions and causes with the control voltage held, where they are known.
    search
        The search with the loop closed, where it has begun.

    Returns
    -------
    Extremes
        For every condition the combinations with the lowest of each margin, the lowest and highest crossover, the
        largest multiplier of the closed loop and of the current loop alone, and the least reserve to what bounds the
        controller; and one that is not held or out of reach where the search met any.
    """
    count, k = len(base.corners), len(varied)

    if not k:
        every, none = np.arange(count), np.empty((count, 0))
        alone = variants(base.corners, every, varied, none)
        return _nominal_alone(base, judge(base, alone, every), current_loop(base, alone, every))
    first = closed_search(base, varied) if search is None else search
    if held is None:
        with branch(partial(held_ends, base, varied)) as begun:
            closed, beside = first.run(), begun.result()
    else:
        closed, beside = first.run(), held
    inner = beside.ends
    rows = distinct_rows(np.concatenate([_worst_rows(closed), _lost_rows(closed), _narrow_rows(inner)]))
    condition, places = rows[:, 0].astype(np.intp), rows[:, 1:]
    return Extremes(
        condition=condition,
        places=places,
        corners=variants(base.corners, condition, varied, places),
        judged=_all_of(
            closed.found, first.known(condition, places), lambda some: first.judge(condition[some], places[some])
        ),
        current_loop=_all_of(
            inner.found, beside.search.known(condition, places), lambda some: beside.hold(condition[some], places[some])
        ),
        nominal=closed.nominal,
        nominal_current_loop=inner.nominal,
        examined=count + len(distinct_rows(np.concatenate([_rows(closed), _rows(inner)]))),
        varied=varied,
        gain=closed.gain,
        reserve_gain=inner.gain[1:],
    )


def _nominal_alone(base: Base, judged: Judged, inner: CurrentLoop) -> Extremes:
    """Hold what nominal parts show where nothing has a tolerance."""
    none = np.arange(0)
    return Extremes(
        condition=none, places=np.empty((0, 0)), corners=variants(base.corners, none, (), np.empty((0, 0))),
        judged=judged.take(none), current_loop=inner.take(none), nominal=judged, nominal_current_loop=inner,
        examined=len(judged), varied=(), gain=np.zeros((len(READINGS), 0)), reserve_gain=np.zeros((len(RESERVES), 0)),
    )  # fmt: skip


def _all_of(found: Found, known: NDArray[np.intp], judge_some: Callable[[NDArray[np.intp]], Found]) -> Found:
    """Take findings by their numbers, and judge those that have none."""
    missing = np.flatnonzero(known < 0)
    if not len(missing):
        return take(found, known, len(found))
    there = np.flatnonzero(known >= 0)
    both = joined([take(found, known[there], len(found)), judge_some(missing)])
    return take(both, np.argsort(np.concatenate([there, missing]), kind="stable"), len(known))


def _rows(ends: Ends[Found]) -> Array:
    """Condition and places (N,1+k) of everything judged."""
    return np.column_stack([ends.condition, ends.places])


def _worst_rows(ends: Ends[Found]) -> Array:
    """Condition and places of what is the worst for some reading."""
    return _rows(ends)[ends.worst.ravel()]


def _lost_rows(ends: Ends[Judged]) -> Array:
    """Condition and places of the first combination of each condition that is not held or out of reach."""
    lost = np.flatnonzero(~ends.found.read)
    return _rows(ends)[lost[np.unique(ends.condition[lost], return_index=True)[1]]]


def _narrow_rows(ends: Ends[CurrentLoop]) -> Array:
    """Condition and places of the worst with the control voltage held.

    A reserve counts where the ends take more than half of it away; else nothing comes near the bound.
    """
    worst, readings = held_badness(ends.found)[ends.worst, np.arange(ends.worst.shape[1])], held_badness(ends.nominal)
    near = worst > readings / 2.0
    near[:, 0] = True
    return _rows(ends)[ends.worst[near]]
