"""Lattices too large to look at whole (type III: five parts): a climb, and blocks searched exhaustively around its end.

Where neither the starts nor what lies beside them is feasible, a descent goes from the one that falls short least to
what falls short by less, coarse steps first, until something is feasible; where it ends without success, blocks around
its end are searched. So a search with further corners, which begins at the best combination of the one before, goes on
near it.

From the best of the starts a climb goes to the best of a few values of every part around, coarse steps first, as long
as any is better; another begins from a few values of whole blocks, and the better of the two counts. Around its end the
parts are taken in two blocks, each searched exhaustively with the other held: R1, C1 and C2 over their whole series; R2
and C3 over theirs with R1 within some steps. What is better in any of them, the climb goes on from. What is proven in
the end is that no better combination exists in either block or within two steps in all parts, and no more: one may
exist where several parts differ by more at once, by as much as `bound` says at most. All that comes within a share of
the best in those blocks is kept: little, for ties; more is gathered again where alternatives are wanted.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.baseline.synthesis import placements
from loopdesign.synthesis.search.blocks.block_walk import NEAR, BlockWalk
from loopdesign.synthesis.search.loops import PARTS
from loopdesign.synthesis.search.walk import SLACK

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.limits import Limits
    from loopdesign.synthesis.search.lattice import Lattice, SearchResult
    from loopdesign.synthesis.search.loops import Demands, Responses

STARTS = 10
"""Placements a search begins from, spread over the crossovers and phases tried."""
FOLLOWING = 12
"""Steps of R1 either way while R2 and C3 are searched."""
WHOLE = 10_000
FEW = {"R": 10, "C": 3}
"""Steps of a resistor and of a capacitor of the first block about a start, R2 and C3 held."""
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
        Look around the starts only, or on a short descent from them where nothing there is feasible.
    slack
        Share of the best score within which what is looked at around it is kept [unitless].
    progress
        Called with (blocks done, blocks at most).

    Returns
    -------
    tuple of SearchResult and str
        What was found, and a clause on what was compared.
    """
    (first, second), near = blocks(lattice), tuple(NEAR for _ in lattice.choices)
    wide = (first, tuple(WHOLE if name in {"R1", "R2", "C3"} else 0 for name in lattice.open_parts))
    few = tuple(0 if second[k] > FOLLOWING else FEW[n[0]] for k, n in enumerate(lattice.open_parts))
    items = [int(lattice.items(place[None])[0]) for place in begin]
    told = len(items) + ROUNDS
    walk = BlockWalk(responses, demands, lattice, slack if thin else 0.0, kept=slack)
    for k, item in enumerate(items):
        if progress is not None:
            progress(k, told)
        walk.look(item, few)
    if walk.best is None:
        nearest = walk.approach(items, 1 if thin else NEAR)
        if not thin:
            walk.find(nearest, first, second)
    walk = walk if thin else walk.climbed_twice(near, wide)
    for round_ in count(len(items)):
        if thin or not walk.improved(near, second, first):
            break
        if progress is not None:
            progress(min(round_, told), told)
    if not thin and walk.best is not None:
        walk.keep_around(near, (second, first))
    compared = f"at most {walk.looked:,} of {lattice.size:.3g} combinations of preferred values were compared"
    if walk.best is None:
        where = "around the starting values, on a descent towards the limits, and in two blocks around its end"
        return walk.result(walk.looked), f"{compared}: {where}"
    return walk.result(walk.looked), f"{compared} in blocks"


def proven(lattice: Lattice) -> str:
    """Say what a search in blocks proves of the best combination that it found.

    Parameters
    ----------
    lattice
        The lattice searched.

    Returns
    -------
    str
        A clause.
    """
    names = ", ".join(n for n in lattice.open_parts if n in PARTS[:3])
    others = ", ".join(n for n in lattice.open_parts if n in PARTS[3:])
    return (
        f"none is better that differs from the best of these only in {names}, only in {others} with R1 within "
        f"{FOLLOWING} steps, or by at most {NEAR} steps in every part"
    )


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
    walk = BlockWalk(responses, demands, lattice, kept=slack)
    walk.begin(int(known.items[0]))
    walk.gather(tuple(NEAR for _ in lattice.choices), blocks(lattice)[::-1])
    return walk.result(known.looked_at)
