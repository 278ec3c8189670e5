"""Search of a whole lattice: necessary conditions at a few frequencies, then whole evaluation of what passes.

Each screen is sound: it drops a combination only where `LoopReadings.feasible` would call it infeasible, or score it
below the threshold. With f_k the grid:

* ``|T(f_k)| >= 1`` above the crossover limit means that the highest crossover lies above it, or that the gain never
  falls below one;
* a highest crossover of f or more needs ``|T| >= 1`` at some grid point from the one before f on;
* where the highest crossover of all corners decides, it needs that at one corner at least;
* ``|1 + T(f_k)|`` at any grid point bounds the modulus margin from above, and ``|Z|/|1 + T|`` there bounds the peak of
  the output impedance from below;
* the phase margin at the highest crossover follows from the two grid points about it, by the interpolation that the
  margins themselves use.

Corners are taken one at a time, the telling ones first, so that most combinations meet one corner only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.margins.crossings import wrapped_deg
from loopdesign.synthesis.search.lattice import Demands, Lattice, Responses, SearchResult, figures, relaxed

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

CHUNK = 65_536
"""Combinations screened at once."""
ROUNDING = 1e-9
"""Room left to screens for the order in which sums are taken [relative, and degree]."""
SLACK = 0.12
"""Share of the best score within which all feasible combinations are kept, for ties and alternatives."""
NEIGHBOURS = (6, 3)
"""Reach of the neighbourhoods looked at before the whole lattice, in forty-eighths of each series."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screens:
    """Grid points and corners the screens read."""

    responses: Responses
    demands: Demands
    above: NDArray[np.intp]
    modulus: NDArray[np.intp]
    order: NDArray[np.intp]

    def survivors(self, values: NDArray[np.float64], threshold: float) -> NDArray[np.intp]:
        """Numbers of the combinations (N,5) that no screen drops."""
        kept = np.arange(len(values))
        for screen in (self._gain, self._first_distance, self._phase, self._distance):
            for corner in self.order:
                if not len(kept):
                    return kept
                kept = kept[screen(values[kept], np.array([corner]), threshold)]
            if screen == self._gain and self.demands.prefer == "crossover":
                kept = kept[self._somewhere(values[kept], threshold)]
        return kept

    def lowest(self, threshold: float) -> float:
        """Lowest crossover that still matters [Hz]."""
        wanted = self.demands.crossover_min_hz
        return max(wanted, threshold) if self.demands.prefer == "bandwidth" else wanted

    def _gain(self, values: NDArray[np.float64], corner: NDArray[np.intp], threshold: float) -> NDArray[np.bool_]:
        """Crossover within its limits: below one above the limit, one or more somewhere in the band."""
        grid = self.responses.frequencies_hz
        keep = np.ones(len(values), bool)
        for k in self.above:
            live = np.flatnonzero(keep)
            gain = np.abs(self.responses.loop(values[live], corner, np.array([k]))[:, 0, 0])
            keep[live] = gain < 1.0 + ROUNDING
        low = max(0, int(np.searchsorted(grid, self.lowest(threshold))) - 1)
        high = int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right"))
        live = np.flatnonzero(keep)
        reached = np.zeros(len(live), bool)
        for k in range(low, high):
            open_ = np.flatnonzero(~reached)
            if not len(open_):
                break
            gain = np.abs(self.responses.loop(values[live[open_]], corner, np.array([k]))[:, 0, 0])
            reached[open_] = gain >= 1.0 - ROUNDING
        keep[live] = reached
        return keep

    def _somewhere(self, values: NDArray[np.float64], threshold: float) -> NDArray[np.bool_]:
        """Crossover as high as the threshold at one corner at least: a gain of one or more from there on."""
        grid = self.responses.frequencies_hz
        low = max(0, int(np.searchsorted(grid, threshold)) - 1)
        high = int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right"))
        reached = np.full(len(values), low == 0)
        for corner in self.order:
            open_ = np.flatnonzero(~reached)
            if not len(open_):
                break
            loop = self.responses.loop(values[open_], np.array([corner]), np.arange(low, high))
            reached[open_] = (np.abs(loop[:, 0]) >= 1.0 - ROUNDING).any(axis=1)
        return reached

    def _phase(self, values: NDArray[np.float64], corner: NDArray[np.intp], threshold: float) -> NDArray[np.bool_]:
        """Phase margin at the highest crossover."""
        grid = self.responses.frequencies_hz
        low = max(0, int(np.searchsorted(grid, self.lowest(threshold))) - 1)
        high = int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right"))
        points = np.arange(low, min(high + 1, len(grid)))
        loop = self.responses.loop(values, corner, points)[:, 0]
        above = np.abs(loop) >= 1.0
        last = loop.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
        # on the edge of the band nothing can be said here: the whole evaluation decides
        known = above.any(axis=1) & (last < loop.shape[1] - 1)
        rows, left = np.arange(len(loop)), np.minimum(last, loop.shape[1] - 2)
        first, second = loop[rows, left], loop[rows, left + 1]
        start, end = np.log(np.abs(first)), np.log(np.abs(second))
        part = np.clip(start / np.where(start == end, 1.0, start - end), 0.0, 1.0)
        margin = wrapped_deg(180.0 + np.degrees(np.angle(first) + part * np.angle(second * np.conj(first))))
        return ~known | (margin >= self.demands.limits.value("phase_margin") - 1e-6)

    def _first_distance(
        self, values: NDArray[np.float64], corner: NDArray[np.intp], threshold: float
    ) -> NDArray[np.bool_]:
        """Apply the last screen at every fourth of its points, to spare the others the bulk."""
        return self._apart(values, corner, threshold, self.modulus[1::4])

    def _distance(self, values: NDArray[np.float64], corner: NDArray[np.intp], threshold: float) -> NDArray[np.bool_]:
        """Modulus margin and peak of the output impedance, at some grid points."""
        return self._apart(values, corner, threshold, self.modulus)

    def _apart(
        self, values: NDArray[np.float64], corner: NDArray[np.intp], threshold: float, points: NDArray[np.intp]
    ) -> NDArray[np.bool_]:
        """Keep what stays far enough from -1 at the points."""
        least = self.demands.limits.value("modulus_margin")
        if self.demands.prefer == "margin":
            least = max(least, threshold)
        distance = np.abs(1.0 + self.responses.loop(values, corner, points)[:, 0])
        keep = np.asarray((distance >= least * (1.0 - ROUNDING)).all(axis=1))
        if self.demands.prefer == "step" and np.isfinite(threshold):
            impedance = np.abs(self.responses.impedance[corner[0], points])
            keep &= (impedance <= -threshold * (1.0 + ROUNDING) * distance).all(axis=1)
        return keep


