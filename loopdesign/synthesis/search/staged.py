"""Lattices too large to look at whole (type III: five parts): exhaustive in blocks, alternating until nothing improves.

From the best of the starts the parts are taken in two blocks, each searched exhaustively with the other held: R1, C1
and C2 over their whole series; R2 and C3 over theirs with R1 within some steps. Every combination within two steps in
all parts is compared as well, until none of the three improves; the first block is by far the largest and comes when
the others have nothing left to improve. What is proven is that, and no more: no better combination exists in either
block or within two steps; one may exist where several parts differ by more at once, by as much as `bound` says at most.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.baseline.synthesis import placements
from loopdesign.synthesis.search.loops import PARTS
from loopdesign.synthesis.search.screens import Walk

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
FEW = {"R": 10, "C": 3}
"""Steps of a resistor and of a capacitor of the first block about a start, R2 and C3 held."""
EVERY = {"R": 8, "C": 3}
"""Steps from one value to the next where a block is thinned, to find any combination at all."""
ROUNDS = 8
"""Rounds that progress counts on; there are as many as it takes."""


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


def _chunks(lattice: Lattice, item: int, reach: tuple[int, ...], most: int = 65_536) -> Iterator[Axes]:
    """Split a block into pieces along its longest part, so that it never stands in memory whole."""
    axes = lattice.axes_around(item, reach)
    longest = int(np.argmax([len(a) for a in axes]))
    together = max(1, most * len(axes[longest]) // int(np.prod([len(a) for a in axes])))
    for begin in range(0, len(axes[longest]), together):
        yield (*axes[:longest], axes[longest][begin : begin + together], *axes[longest + 1 :])


def staged_search(
    responses: Responses,
    lattice: Lattice,
    demands: Demands,
    begin: list[NDArray[np.intp]],
    *,
    thin: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[SearchResult, str]:
    """Search a large lattice in blocks.

    Parameters
    ----------
    responses, lattice, demands
        As for `screens.search`.
    begin
        Positions to start from.
    thin
        Look around the starts only.
    progress
        Called with (blocks done, blocks at most).

    Returns
    -------
    tuple of SearchResult and str
        What was found, and a sentence on what is proven.
    """
    walk, (first, second) = _Blocks(responses, demands, lattice), blocks(lattice)
    few = tuple(0 if second[k] > FOLLOWING else FEW[n[0]] for k, n in enumerate(lattice.open_parts))
    items = [int(lattice.items(place[None])[0]) for place in begin]
    told = len(items) + ROUNDS
    for k, item in enumerate(items):
        if progress is not None:
            progress(k, told)
        walk.look(item, few)
    for reach, thinned in ((first, True), (second, False), (first, False)):
        if walk.best is None and items:
            walk.look(items[0], reach, thinned=thinned)
    sizes = (few, second, tuple(NEAR for _ in lattice.choices), first)
    for round_ in count(len(items)):
        if thin or not walk.improved(sizes):
            break
        if progress is not None:
            progress(min(round_, told), told)
    looked = walk.looked
    names = ", ".join(n for n in lattice.open_parts if n in PARTS[:3])
    others = ", ".join(n for n in lattice.open_parts if n in PARTS[3:])
    scope = (
        f"{looked:,} of {lattice.size:.3g} combinations of preferred values were compared in blocks (none is better "
        f"that differs in {names} alone, in {others} with R1 within {FOLLOWING} steps, or by at most {NEAR} steps in "
        "every part)"
    )
    return walk.result(looked), scope


class _Blocks(Walk):
    """A walk that looks at no block twice: what it kept is all that a later look could keep."""

    def __init__(self, responses: Responses, demands: Demands, lattice: Lattice) -> None:
        super().__init__(responses, demands, lattice)
        self.looked = 0
        self.seen: set[tuple[int, ...]] = set()

    def improved(self, sizes: Sequence[tuple[int, ...]]) -> bool:
        """Look at blocks around the best combination; at the last, the largest, only where none had a better one."""
        before = self.best
        for reach in sizes[:-1]:
            if self.best is not None:
                self.look(self.best, reach)
        if self.best is not None and self.best == before:
            self.look(self.best, sizes[-1])
        return self.best != before

    def look(self, item: int, reach: tuple[int, ...], *, thinned: bool = False) -> None:
        """Look at a block around a combination, or at a few values of each part of it."""
        if thinned:
            steps = [EVERY[name[0]] for name in self.lattice.open_parts]
            axes = tuple(a[::s] for a, s in zip(self.lattice.axes_around(item, reach), steps, strict=True))
            self.looked += int(np.prod([len(a) for a in axes]))
            self.visit(axes)
            return
        block = tuple(int(end) for axis in self.lattice.axes_around(item, reach) for end in (axis[0], axis[-1]))
        if block in self.seen:
            return
        self.seen.add(block)
        for axes in _chunks(self.lattice, item, reach):
            self.looked += int(np.prod([len(a) for a in axes]))
            self.visit(axes)
