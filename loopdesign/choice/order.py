"""Which combination comes first: better score, then fewer distinct values, then commoner capacitors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.choice.lattice import PARTS
from loopdesign.eseries import hundredths

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.choice.lattice import Found, Lattice

TIE = 1e-3
"""Scores that agree to this share of the best count as tied."""
COMMON = ("E6", "E12", "E24", "E48", "E96", "E192")


def in_order(lattice: Lattice, found: Found) -> NDArray[np.intp]:
    """Numbers of the combinations found, best first, ties resolved.

    Parameters
    ----------
    lattice
        The lattice they belong to.
    found
        What the search kept.

    Returns
    -------
    ndarray
        (N,) numbers in the lattice. Within a thousandth of the best score, fewer distinct values come first, then
        capacitors of coarser series, then the higher score.
    """
    if not len(found.items):
        return found.items
    values = lattice.values(found.items)
    best = abs(float(found.scores[0])) or 1.0
    tied = np.round(found.scores / best / TIE)
    distinct = np.array([_distinct(row) for row in values])
    rare = np.array([_rarity(row) for row in values])
    order = np.lexsort((found.items, -found.scores, rare, distinct, -tied))
    return found.items[order]


def _distinct(row: NDArray[np.float64]) -> int:
    """Count the distinct values among the resistors and among the capacitors of a network."""
    kinds: dict[str, set[float]] = {"R": set(), "C": set()}
    for name, value in zip(PARTS, row, strict=True):
        if value:
            kinds[name[0]].add(float(value))
    return sum(len(k) for k in kinds.values())


def _rarity(row: NDArray[np.float64]) -> int:
    """Sum over the capacitors of the place of the coarsest series that holds each."""
    return sum(_series_place(float(v)) for name, v in zip(PARTS, row, strict=True) if name.startswith("C") and v)


def _series_place(value: float) -> int:
    digits = round(value / 10.0 ** np.floor(np.log10(value) + 1e-12) * 100.0)
    return next((i for i, series in enumerate(COMMON) if digits in hundredths(series)), len(COMMON))


def alternatives(lattice: Lattice, order: NDArray[np.intp], chosen: int, count: int = 5) -> list[int]:
    """Pick the best combinations that differ from the chosen one, and from one another, by more than one step.

    Parameters
    ----------
    lattice
        The lattice.
    order
        Numbers, best first.
    chosen
        Number of the chosen combination.
    count
        How many at most.

    Returns
    -------
    list of int
        Numbers; two combinations differ by more than one step where some part lies two or more places apart.
    """
    picked = [chosen]
    steps = {chosen: lattice.steps(np.array([chosen]))[0]}
    for item in order:
        if len(picked) > count:
            break
        place = lattice.steps(np.array([item]))[0]
        if all(np.abs(place - steps[p]).max() > 1 for p in picked):
            picked.append(int(item))
            steps[int(item)] = place
    return picked[1:]
