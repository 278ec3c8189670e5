"""Lattices too large to look at whole (type III: five parts): a climb, and blocks searched exhaustively around its end.

From the best of the starts a climb goes to the best of a few values of every part around, coarse steps first, as long
as any is better; another begins from a few values of whole blocks, and the better of the two counts. Around its end the
parts are taken in two blocks, each searched exhaustively with the other held: R1, C1 and C2 over their whole series; R2
and C3 over theirs with R1 within some steps. What is better in any of them, the climb goes on from. What is proven in
the end is that no better combination exists in either block or within two steps in all parts, and no more: one may
exist where several parts differ by more at once, by as much as `bound` says at most. All that comes within a share of
the best in those blocks is kept: little, for ties; more is gathered again where alternatives are wanted.
"""

from __future__ import annotations

from copy import copy
from functools import partial
from itertools import count
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.synthesis.baseline.synthesis import placements
from loopdesign.synthesis.search.lattice import relaxed
from loopdesign.synthesis.search.loops import PARTS
from loopdesign.synthesis.search.screens import ALONG
from loopdesign.synthesis.search.walk import SLACK, Walk
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.limits import Limits
    from loopdesign.synthesis.search.lattice import Axes, Lattice, SearchResult
    from loopdesign.synthesis.search.loops import Demands, Responses

STARTS = 10
"""Placements a search begins from, spread over the crossovers and phases tried."""
FOLLOWING = 12
"""Steps of R1 either way while R2 and C3 are searched."""
WHOLE = 10_000
NEAR = 2
STRIDES = ({"R": 32, "C": 3}, {"R": 8, "C": 2}, {"R": 4, "C": 1}, {"R": 1, "C": 1})
"""Steps from one value to the next of those that a climb looks at, `NEAR` either way."""
FEW = {"R": 10, "C": 3}
"""Steps of a resistor and of a capacitor of the first block about a start, R2 and C3 held."""
EVERY = {"R": 8, "C": 3}
"""Steps from one value to the next where a block is thinned: to find any combination at all, or one far away."""
ROUNDS = 8
"""Rounds that progress counts on; there are as many as it takes."""
Block: TypeAlias = tuple[int, ...]
"""First and last position and their number, part by part."""
TOGETHER = 2**18
"""Combinations of a block looked at together, so that it never stands in memory whole."""
SLICES = 4
"""Slices into which `TOGETHER` combinations are cut where two processors share a block."""


