"""Lattices too large to look at whole (type III: five parts): exhaustive in blocks, alternating until nothing improves.

From every start the parts are taken in two blocks, each searched exhaustively with the other held: R1, C1 and C2 over
their whole series; then R2 and C3 over theirs with R1 within some steps. When neither block improves, every combination
within two steps in all parts is compared. What is proven is that, and no more: no better combination exists in either
block or within two steps; one may exist where several parts differ by more at once, by as much as `bound` says at most.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.baseline.synthesis import placements
from loopdesign.synthesis.search.loops import PARTS
from loopdesign.synthesis.search.screens import Walk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.limits import Limits
    from loopdesign.synthesis.search.lattice import Axes, Lattice, SearchResult
    from loopdesign.synthesis.search.loops import Demands, Responses

ROUNDS = 4
STARTS = 10
"""Placements a search begins from, spread over the crossovers and phases tried."""
FOLLOWING = 12
"""Steps of R1 either way while R2 and C3 are searched."""
WHOLE = 10_000
NEAR = 2


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
    walk = Walk(responses, demands, lattice)
    looked = 0
    for k, place in enumerate(begin):
        if progress is not None:
            progress(k, len(begin) + 2 * ROUNDS)
        item = int(lattice.items(place[None])[0])
        reach = tuple(10 if n.startswith("R") else 3 for n in lattice.open_parts[:3]) + (0,) * (len(place) - 3)
        looked += _visit(walk, lattice, item, reach)
    if walk.best is None and begin:
        looked += _visit(walk, lattice, int(lattice.items(begin[0][None])[0]), blocks(lattice)[0])
    for round_ in range(ROUNDS):
        before = walk.best
        if before is None or thin:
            break
        for reach in blocks(lattice):
            if progress is not None:
                progress(len(begin) + 2 * round_, len(begin) + 2 * ROUNDS)
            looked += _visit(walk, lattice, int(walk.best or 0), reach)
        looked += _visit(walk, lattice, int(walk.best or 0), tuple(NEAR for _ in lattice.choices))
        if walk.best == before:
            break
    names = ", ".join(n for n in lattice.open_parts if n in PARTS[:3])
    others = ", ".join(n for n in lattice.open_parts if n in PARTS[3:])
    scope = (
        f"{looked:,} of {lattice.size:.3g} combinations of preferred values were compared in blocks (none is better "
        f"that differs in {names} alone, in {others} with R1 within {FOLLOWING} steps, or by at most {NEAR} steps in "
        "every part)"
    )
    return walk.result(looked), scope


def _visit(walk: Walk, lattice: Lattice, item: int, reach: tuple[int, ...]) -> int:
    """Look at a block; return how many combinations it has."""
    count = 0
    for axes in _chunks(lattice, item, reach):
        count += int(np.prod([len(a) for a in axes]))
        walk.visit(axes)
    return count
