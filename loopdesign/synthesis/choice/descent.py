"""Descent by exact judgement from neighbour to neighbour: where plant times compensator is too inaccurate.

It finds the nearest miss where nothing passes, and parts where the product misleads: a type III network whose gain at
the switching frequency is high passes so much ripple to the comparator that the exact loop gain is another one.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import combinations, product
from typing import TYPE_CHECKING, Generic, TypeAlias, TypeVar

import numpy as np

from loopdesign.analysis.variants.judge import loop_of
from loopdesign.analysis.variants.solve import base_of
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.synthesis.choice.refusal import worst_shortfall
from loopdesign.synthesis.search.lattice import SearchResult, relaxed
from loopdesign.synthesis.search.walk import SLACK
from loopdesign.units.quantities import hertz
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.synthesis.choice.examination import Examination
    from loopdesign.synthesis.search.lattice import Lattice
    from loopdesign.synthesis.search.search import Search

Found = TypeVar("Found")
Missed: TypeAlias = "tuple[int, Judged, float]"
"""A combination that falls short: its number, its readings, its miss of the load step's target [unitless]."""

STRIDES = (6, 3, 2, 1)
"""Steps in which neighbours are examined, coarse to fine."""
MOVES = 5
"""Moves at most with one stride."""
CLIMBED = (
    "plant times compensator is not accurate enough for this stage (off by {}), so {} combinations were evaluated with "
    "the exact loop instead"
)
WHOLE_RING = 3
"""Open parts up to which neighbours differ in all parts at once; with more, in one part or two at a time."""
NEAR_CROSSOVER = 3.0
"""Gain up to which, and down to the inverse of which, a loop gain counts as near its crossover [unitless]."""


def descend(
    lattice: Lattice,
    judge_items: Callable[[NDArray[np.intp]], list[Found]],
    begin: list[int],
    cost: Callable[[int, Found], tuple[float, float]],
    ahead: Callable[[NDArray[np.intp], int, Found], list[Found] | None] | None = None,
) -> tuple[int, dict[int, Found]]:
    """Go from combination to better combination until none of the neighbours is better.

    Parameters
    ----------
    lattice
        Lattice of the combinations.
    judge_items
        Judges combinations (N,) exactly at every corner, one result each.
    begin
        Combinations to begin from; the best of them leads.
    cost
        Cost of a combination by its number and readings, smaller is better.
    ahead
        Given combinations (N,), the number of the best one so far and its readings: readings that make the cost of
        each seem no larger than it is, or None. Those that cost more than the best even so are judged no further.

    Returns
    -------
    best, seen
        Number of the best combination, and the readings of all that were examined.
    """
    met = _Met(judge_items, cost, ahead)
    if ahead is not None:
        met.best_of(np.array(begin[:1], np.intp))
    best = met.best_of(np.array(begin, np.intp))
    for stride in STRIDES:
        for _ in range(MOVES):
            again = met.best_of(neighbours(lattice, best, stride))
            if again == best:
                break
            best = again
    return best, met.seen


class _Met(Generic[Found]):
    """The combinations met on the way, and what each costs; see `descend`."""

    def __init__(
        self,
        judge_items: Callable[[NDArray[np.intp]], list[Found]],
        cost: Callable[[int, Found], tuple[float, float]],
        ahead: Callable[[NDArray[np.intp], int, Found], list[Found] | None] | None,
    ) -> None:
        self._judge, self._cost, self._ahead = judge_items, cost, ahead
        self.seen: dict[int, Found] = {}
        self._costs: dict[int, tuple[float, float]] = {}

    def best_of(self, items: NDArray[np.intp]) -> int:
        """Judge those of some combinations that have not been met; return the one that costs least."""
        new = self._new(items)
        if len(new) and self._ahead is not None and self.seen:
            leader = min(self._costs, key=lambda i: self._costs[i])
            least = self._ahead(new, leader, self.seen[leader])
            if least is not None:
                self._note(new, least, self._costs[leader])
                new = self._new(new)
        if len(new):
            self._note(new, self._judge(new))
        return min((int(i) for i in items), key=lambda i: self._costs[i])

    def _new(self, items: NDArray[np.intp]) -> NDArray[np.intp]:
        return np.array([i for i in np.unique(items) if int(i) not in self.seen], np.intp)

    def _note(self, items: NDArray[np.intp], readings: list[Found], above: tuple[float, float] | None = None) -> None:
        """Note what combinations cost, of those alone that cost more than another where one is given."""
        for item, one in zip(items.tolist(), readings, strict=True):
            price = self._cost(item, one)
            if above is None or price > above:
                self.seen[item], self._costs[item] = one, price


def neighbours(lattice: Lattice, item: int, stride: int) -> NDArray[np.intp]:
    """Pick the combinations a stride away from one, and itself."""
    centre = lattice.steps(np.array([item]))[0]
    count = len(centre)
    moves = list(product((-1, 0, 1), repeat=count)) if count <= WHOLE_RING else _few_at_once(count)
    last = np.array([len(c) - 1 for c in lattice.choices])
    return lattice.items(np.unique(np.clip(centre + stride * np.array(moves), 0, last), axis=0))


def _few_at_once(count: int) -> list[tuple[int, ...]]:
    """List the moves of one part or of two, and none."""
    moves = [(0,) * count]
    for places in [*combinations(range(count), 1), *combinations(range(count), 2)]:
        for signs in product((-1, 1), repeat=len(places)):
            by_place = dict(zip(places, signs, strict=True))
            moves.append(tuple(by_place.get(k, 0) for k in range(count)))
    return moves