def starts(case: cases.Case, stage: ExaminedStage, limits: Limits, lattice: Lattice) -> list[NDArray[np.intp]]:
    """Place and round the network by the trade's methods at several crossovers; positions (k,) in the lattice."""
    placed = [parts for parts, _ in placements(case, stage, limits, [])]
    middle = np.array([len(c) // 2 for c in lattice.choices])
    if not placed:
        return [middle]
    chosen = np.unique(np.linspace(0, len(placed) - 1, STARTS).round().astype(int))
    return [lattice.steps(np.array([lattice.number(_fitted(placed[k], lattice))]))[0] for k in chosen]


def _fitted(parts: Mapping[str, float], lattice: Lattice) -> dict[str, float]:
    """Give parts that a placement leaves out the smallest value of their series."""
    return {n: parts[n] or float(c[0]) for n, c in zip(lattice.open_parts, lattice.choices, strict=True)}


def blocks(lattice: Lattice) -> list[tuple[int, ...]]:
    """Reach of each block, per open part."""
    first = tuple(WHOLE if name in ("R1", "C1", "C2") else 0 for name in lattice.open_parts)
    second = tuple(WHOLE if name in ("R2", "C3") else FOLLOWING if name == "R1" else 0 for name in lattice.open_parts)
    return [first, second]


def _pieces(lattice: Lattice, axes: Axes, most: int = TOGETHER) -> Iterator[Axes]:
    """Split a block across the lines it is bounded along, which are the better the longer they are."""
    along = lattice.open_parts.index(lattice.longest(axes, ALONG)) if set(ALONG) & set(lattice.open_parts) else -1
    across = max((k for k in range(len(axes)) if k != along), key=lambda k: len(axes[k]), default=0)
    together = max(1, most * len(axes[across]) // int(np.prod([len(a) for a in axes])))
    for begin in range(0, len(axes[across]), together):
        yield (*axes[:across], axes[across][begin : begin + together], *axes[across + 1 :])


def staged_search(
    responses: Responses,
    lattice: Lattice,
    demands: Demands,
    begin: list[NDArray[np.intp]],
    *,
    thin: bool = False,
    slack: float = SLACK,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[SearchResult, str]:
    """Search a large lattice in blocks.

    Parameters
    ----------
    responses, lattice, demands
        As for `walk.search`.
    begin
        Positions to start from.
    thin
        Look around the starts only.
    slack
        Share of the best score within which what is looked at around it is kept [unitless].
    progress
        Called with (blocks done, blocks at most).

    Returns
    -------
    tuple of SearchResult and str
        What was found, and a sentence on what is proven.
    """
    (first, second), near = blocks(lattice), tuple(NEAR for _ in lattice.choices)
    wide = (first, tuple(WHOLE if name in {"R1", "R2", "C3"} else 0 for name in lattice.open_parts))
    few = tuple(0 if second[k] > FOLLOWING else FEW[n[0]] for k, n in enumerate(lattice.open_parts))
    items = [int(lattice.items(place[None])[0]) for place in begin]
    told = len(items) + ROUNDS
    walk = _Blocks(responses, demands, lattice, slack if thin else 0.0, kept=slack)
    for k, item in enumerate(items):
        if progress is not None:
            progress(k, told)
        walk.look(item, few)
    walk.find(items[:1], (first, second))
    walk = walk if thin else walk.climbed_twice(near, wide)
    for round_ in count(len(items)):
        if thin or not walk.improved(near, second, first):
            break
        if progress is not None:
            progress(min(round_, told), told)
    if not thin and walk.best is not None:
        walk.keep_around(near, (second, first))
    looked = walk.looked
    names = ", ".join(n for n in lattice.open_parts if n in PARTS[:3])
    others = ", ".join(n for n in lattice.open_parts if n in PARTS[3:])
    scope = (
        f"at most {looked:,} of {lattice.size:.3g} combinations of preferred values were compared in blocks (none is "
        f"better that differs in {names} alone, in {others} with R1 within {FOLLOWING} steps, or by at most {NEAR} "
        "steps in every part)"
    )
    return walk.result(looked), scope


def staged_again(
    responses: Responses, lattice: Lattice, demands: Demands, known: SearchResult, slack: float
) -> SearchResult:
    """Look once more at the blocks around the best of a large lattice.

    Parameters
    ----------
    responses, lattice, demands
        As for `staged_search`.
    known
        What that found, one combination at least.
    slack
        Share of the best score within which what is looked at is kept [unitless].

    Returns
    -------
    SearchResult
        What comes as near to the best.
    """
    walk = _Blocks(responses, demands, lattice, kept=slack)
    walk.begin(int(known.items[0]))
    walk.gather(tuple(NEAR for _ in lattice.choices), blocks(lattice)[::-1])
    return walk.result(known.looked_at)


class _Blocks(Walk):
    """A walk that looks at no block twice: what it kept is all that a later look could keep."""

    def __init__(
        self, responses: Responses, demands: Demands, lattice: Lattice, slack: float = 0.0, *, kept: float = SLACK
    ) -> None:
        super().__init__(responses, demands, lattice, slack)
        self.kept = kept
        self.looked = 0
        self.seen: set[Block] = set()
        self.close: dict[Block, tuple[NDArray[np.intp], NDArray[np.float64]]] = {}

    def keep_around(self, near: tuple[int, ...], whole: Sequence[tuple[int, ...]]) -> None:
        """Keep what comes within a share of the best score: all there is of it in blocks around the best."""
        self.slack, self.threshold = self.kept, relaxed(self.best_score, self.kept)
        known = [self.close[self._block(reach)[0]] for reach in whole]
        self.items, self.scores = [items for items, _ in known], [scores for _, scores in known]
        looked = self.looked
        self.seen.clear()
        if self.best is not None:
            self.look(self.best, near)
        self.looked = looked

    def gather(self, near: tuple[int, ...], whole: Sequence[tuple[int, ...]]) -> None:
        """Look at the blocks around the best beside each other, and keep what comes close in them."""
        one, other = whole
        with branch(partial(self.copied().part_of, other, slice(None))) as beside:
            self.learn_of(self.part_of(one, slice(None)), one)
            self.learn_of(beside.result(), other)
        self.keep_around(near, whole)

    def coming_close(self, reach: tuple[int, ...]) -> _Blocks:
        """Look at a block around the best for all that comes within a share of its score, on a walk of its own."""
        if self._block(reach)[0] in self.close:
            return self.part_of(reach, None)
        with branch(partial(self.part_of, reach, slice(1, None, 2))) as beside:
            half = self.part_of(reach, slice(0, None, 2))
            other = beside.result()
        half.items, half.scores = half.items + other.items, half.scores + other.scores
        half.looked, half.evaluated = half.looked + other.looked, half.evaluated + other.evaluated
        return half

    def part_of(self, reach: tuple[int, ...], part: slice | None) -> _Blocks:
        """Look at the whole of a block, at every other slice, or at none of it."""
        other = self.copied()
        other.items, other.scores, other.looked, other.evaluated = [], [], 0, 0
        other.slack, other.threshold = self.kept, relaxed(self.best_score, self.kept)
        if self.best is not None and part is not None and self._block(reach)[0] not in self.close:
            most = TOGETHER if part == slice(None) else TOGETHER // SLICES
            for piece in list(_pieces(self.lattice, self._block(reach)[1], most))[part]:
                other.looked += int(np.prod([len(a) for a in piece]))
                other.visit(piece)
        return other

    def learn_of(self, other: _Blocks, reach: tuple[int, ...]) -> None:
        """Take over what came close in a block around the best, and go to what is better."""
        block, _ = self._block(reach)
        if block not in self.close:
            items = np.concatenate([np.empty(0, np.intp), *other.items])
            scores = np.concatenate([np.empty(0), *other.scores])
            self.close[block] = items, scores
            self.screens, self.evaluated = other.screens, self.evaluated + other.evaluated
            self.looked += other.looked if block not in self.seen else 0
            self.seen.add(block)
            if len(items):
                best = [int(np.argmax(scores))]
                self._keep(items[best], scores[best])

    def copied(self) -> _Blocks:
        """Return a walk that goes on from here on its own."""
        other = copy(self)
        other.seen, other.items, other.scores = set(self.seen), list(self.items), list(self.scores)
        other.close = dict(self.close)
        return other

    def find(self, begin: Sequence[int], sizes: tuple[tuple[int, ...], tuple[int, ...]]) -> None:
        """Look for any combination at all in blocks around one, where none has been found."""
        for reach, every in ((sizes[0], EVERY), (sizes[1], None), (sizes[0], None)):
            for item in begin:
                if self.best is None:
                    self.look(item, reach, every)

    def climbed_twice(self, near: tuple[int, ...], wide: Sequence[tuple[int, ...]]) -> _Blocks:
        """Climb as it is, and once more from the best of wide blocks, a few values of each part; the better of both."""
        common = self.evaluated
        with branch(partial(self.copied().climbed_from, near, wide)) as beside:
            self.climb(near)
            other = beside.result()
        better = other if other.best_score > self.best_score else self
        better.looked = self.looked + other.looked
        better.evaluated = self.evaluated + other.evaluated - common
        return better

    def climbed_from(self, near: tuple[int, ...], wide: Sequence[tuple[int, ...]]) -> _Blocks:
        """Climb from the best of wide blocks, where it is another; count from here what is looked at."""
        begin, self.looked = self.best, 0
        for reach in wide:
            if self.best is not None:
                self.look(self.best, reach, EVERY)
        if self.best != begin:
            self.climb(near)
        return self

    def improved(self, near: tuple[int, ...], one: tuple[int, ...], other: tuple[int, ...]) -> bool:
        """Climb, then look at a block around where that ends, and at the other where the one has nothing better."""
        self.climb(near)
        before = self.best
        if before is not None:
            self.learn_of(self.coming_close(one), one)
            if self.best == before:
                self.learn_of(self.coming_close(other), other)
        return self.best != before

    def climb(self, near: tuple[int, ...]) -> None:
        """Go to the best of the combinations around, coarse steps first, as long as any is better."""
        again = True
        while again:
            begin = self.best
            for every in STRIDES:
                before = None
                while self.best is not None and self.best != before:
                    before = self.best
                    self.look(before, near, every)
            again = self.best != begin

    def look(self, item: int, reach: tuple[int, ...], every: Mapping[str, int] | None = None) -> None:
        """Look at a block around a combination, every value of each part or every so many."""
        block, axes = self._block(reach, every, item)
        if block in self.seen:
            return
        self.seen.add(block)
        for piece in _pieces(self.lattice, axes):
            self.looked += int(np.prod([len(a) for a in piece]))
            self.visit(piece)

    def _block(
        self, reach: tuple[int, ...], every: Mapping[str, int] | None = None, item: int | None = None
    ) -> tuple[Block, Axes]:
        """Name a block around a combination, the best unless given, and return its axes."""
        steps = [1 if every is None else every[name[0]] for name in self.lattice.open_parts]
        around = self.best if item is None else item
        axes = self.lattice.axes_around(0 if around is None else around, reach, steps)
        return tuple(int(end) for axis in axes for end in (axis[0], axis[-1], len(axis))), axes
