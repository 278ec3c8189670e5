"""Which combination comes first: better score; among ties fewer distinct values, commoner, then smaller capacitors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.search.loops import PARTS, figures
from loopdesign.synthesis.search.screens import TELLING, screens_for
from loopdesign.units.preferred import hundredths
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Lattice, SearchResult
    from loopdesign.synthesis.search.loops import Demands, Responses

    Misses = Mapping[str, NDArray[np.float64]]

TIE = 1e-2
"""Scores that agree to this share of the best count as tied: no tolerance of any part lets one tell them apart."""
CHUNK = 256
LOOKED_AT = 6144
"""Combinations looked through for alternatives, best first."""
TOGETHER = 128
"""Combinations evaluated at all corners together where those are looked for that fall short least."""
COMMON = ("E6", "E12", "E24", "E48", "E96", "E192")


def in_order(lattice: Lattice, result: SearchResult) -> NDArray[np.intp]:
    """Numbers of the combinations found, best first, ties resolved.

    Parameters
    ----------
    lattice
        The lattice they belong to.
    result
        What the search kept.

    Returns
    -------
    ndarray
        (N,) numbers in the lattice. Within a hundredth of the best score, fewer distinct values come first, then
        capacitors of coarser series, then smaller capacitors, then the higher score; so it is in every further
        hundredth.
    """
    if not len(result.items):
        return result.items
    best = abs(float(result.scores[0])) or 1.0
    tied = np.floor((result.scores.max() - result.scores) / best / TIE)
    order = np.lexsort((result.items, -result.scores, *preference(lattice.values(result.items)), tied))
    return result.items[order]


def preference(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]:
    """Return by what ties are parted, the last key first: capacitance [F], rarity and distinct values (N,)."""
    capacitance = values[:, [i for i, name in enumerate(PARTS) if name.startswith("C")]].sum(axis=1)
    return capacitance, _rarity(values), _distinct(values)


def rank_of(lattice: Lattice, result: SearchResult, item: int) -> int:
    """Place of a combination in the order; those ahead of it were refused by the exact loop."""
    return int(np.flatnonzero(in_order(lattice, result) == item)[0])


def _distinct(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """Count the distinct values (N,) among the resistors and among the capacitors of networks (N,5)."""
    count = np.zeros(len(values), np.intp)
    for kind in "RC":
        some = np.sort(values[:, [i for i, name in enumerate(PARTS) if name[0] == kind]], axis=1)
        count += (some[:, 0] > 0.0) + ((some[:, 1:] > 0.0) & (some[:, 1:] != some[:, :-1])).sum(axis=1)
    return count


def _rarity(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """Sum (N,) over the capacitors of networks (N,5) of the place of the coarsest series that holds each."""
    total = np.zeros(len(values), np.intp)
    for column in values[:, [i for i, name in enumerate(PARTS) if name[0] == "C"]].T:
        each, which = np.unique(column, return_inverse=True)
        total += np.array([_series_place(float(v)) if v else 0 for v in each])[which]
    return total


def _series_place(value: float) -> int:
    digits = round(value / 10.0 ** np.floor(np.log10(value) + 1e-12) * 100.0)
    return next((i for i, series in enumerate(COMMON) if digits in hundredths(series)), len(COMMON))


def alternatives(
    lattice: Lattice,
    order: NDArray[np.intp],
    chosen: int,
    count: int = 5,
    told: Callable[[NDArray[np.intp]], NDArray[np.float64]] | None = None,
) -> list[int]:
    """Pick the best combinations that differ from the chosen one, and from one another, in more than one step.

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
    told
        Readings (N,M) of combinations (N,), scaled so that a difference of one matters; without it steps alone count.

    Returns
    -------
    list of int
        Numbers; two combinations differ where some part lies two or more places apart and some reading by one or more.
    """
    picked = [chosen]
    steps, readings = lattice.steps(np.array([chosen])), None if told is None else told(np.array([chosen]))
    for begin in range(0, min(len(order), LOOKED_AT), CHUNK):
        items = order[begin : begin + CHUNK]
        places, values = lattice.steps(items), None if told is None else told(items)
        for k, item in enumerate(items):
            if len(picked) > count:
                return picked[1:]
            apart = np.abs(steps - places[k]).max(axis=1) > 1
            if readings is not None and values is not None:
                apart &= np.abs(readings - values[k]).max(axis=1) >= 1.0
            if apart.all():
                picked.append(int(item))
                steps = np.vstack([steps, places[k]])
                readings = None if readings is None or values is None else np.vstack([readings, values[k]])
    return picked[1 : count + 1]


def at_bounds(lattice: Lattice, item: int) -> tuple[str, ...]:
    """Name the open parts whose value is the smallest or largest that was searched."""
    place = lattice.steps(np.array([item]))[0]
    return tuple(
        f"{name} is the {'smallest' if k == 0 else 'largest'} value that was tried, "
        f"{format_quantity(float(values[k]), 'ohm' if name.startswith('R') else 'F', ascii_only=True)}: "
        f"a better one may lie {'below' if k == 0 else 'above'}"
        for name, k, values in zip(lattice.open_parts, place, lattice.choices, strict=True)
        if len(values) > 1 and k in {0, len(values) - 1}
    )


def largest_misses(responses: Responses, values: NDArray[np.float64], demands: Demands) -> Misses:
    """Return the largest miss (N,) of each limit over the corners by combinations (N,5), relative to it, by name."""
    found = figures(responses, values, peak=False).misses(demands)
    return {name: miss.max(axis=1) for name, miss in found.items()}


def misses_at_some(responses: Responses, values: NDArray[np.float64], demands: Demands) -> Misses:
    """Return what the misses (N,) are at least, by what they are at a few of the corners."""
    some = np.sort(screens_for(responses, demands).order[:TELLING])
    misses = dict(largest_misses(responses.at(some, step=False), values, demands))
    if demands.limits.step_deviation is not None:
        misses["step_deviation"] = np.full(len(values), -1.0)  # no departure at all
    return misses


def falling_short_least(
    responses: Responses, values: NDArray[np.float64], demands: Demands,
    key: Callable[[Misses], NDArray[np.float64]], *, count: int = 1, at_some: Misses | None = None,
) -> NDArray[np.intp]:  # fmt: skip
    """Pick the combinations that fall short least at all corners; those that do so at some of them are seen first.

    Parameters
    ----------
    responses
        Plant, amplifier and divider at every corner.
    values
        Part values (N,5) in the order of `PARTS` [ohm], [F].
    demands
        Limits.
    key
        What counts (N,) of the misses of each limit; larger misses must not make it smaller.
    count
        How many to pick [unitless].
    at_some
        Misses at some of the corners, where they are known.

    Returns
    -------
    ndarray
        Their places, least key first.
    """
    least = key(misses_at_some(responses, values, demands) if at_some is None else at_some)
    order, keys = np.argsort(least, kind="stable"), np.full(len(values), np.inf)
    for begin in range(0, len(values), TOGETHER):
        ahead = order[begin : begin + TOGETHER]
        if begin >= count and least[ahead[0]] > np.partition(keys, count - 1)[count - 1]:
            break
        keys[ahead] = key(largest_misses(responses, values[ahead], demands))
    return np.argsort(keys, kind="stable")[:count]
