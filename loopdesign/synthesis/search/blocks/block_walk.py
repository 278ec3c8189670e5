"""A walk over the blocks of a large lattice: to what is feasible at all, and from there to what is better."""

from __future__ import annotations

from copy import copy
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.synthesis.search.lattice import relaxed
from loopdesign.synthesis.search.order import falling_short_least
from loopdesign.synthesis.search.screens import ALONG
from loopdesign.synthesis.search.walk import SLACK, Walk
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Axes, Lattice
    from loopdesign.synthesis.search.loops import Demands, Responses

NEAR = 2
STRIDES = ({"R": 32, "C": 3}, {"R": 8, "C": 2}, {"R": 4, "C": 1}, {"R": 1, "C": 1})
"""Steps from one value to the next of those that a climb looks at, `NEAR` either way."""
EVERY = {"R": 8, "C": 3}
"""Steps from one value to the next where a block is thinned: to find any combination at all, or one far away."""
Block: TypeAlias = tuple[int, ...]
"""First and last position and their number, part by part."""
TOGETHER = 2**18
"""Combinations of a block looked at together, so that it never stands in memory whole."""
SLICES = 4
"""Slices into which `TOGETHER` combinations are cut where two processors share a block."""


def _worst(misses: Mapping[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Largest miss (N,) of any limit."""
    return np.asarray(np.max(list(misses.values()), axis=0))


def _pieces(lattice: Lattice, axes: Axes, most: int = TOGETHER) -> Iterator[Axes]:
    """Split a block across the lines it is bounded along, which are the better the longer they are."""
    along = lattice.open_parts.index(lattice.longest(axes, ALONG)) if set(ALONG) & set(lattice.open_parts) else -1
    across = max((k for k in range(len(axes)) if k != along), key=lambda k: len(axes[k]), default=0)
    together = max(1, most * len(axes[across]) // int(np.prod([len(a) for a in axes])))
    for begin in range(0, len(axes[across]), together):
        yield (*axes[:across], axes[across][begin : begin + together], *axes[across + 1 :])


class BlockWalk(Walk):
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

    def coming_close(self, reach: tuple[int, ...]) -> BlockWalk:
        """Look at a block around the best for all that comes within a share of its score, on a walk of its own."""
        if self._block(reach)[0] in self.close:
            return self.part_of(reach, None)
        with branch(partial(self.part_of, reach, slice(1, None, 2))) as beside:
            half = self.part_of(reach, slice(0, None, 2))
            other = beside.result()
        half.items, half.scores = half.items + other.items, half.scores + other.scores
        half.looked, half.evaluated = half.looked + other.looked, half.evaluated + other.evaluated
        return half

    def part_of(self, reach: tuple[int, ...], part: slice | None) -> BlockWalk:
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

    def learn_of(self, other: BlockWalk, reach: tuple[int, ...]) -> None:
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

    def copied(self) -> BlockWalk:
        """Return a walk that goes on from here on its own."""
        other = copy(self)
        other.seen, other.items, other.scores = set(self.seen), list(self.items), list(self.scores)
        other.close = dict(self.close)
        return other

    def approach(self, begin: Sequence[int], most: int = NEAR) -> int:
        """Go to what falls short by less, coarse steps first, until it is feasible or nothing around does so.

        At first at most one step in every part, then up to ``most`` of them. Returns the combination where that ends.
        """
        now, reach = self._least_short(np.array(begin, np.intp)), 1
        while self.best is None and reach <= most:
            before = now
            for every in STRIDES:
                now = self._descended(now, reach, every)
            reach = reach + 1 if now == before else 1
        return now

    def _descended(self, item: int, reach: int, every: Mapping[str, int]) -> int:
        """Go to what falls short least around, again and again."""
        steps, before = [every[name[0]] for name in self.lattice.open_parts], -1
        while self.best is None and item != before:
            before = item
            around = self.lattice.product(self.lattice.axes_around(item, tuple(reach for _ in steps), steps))
            item = self._least_short(np.append(item, around))
        return item

    def _least_short(self, items: NDArray[np.intp]) -> int:
        """Pick the one that falls short least, the first of those alike; keep it where it is feasible."""
        values = self.lattice.values(items)
        least = int(items[falling_short_least(self.responses, values, self.demands, _worst)[0]])
        self.looked, self.evaluated = self.looked + len(items), self.evaluated + 1
        self.begin(least)
        return least

    def find(self, around: int, one: tuple[int, ...], other: tuple[int, ...]) -> None:
        """Look for any combination at all in two blocks around one, at first in the first of them thinned."""
        if self.best is not None:
            return
        with branch(partial(self.copied().looked_around, around, other)) as beside:
            self.look(around, one, EVERY)
            if self.best is None:
                self.look(around, one)
                self._join(beside.result())

    def looked_around(self, item: int, reach: tuple[int, ...]) -> BlockWalk:
        """Look at a whole block around a combination; count from here what is looked at."""
        self.looked = self.evaluated = 0
        self.look(item, reach)
        return self

    def _join(self, other: BlockWalk) -> None:
        """Take over what another walk that began at nothing found beside this one."""
        self.looked, self.evaluated = self.looked + other.looked, self.evaluated + other.evaluated
        self.seen |= other.seen
        for items, scores in zip(other.items, other.scores, strict=True):
            self._keep(items, scores)

    def climbed_twice(self, near: tuple[int, ...], wide: Sequence[tuple[int, ...]]) -> BlockWalk:
        """Climb as it is, and once more from the best of wide blocks, a few values of each part; the better of both."""
        common = self.evaluated
        with branch(partial(self.copied().climbed_from, near, wide)) as beside:
            self.climb(near)
            other = beside.result()
        better = other if other.best_score > self.best_score else self
        better.looked = self.looked + other.looked
        better.evaluated = self.evaluated + other.evaluated - common
        return better

    def climbed_from(self, near: tuple[int, ...], wide: Sequence[tuple[int, ...]]) -> BlockWalk:
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
