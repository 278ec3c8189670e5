"""Search of a whole lattice: what the screens leave is evaluated whole, what is feasible and good enough is kept.

Every visit of some combinations raises the threshold that the next one holds the others against.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.search.lattice import Lattice, SearchResult, put_together, relaxed
from loopdesign.synthesis.search.loops import Demands, LoopReadings, Responses, figures
from loopdesign.synthesis.search.order import LOOKED_AT, TIE, preference
from loopdesign.synthesis.search.screens import TELLING, screens_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Axes

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

MANY, SOME = 256, 48
"""Combinations from which some are evaluated ahead of the others, and how many of them at least."""
RATHER_MANY = 1024
"""Combinations left by the screens from which some of them, `SOME`, say at which other corners they may fail."""
SLACK = 0.12
"""Share of the best score within which all feasible combinations are kept, for ties and alternatives."""
ENOUGH = LOOKED_AT + 1024
"""Combinations of the first tie that are kept where there are very many: all that anything is chosen from."""
VERY_MANY = 4 * ENOUGH
"""Combinations left by the screens from which they are not all evaluated, but those that matter."""
TAKEN = 1024
"""Combinations of them that are evaluated together."""
NEIGHBOURS = (6, 3)
"""Reach of the neighbourhoods looked at before the whole lattice, in forty-eighths of each series."""


def search(
    responses: Responses,
    lattice: Lattice,
    demands: Demands,
    *,
    begin: int | None = None,
    known: SearchResult | None = None,
    thin: bool = False,
    slack: float = SLACK,
    progress: Callable[[int, int], None] | None = None,
) -> SearchResult:
    """Find every feasible combination within a share of the best score, over the whole lattice.

    Where these are very many, as with a flat optimum, the best is found, and of all that tie with it those that
    `order.in_order` puts first.

    Parameters
    ----------
    responses
        Plant, amplifier and divider at every corner.
    lattice
        Preferred values of the open parts.
    demands
        Limits and objective.
    begin
        Number of a combination thought good, looked at first with its neighbours.
    known
        What a search of the same lattice with the same responses and demands found, at least one combination.
    thin
        Look at a thin sub-lattice and around its best only: an answer to begin from, with nothing proven.
    slack
        Share of the best score within which all feasible combinations are kept [unitless].
    progress
        Called with (combinations looked at, combinations in all).

    Returns
    -------
    SearchResult
        Best first; empty where no combination of the whole lattice is feasible.
    """
    walk = Walk(responses, demands, lattice, slack)
    if begin is not None:
        walk.begin(begin)
    if known is not None:
        walk.begin(int(known.items[0]))
    if thin or walk.best is None:  # else its score spares most of the whole lattice already
        _look_around(walk, begin, thin=thin)
    if thin:
        return walk.result(walk.evaluated)
    if progress is not None:
        progress(0, lattice.size)
    walk.visit(tuple(np.arange(len(c)) for c in lattice.choices), last=True)
    return walk.result(lattice.size)


def _look_around(walk: Walk, begin: int | None, *, thin: bool) -> None:
    """Look for a good combination around one, and on a thin sub-lattice where there is none; then around the best."""
    lattice = walk.lattice
    looked_at: list[Axes] = []

    def look(item: int, reach: int) -> None:
        axes = lattice.axes_around(item, tuple(min(reach * len(c) // 48 + 1, 12) for c in lattice.choices))
        if not any(all(np.isin(a, b).all() for a, b in zip(axes, seen, strict=True)) for seen in looked_at):
            walk.visit(axes)
            looked_at.append(axes)

    if begin is not None:
        for reach in NEIGHBOURS[:1] if thin else NEIGHBOURS[::-1]:
            if thin or walk.best is None:
                look(begin, reach)
        if walk.best is not None and not thin:
            return
    if walk.best is None:
        walk.visit(lattice.axes_coarse())
    for reach in NEIGHBOURS:
        if walk.best is not None:
            look(walk.best, reach)


class Walk:
    """State of one search: the feasible combinations so far and the threshold they set."""

    def __init__(self, responses: Responses, demands: Demands, lattice: Lattice, slack: float = SLACK) -> None:
        self.responses, self.demands = responses, demands
        self.screens, self.lattice, self.slack = screens_for(responses, demands), lattice, slack
        self.threshold = -np.inf
        self.best: int | None = None
        self.best_score = -np.inf
        self.items: list[Index] = []
        self.scores: list[Array] = []
        self.evaluated = 0

    def visit(self, axes: Axes, *, last: bool = False) -> None:
        """Screen the combinations along axes, evaluate what is left, keep what is feasible.

        Of very many those alone are evaluated that matter for the choice, where no visit follows.
        """
        threshold = self.threshold
        items = self.screens.bounded(self.lattice, axes, threshold)
        if len(items) > MANY:
            before = threshold, self._telling(), set(self.screens.dips.tolist())
            threshold = self._learn(items[:: len(items) // SOME])
            after = threshold, self._telling(), set(self.screens.dips.tolist())
            if before != after and len(items) > self.screens.lines(self.lattice, axes):
                again = self.screens.bounded(self.lattice, axes, threshold)
                items = np.intersect1d(items, again, assume_unique=True)
        items, told = self.screens.survivors(self.lattice, items, threshold), None
        while len(items) > RATHER_MANY and told != self._telling():  # those left may fail at other corners
            told = self._telling()
            threshold = max(threshold, self._learn(items[:: len(items) // SOME]))
            if told != self._telling():
                items = self.screens.survivors(self.lattice, items, threshold)
        if last and len(items) > VERY_MANY and self.demands.prefer != "crossover":
            self._keep_first(items, threshold)
            return
        self._keep_feasible(items, threshold)

    def _telling(self) -> set[int]:
        """Corners at which combinations are screened."""
        return set(self.screens.order[:TELLING].tolist())

    def _keep_first(self, items: Index, threshold: float) -> None:
        """Find the best of very many, and keep the first in order of its ties; all where these are few."""
        promise = self.screens.promise(self.lattice, items)
        order = np.argsort(-promise, kind="stable")
        for begin in range(0, len(items), TAKEN):
            some = order[begin : begin + TAKEN]
            if promise[some[0]] < self.best_score:
                break
            self._keep_feasible(items[some], max(threshold, self.threshold))
        if self.best is None or self.slack < TIE:
            self._keep_feasible(items[promise >= self.threshold], self.threshold)
            return
        tied = relaxed(self.best_score, TIE)
        left = items[promise >= tied]
        keys = preference(self.lattice.values(left))
        order, found = np.lexsort(keys), 0
        alike = np.all([np.diff(key[order]) == 0 for key in keys], axis=0)
        while len(order) and found < ENOUGH:
            count = TAKEN + int(np.argmin(np.append(alike[TAKEN - 1 :], False)))
            found += int((self._keep_feasible(left[order[:count]], self.threshold) >= tied).sum())
            order, alike = order[count:], alike[count:]
        if found < ENOUGH:
            self._keep_feasible(items, self.threshold)

    def _keep_feasible(self, items: Index, threshold: float) -> Array:
        """Evaluate combinations, keep what is feasible and good enough, and return its scores."""
        self.evaluated += len(items)
        items, scores = self._evaluated(items, threshold)
        if len(items):
            self._keep(items, scores)
        return scores

    def begin(self, item: int) -> None:
        """Evaluate one combination at every corner; take the corners first at which it is closest to each limit."""
        readings, misses = self._figures(np.array([item]))
        tightness = np.where(misses[:, 0] == misses[:, 0].max(axis=1, keepdims=True), misses[:, 0], -np.inf).max(axis=0)
        tightness[readings.deciding(self.demands.prefer)] = np.inf
        self.screens = self.screens.telling_first(np.argsort(np.argsort(tightness, kind="stable")))
        if readings.feasible(self.demands)[0]:
            self._keep(np.array([item]), readings.score(self.demands.prefer))

    def _keep(self, items: Index, scores: Array) -> None:
        """Keep feasible combinations; the best of all sets the threshold."""
        self.items.append(items)
        self.scores.append(scores)
        k = int(np.argmax(scores))
        if scores[k] > self.best_score:
            self.best, self.best_score = int(items[k]), float(scores[k])
            self.threshold = relaxed(self.best_score, self.slack)

    def _figures(self, items: Index) -> tuple[LoopReadings, Array]:
        """Evaluate combinations (N,) at every corner; by how much they miss each limit there (M,N,B)."""
        readings = figures(self.responses, self.lattice.values(items), peak=self.demands.prefer == "step")
        misses = [m for m in readings.misses(self.demands).values() if m.shape == readings.crossover_hz.shape]
        return readings, np.array(misses)

    def _learn(self, some: Index) -> float:
        """Evaluate some combinations at every corner; take the corners first that drop most, and see where they do.

        Returns the threshold that the best of them sets, which spares many of the others.
        """
        readings, misses = self._figures(some)
        telling = np.concatenate([misses.max(axis=0).argmax(axis=1), readings.deciding(self.demands.prefer)])
        first = self.screens.telling_first(np.bincount(telling, minlength=len(self.responses.plant)))
        self.screens = first.reading_where(self.lattice.values(some))
        scores = readings.score(self.demands.prefer)[readings.feasible(self.demands)]
        return max(self.threshold, relaxed(float(scores.max(initial=-np.inf)), self.slack))

    def _evaluated(self, items: Index, threshold: float) -> tuple[Index, Array]:
        """Evaluate combinations whole, a few corners at a time; those that are feasible, and their scores.

        Where further corners only lower a score, those that promise most at the first ones go ahead: what they score
        drops many of the others.
        """
        least = self.demands.prefer != "crossover"
        scores = np.full(len(items), np.inf if least else -np.inf)
        if not least or len(items) <= 2 * SOME:
            return self._feasible(items, scores, threshold, 0)
        items, scores = self._feasible(items, scores, threshold, 0, TELLING)
        order = np.argsort(-scores, kind="stable")
        lead, others = order[:SOME], order[SOME:]
        first = self._feasible(items[lead], scores[lead], threshold, TELLING)
        threshold = max(threshold, relaxed(float(first[1].max(initial=-np.inf)), self.slack))
        others = others[scores[others] >= threshold]
        second = self._feasible(items[others], scores[others], threshold, TELLING)
        return np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1]])

    def _feasible(
        self, items: Index, scores: Array, threshold: float, begin: int, end: int | None = None
    ) -> tuple[Index, Array]:
        """Evaluate combinations whose scores at the corners before are known at some more, a few of them at a time."""
        prefer, order = self.demands.prefer, self.screens.order
        least, end = prefer != "crossover", len(order) if end is None else min(end, len(order))
        while begin < end and len(items):
            few = np.sort(order[begin : min(2 * begin + TELLING, end)])
            begin += len(few)
            last = begin == len(order)
            readings = figures(self.responses.at(few, step=last), self.lattice.values(items), peak=prefer == "step")
            scores = (np.minimum if least else np.maximum)(scores, readings.score(prefer))
            keep = readings.feasible(self.demands)
            if least or last:
                keep &= scores >= threshold
            items, scores = items[keep], scores[keep]
        return items, scores

    def result(self, looked_at: int) -> SearchResult:
        """Drop what fell behind and what was met twice; best first, then by number."""
        return put_together(self.items, self.scores, self.threshold, looked_at, self.evaluated)
