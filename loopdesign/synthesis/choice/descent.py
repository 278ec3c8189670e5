"""Descent by exact judgement from neighbour to neighbour: where plant times compensator is too inaccurate.

It finds the nearest miss where nothing passes, and parts where the product misleads: a type III network whose gain at
the switching frequency is high passes so much ripple to the comparator that the exact loop gain is another one.
"""

from __future__ import annotations

from itertools import combinations, product
from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Lattice

Found = TypeVar("Found")

STRIDES = (6, 3, 2, 1)
"""Steps in which neighbours are examined, coarse to fine."""
MOVES = 5
"""Moves at most with one stride."""
WHOLE_RING = 3
"""Open parts up to which neighbours differ in all parts at once; with more, in one part or two at a time."""


def descend(
    lattice: Lattice,
    judge_items: Callable[[NDArray[np.intp]], list[Found]],
    begin: list[int],
    cost: Callable[[int, Found], tuple[float, float]],
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

    Returns
    -------
    best, seen
        Number of the best combination, and the readings of all that were examined.
    """
    seen: dict[int, Found] = {}

    def best_of(items: NDArray[np.intp]) -> int:
        new = np.array([i for i in np.unique(items) if int(i) not in seen], np.intp)
        if len(new):
            seen.update({int(i): j for i, j in zip(new, judge_items(new), strict=True)})
        return min((int(i) for i in items), key=lambda i: cost(i, seen[i]))

    best = best_of(np.array(begin, np.intp))
    for stride in STRIDES:
        for _ in range(MOVES):
            again = best_of(neighbours(lattice, best, stride))
            if again == best:
                break
            best = again
    return best, seen


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