def nearest_miss(exam: Examination, work: Search, begin: list[int]) -> Missed:
    """Descend to the combination that falls short least by the exact loop.

    Parameters
    ----------
    exam
        What combinations are held against.
    work
        The search they belong to.
    begin
        Combinations to begin from.

    Returns
    -------
    item, judged, step_miss
        Its number, its readings at every corner, and its miss of the load step's target relative to it [unitless].
    """
    misses: dict[int, float] = {}

    def cost(item: int, judged: Judged) -> tuple[float, float]:
        return max(misses[item], worst_shortfall(judged, exam.demands.limits)), 0.0

    item, seen = descend(
        work.lattice,
        lambda items: exam.judge_noting(work, items, misses),
        begin,
        cost,
        lambda items, _, best: exam.judge_ahead(work, items, misses, best),
    )
    return item, seen[item], misses[item]


def inaccuracy(exam: Examination, work: Search, item: int) -> str:
    """Say how far plant times compensator lies from the exact loop gain of one combination near its crossover.

    The largest difference over the corners where the exact gain is between a third and three.

    Parameters
    ----------
    exam
        Corners and case.
    work, item
        The search, and the number of the combination.

    Returns
    -------
    str
        An amount in words.
    """
    grid = work.responses.frequencies_hz
    product = work.responses.loop(work.lattice.values(np.array([item])))[0] / work.correction

    def exact(items: NDArray[np.intp]) -> NDArray[np.complex128]:
        base = base_of(exam.case, work.parts_of(item), exam.stage)
        return loop_of(base, exam.corners.take(items), exam.condition[items], grid)

    def none(items: NDArray[np.intp]) -> NDArray[np.complex128]:
        return np.full((len(items), len(grid)), np.nan, complex)

    failures = (LoopDesignError, *BREAKDOWN)
    loop = in_halves(exact, np.arange(len(exam.condition)), failures=failures, alone=none)
    near = (np.abs(loop) > 1.0 / NEAR_CROSSOVER) & (np.abs(loop) < NEAR_CROSSOVER)
    if not near.any():
        return "an amount that is not known, for no loop gain comes near 1"
    ratio = np.where(near, loop / product, 1.0)
    corner, point = np.unravel_index(int(np.argmax(np.abs(np.log(ratio)))), ratio.shape)
    db, deg = 20.0 * np.log10(np.abs(ratio[corner, point])), np.degrees(np.angle(ratio[corner, point]))
    return f"{abs(db):.1f} dB and {abs(deg):.0f} deg at {hertz(float(grid[point]))}"


def climb(exam: Examination, work: Search, begin: list[int]) -> Search:
    """Go from combination to combination by the exact loop; those met on the way that pass, best first.

    Parameters
    ----------
    exam
        What combinations are held against.
    work
        The search they belong to.
    begin
        Combinations to begin from.

    Returns
    -------
    Search
        The same search, with the combinations that passed as its result.
    """
    misses: dict[int, float] = {}
    telling, least = np.empty(0, np.intp), -np.inf

    def passes(item: int, judged: Judged) -> bool:
        return misses[item] <= 0.0 and exam.passes(judged)

    def judge_items(items: NDArray[np.intp]) -> list[Judged]:
        """Judge; once some combination passes, none that fails or scores far less can take its place."""
        nonlocal telling, least
        each = exam.judge_noting(work, items, misses, telling, least)
        passing = [k for k, one in enumerate(each) if passes(int(items[k]), one)]
        exam.read_ahead(work, items[passing])
        whole = [each[k] for k in passing if len(each[k].stable) == len(exam.condition)]
        if whole:
            telling = np.union1d(exam.telling(whole[0]), [int(np.argmin(whole[0].crossover_hz))])
            best = max(exam.most_score(one) for one in whole)
            least = max(least, relaxed(best, SLACK)) if np.isfinite(best) else least
        return each

    def ahead(items: NDArray[np.intp], item: int, best: Judged) -> list[Judged] | None:
        """Judge at some corners, as long as nothing passes."""
        return None if passes(item, best) else exam.judge_ahead(work, items, misses, best)

    def cost(item: int, judged: Judged) -> tuple[float, float]:
        if passes(item, judged):
            whole = exam.demands.prefer != "step" or len(judged.stable) == len(exam.condition)
            return 0.0, -exam.score(work, item, judged) if whole else -np.inf  # as far as it is judged
        return 1.0, max(misses[item], worst_shortfall(judged, exam.demands.limits))

    _, seen = descend(work.lattice, judge_items, begin, cost, ahead)
    passing = sorted((cost(i, j)[1], i) for i, j in seen.items() if cost(i, j)[0] == 0.0)
    passing = [(c, i) for c, i in passing if c <= passing[0][0] + SLACK * abs(passing[0][0])]
    result = SearchResult(
        items=np.array([i for _, i in passing], np.intp),
        scores=np.array([-c for c, _ in passing]),
        threshold=-np.inf,
        looked_at=work.result.looked_at,
        evaluated=work.result.evaluated + len(seen),
    )
    scope = f"{work.scope}; {CLIMBED.format(inaccuracy(exam, work, begin[0]), len(seen))}"
    return replace(work, result=result, scope=scope, climbed=True)


def highest_climb(exam: Examination, work: Search, begins: list[list[int]]) -> Search:
    """Climb by the exact loop from several places, each by itself, and return the climb that ends highest.

    Parameters
    ----------
    exam
        What combinations are held against.
    work
        The search they belong to.
    begins
        Combinations of which the best leads, for each climb; at least one.

    Returns
    -------
    Search
        As `climb` returns it.
    """
    beside = [branch(partial(climb, exam, work, begin)) for begin in begins[1:]]
    found = [climb(exam, work, begins[0]), *(other.result() for other in beside)]
    return max(found, key=lambda climbed: climbed.result.scores.max(initial=-np.inf))
