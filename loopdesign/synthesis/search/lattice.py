"""Every combination of preferred values of the open parts, by its number, and what a search of them returns.

The search looks at every combination. Most fall to screens (`screens`), each a necessary condition of being feasible
and as good as the best so far, read at a few frequencies; what passes them all is evaluated whole. The answer is
therefore the one brute force would give, which the tests hold on small lattices.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

Axes: TypeAlias = "tuple[NDArray[np.intp], ...]"
"""Positions in the series of each open part: every combination of them."""
EXHAUSTIVE = 20_000_000
"""Largest lattice of which every combination is evaluated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Preferred values of each open part, and the values of those that are fixed.

    Attributes
    ----------
    open_parts
        Names of the parts to choose.
    choices
        Values of each, increasing.
    fixed
        Values of the other parts of the network, 0 where not fitted.
    """

    open_parts: tuple[str, ...]
    choices: tuple[NDArray[np.float64], ...]
    fixed: Mapping[str, float]

    @property
    def size(self) -> int:
        """Number of combinations."""
        return int(np.prod([len(c) for c in self.choices], dtype=np.int64))

    @property
    def small(self) -> bool:
        """Whether every combination can be looked at."""
        return self.size <= EXHAUSTIVE

    def values(self, items: NDArray[np.intp]) -> NDArray[np.float64]:
        """Part values (N,5) of combinations by their number."""
        result = np.zeros((len(items), len(PARTS)))
        for name, value in self.fixed.items():
            result[:, PARTS.index(name)] = value
        for name, choice, index in zip(self.open_parts, self.choices, self.steps(items).T, strict=True):
            result[:, PARTS.index(name)] = choice[index]
        return result

    def steps(self, items: NDArray[np.intp]) -> NDArray[np.intp]:
        """Position (N,k) of combinations in the series of each open part."""
        shape = tuple(len(c) for c in self.choices)
        return np.stack(np.unravel_index(items, shape), axis=1)

    def items(self, steps: NDArray[np.intp]) -> NDArray[np.intp]:
        """Numbers of combinations from their positions (N,k)."""
        return np.ravel_multi_index(tuple(steps.T), tuple(len(c) for c in self.choices))

    def number(self, parts: Mapping[str, float]) -> int:
        """Find the number of the combination nearest to given parts."""
        steps = [
            int(np.argmin(np.abs(np.log(c / parts[n])))) for n, c in zip(self.open_parts, self.choices, strict=True)
        ]
        return int(self.items(np.array([steps]))[0])

    def product(self, axes: Axes) -> NDArray[np.intp]:
        """Numbers of every combination along axes, the last part fastest."""
        return self.items(np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1))

    def lines(self, axes: Axes, name: str) -> tuple[NDArray[np.intp], NDArray[np.intp], int]:
        """Part the combinations along axes into lines along which one part alone differs.

        Parameters
        ----------
        axes
            Positions of each open part.
        name
            Designator of the part; every line has one combination where it is not open.

        Returns
        -------
        heads, line, stride
            Number of the first combination of every line, positions of the part along a line, and the difference in
            number from one position to the next.
        """
        if name not in self.open_parts:
            return self.product(axes), np.zeros(1, np.intp), 0
        place = self.open_parts.index(name)
        heads = self.product((*axes[:place], axes[place][:1], *axes[place + 1 :]))
        return heads, axes[place], int(np.prod([len(c) for c in self.choices[place + 1 :]], dtype=np.int64))

    def longest(self, axes: Axes, names: tuple[str, ...]) -> str:
        """Name the one of some parts of which most values lie along axes; the first where none is open."""
        length = {name: len(axis) for name, axis in zip(self.open_parts, axes, strict=True)}
        return max(names, key=lambda name: length.get(name, 0))

    def size_along(self, axes: Axes, name: str) -> int:
        """Count the values of a part that lie along axes; one where it is not open."""
        return len(axes[self.open_parts.index(name)]) if name in self.open_parts else 1

    def axes_coarse(self, most: int = 14) -> Axes:
        """Pick a thin sub-lattice, at most so many values of each part: positions of each part."""
        return tuple(np.unique(np.linspace(0, len(c) - 1, min(len(c), most)).round().astype(int)) for c in self.choices)

    def axes_around(self, item: int, reach: tuple[int, ...], every: Sequence[int] | None = None) -> Axes:
        """Pick combinations within a reach of one, in single steps or in strides: positions of each part."""
        centre, strides = self.steps(np.array([item]))[0], every or [1] * len(reach)
        return tuple(
            c + s * np.arange(-min(r, c // s), min(r, (len(v) - 1 - c) // s) + 1)
            for c, r, s, v in zip(centre, reach, strides, self.choices, strict=True)
        )

    def coarse(self, most: int = 14) -> NDArray[np.intp]:
        """Pick a thin sub-lattice, at most so many values of each part."""
        return self.product(self.axes_coarse(most))

    def around(self, item: int, reach: tuple[int, ...]) -> NDArray[np.intp]:
        """Pick every combination within so many steps of one, per part."""
        return self.product(self.axes_around(item, reach))


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """Feasible combinations at least as good as a threshold: all of them, best score first.

    Attributes
    ----------
    items, scores
        (N,) numbers in the lattice and scores.
    threshold
        Every feasible combination that scores this or more is listed.
    looked_at, evaluated
        Combinations considered, and those evaluated whole.
    """

    items: NDArray[np.intp]
    scores: NDArray[np.float64]
    threshold: float
    looked_at: int
    evaluated: int

    def score_of(self, item: int) -> float:
        """Score of a combination that was found."""
        return float(self.scores[np.flatnonzero(self.items == item)[0]])


def relaxed(score: float, slack: float) -> float:
    """Lower a score, positive or negative, by a share of its size."""
    return score - slack * abs(score)


def put_together(
    items: list[NDArray[np.intp]], scores: list[NDArray[np.float64]], threshold: float, looked_at: int, evaluated: int
) -> SearchResult:
    """Gather what was found piece by piece, each combination once, without what scores below the threshold.

    Parameters
    ----------
    items, scores
        Feasible combinations and their scores, in pieces.
    threshold, looked_at, evaluated
        As in the result.

    Returns
    -------
    SearchResult
        Best first, then by number.
    """
    every, first = np.unique(np.concatenate([np.empty(0, np.intp), *items]), return_index=True)
    score = np.concatenate([np.empty(0), *scores])[first]
    keep = score >= threshold
    every, score = every[keep], score[keep]
    order = np.lexsort((every, -score))
    return SearchResult(
        items=every[order], scores=score[order], threshold=threshold, looked_at=looked_at, evaluated=evaluated
    )