def screens_for(responses: Responses, demands: Demands) -> Screens:
    """Choose the points and the order of corners: highest gain and lowest gain alternating."""
    grid, limit = responses.frequencies_hz, demands.limits.crossover_limit_hz
    first = int(np.searchsorted(grid, limit, side="right"))
    above = np.unique(np.minimum([first, first + 2, len(grid) - 1], len(grid) - 1))
    # where the loop passes -1: from a tenth of the limit to ten times it
    low, high = np.searchsorted(grid, [0.1 * limit, 10.0 * limit])
    near = min(first, len(grid) - 1)
    gain = np.abs(responses.plant[:, near])
    falling = np.argsort(-gain, kind="stable")
    order = np.stack([falling, falling[::-1]], axis=1).ravel()
    _, place = np.unique(order, return_index=True)
    return Screens(
        responses=responses,
        demands=demands,
        above=above,
        modulus=np.arange(low, max(high, low + 1), 2),
        order=order[np.sort(place)],
    )


def search(
    responses: Responses,
    lattice: Lattice,
    demands: Demands,
    *,
    begin: int | None = None,
    thin: bool = False,
    slack: float = SLACK,
    progress: Callable[[int, int], None] | None = None,
) -> SearchResult:
    """Find every feasible combination within a share of the best score, over the whole lattice.

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
    walk = Walk(screens_for(responses, demands), lattice, slack)
    if begin is not None:
        walk.visit(lattice.around(begin, _reach(lattice, NEIGHBOURS[0])))
    if walk.best is None:
        walk.visit(lattice.coarse())
    for reach in NEIGHBOURS:
        if walk.best is not None:
            walk.visit(lattice.around(walk.best, _reach(lattice, reach)))
    if thin:
        return walk.result(walk.evaluated)
    total = lattice.size
    for first in range(0, total, CHUNK):
        if progress is not None:
            progress(first, total)
        walk.visit(np.arange(first, min(first + CHUNK, total)))
    return walk.result(total)


def _reach(lattice: Lattice, eighths: int) -> tuple[int, ...]:
    """Reach of a neighbourhood per part, in proportion to the length of its series."""
    return tuple(min(eighths * len(c) // 48 + 1, 12) for c in lattice.choices)


class Walk:
    """State of one search: the feasible combinations so far and the threshold they set."""

    def __init__(self, screens: Screens, lattice: Lattice, slack: float = SLACK) -> None:
        self.screens, self.lattice, self.slack = screens, lattice, slack
        self.threshold = -np.inf
        self.best: int | None = None
        self.best_score = -np.inf
        self.items: list[NDArray[np.intp]] = []
        self.scores: list[NDArray[np.float64]] = []
        self.evaluated = 0

    def visit(self, items: NDArray[np.intp]) -> None:
        """Screen combinations by their numbers, evaluate what is left, keep what is feasible."""
        demands, responses = self.screens.demands, self.screens.responses
        items = items[self.screens.survivors(self.lattice.values(items), self.threshold)]
        if not len(items):
            return
        self.evaluated += len(items)
        readings = figures(responses, self.lattice.values(items))
        scores = readings.score(demands.prefer)
        keep = readings.feasible(demands) & (scores >= self.threshold)
        if not keep.any():
            return
        items, scores = items[keep], scores[keep]
        self.items.append(items)
        self.scores.append(scores)
        k = int(np.argmax(scores))
        if scores[k] > self.best_score:
            self.best, self.best_score = int(items[k]), float(scores[k])
            self.threshold = relaxed(self.best_score, self.slack)

    def result(self, looked_at: int) -> SearchResult:
        """Drop what fell behind and what was met twice; best first, then by number."""
        items = np.concatenate([np.empty(0, np.intp), *self.items])
        scores = np.concatenate([np.empty(0), *self.scores])
        items, first = np.unique(items, return_index=True)
        scores = scores[first]
        keep = scores >= self.threshold
        items, scores = items[keep], scores[keep]
        order = np.lexsort((items, -scores))
        return SearchResult(
            items=items[order],
            scores=scores[order],
            threshold=self.threshold,
            looked_at=looked_at,
            evaluated=self.evaluated,
        )
