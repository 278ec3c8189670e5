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

Corners are taken one at a time, the telling ones first. At those the first two conditions bound C2, or C3, for every
choice of the other parts (`corner_loop`), so that most combinations are never looked at singly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.margins.crossings import wrapped_deg
from loopdesign.synthesis.search.corner_loop import ROUNDING, CornerLoop, corner_loop
from loopdesign.synthesis.search.lattice import Lattice, SearchResult, relaxed
from loopdesign.synthesis.search.loops import PARTS, Demands, Responses, figures

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Axes

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

CHUNK = 4096
"""Choices of the other parts that are screened at once."""
TELLING = 4
"""Corners at which C2 or C3 is bounded before any combination is looked at singly."""
SLACK = 0.12
"""Share of the best score within which all feasible combinations are kept, for ties and alternatives."""
NEIGHBOURS = (6, 3)
"""Reach of the neighbourhoods looked at before the whole lattice, in forty-eighths of each series."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screens:
    """Grid points the screens read, and the corners in the order they are taken."""

    demands: Demands
    frequencies_hz: Array
    above: Index
    modulus: Index
    corners: tuple[CornerLoop, ...]
    order: Index

    def survivors(self, lattice: Lattice, axes: Axes, threshold: float) -> Index:
        """Numbers of the combinations along axes that no screen drops."""
        telling, others = self.corners[:TELLING], self.corners[TELLING:]
        pieces = [np.empty(0, np.intp)]
        for items in self._bounded(lattice, axes, threshold):
            kept, emptied = self._screened(lattice, items, telling, threshold)
            pieces.append(kept)
            if emptied:  # the corner that left nothing is likely to leave nothing of the next piece
                telling = (telling[emptied], *telling[:emptied], *telling[emptied + 1 :])
        kept, _ = self._screened(lattice, np.concatenate(pieces), others, threshold)
        if self.demands.prefer == "crossover":
            kept = kept[self._somewhere(lattice.values(kept), threshold)]
        return kept

    def _bounded(self, lattice: Lattice, axes: Axes, threshold: float) -> list[Index]:
        """Numbers of the combinations along axes whose C2, or C3, lies within its bounds at every telling corner."""
        name = lattice.longer(axes, "C2", "C3")
        heads, line, stride = lattice.lines(axes, name)
        choices = lattice.values(heads[:1] + (line - line[0]) * stride)[:, PARTS.index(name)]
        band, found = self._band(threshold), []
        for begin in range(0, len(heads), CHUNK):
            some = heads[begin : begin + CHUNK]
            values = lattice.values(some)
            low, high = np.zeros(len(some)), np.full(len(some), np.inf)
            for corner in self.corners[:TELLING]:
                least, most = corner.range_of(name, values, self.above, band)
                low, high = np.maximum(low, least), np.minimum(high, most)
                kept = np.flatnonzero((low <= choices[-1]) & (high >= choices[0]) & (low <= high))
                some, values, low, high = some[kept], values[kept], low[kept], high[kept]
            first, last = np.searchsorted(choices, low), np.searchsorted(choices, high, side="right")
            count = np.maximum(last - first, 0)
            row = np.repeat(np.arange(len(some)), count)
            place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + first[row]
            found.append(some[row] + (line[place] - line[0]) * stride)
        return found

    def _screened(
        self, lattice: Lattice, items: Index, corners: tuple[CornerLoop, ...], threshold: float
    ) -> tuple[Index, int]:
        """Numbers of the combinations that no screen drops at some corners, and which corner dropped the last one."""
        values, last = lattice.values(items), 0
        for place, corner in enumerate(corners):
            for screen in (self._first_distance, self._crossover, self._distance):
                if not len(items):
                    return items, last
                last = place
                kept = np.flatnonzero(screen(values, corner, threshold))
                if len(kept) < len(items):
                    items, values = items[kept], values[kept]
        return items, last if not len(items) else 0

    def lowest(self, threshold: float) -> float:
        """Lowest crossover that still matters [Hz]."""
        wanted = self.demands.crossover_min_hz
        return max(wanted, threshold) if self.demands.prefer == "bandwidth" else wanted

    def _band(self, threshold: float) -> Index:
        """Grid points of which one at least needs a loop gain of one or more."""
        grid = self.frequencies_hz
        low = max(0, int(np.searchsorted(grid, self.lowest(threshold))) - 1)
        return np.arange(low, int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right")))

    def _crossover(self, values: Array, corner: CornerLoop, threshold: float) -> NDArray[np.bool_]:
        """Crossover within its limits: one or more somewhere in the band, below one above the limit; phase there."""
        above, below = corner.fraction(values, self.above)
        keep = np.asarray((_square(above) < (1.0 + 2.0 * ROUNDING) * _square(below)).all(axis=1))
        live, band = np.flatnonzero(keep), self._band(threshold)
        points = np.arange(band[0], min(band[-1] + 2, len(self.frequencies_hz))) if len(band) else band
        above, below = corner.fraction(values[live], points)
        above = np.broadcast_to(above, below.shape)
        excess = _square(above) / _square(below)
        reached = np.asarray((excess[:, : len(band)] >= 1.0 - 2.0 * ROUNDING).any(axis=1))
        keep[live[~reached]] = False
        # on the edge of the band nothing can be said of the phase: the whole evaluation decides
        last = len(points) - 1 - np.argmax(excess[:, ::-1] >= 1.0, axis=1)
        rows = np.flatnonzero(reached & (excess >= 1.0).any(axis=1) & (last < len(points) - 1))
        first, second = (above[rows, last[rows] + k] / below[rows, last[rows] + k] for k in (0, 1))
        start, end = np.log(np.abs(first)), np.log(np.abs(second))
        part = np.clip(start / np.where(start == end, 1.0, start - end), 0.0, 1.0)
        margin = wrapped_deg(180.0 + np.degrees(np.angle(first) + part * np.angle(second * np.conj(first))))
        keep[live[rows[margin < self.demands.limits.value("phase_margin") - 1e-6]]] = False
        return keep

    def _somewhere(self, values: Array, threshold: float) -> NDArray[np.bool_]:
        """Crossover as high as the threshold at one corner at least: a gain of one or more from there on."""
        grid = self.frequencies_hz
        low = max(0, int(np.searchsorted(grid, threshold)) - 1)
        high = int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right"))
        reached = np.full(len(values), low == 0)
        for corner in self.corners:
            open_ = np.flatnonzero(~reached)
            if not len(open_):
                break
            loop = corner.loop(values[open_], np.arange(low, high))
            reached[open_] = (np.abs(loop) >= 1.0 - ROUNDING).any(axis=1)
        return reached

    def _first_distance(self, values: Array, corner: CornerLoop, threshold: float) -> NDArray[np.bool_]:
        """Apply the last screen at every fourth of its points, to spare the others the bulk."""
        return self._apart(values, corner, threshold, self.modulus[1::4])

    def _distance(self, values: Array, corner: CornerLoop, threshold: float) -> NDArray[np.bool_]:
        """Modulus margin and peak of the output impedance, at some grid points."""
        return self._apart(values, corner, threshold, self.modulus)

    def _apart(self, values: Array, corner: CornerLoop, threshold: float, points: Index) -> NDArray[np.bool_]:
        """Keep what stays far enough from -1 at the points."""
        least = self.demands.limits.value("modulus_margin")
        if self.demands.prefer == "margin":
            least = max(least, threshold)
        above, below = corner.fraction(values, points)
        distance, size = _square(above + below), _square(below)
        keep = np.asarray((distance >= (least * (1.0 - ROUNDING)) ** 2 * size).all(axis=1))
        if self.demands.prefer == "step" and np.isfinite(threshold):
            impedance = _square(corner.impedance[points])
            keep &= (impedance * size <= (threshold * (1.0 + ROUNDING)) ** 2 * distance).all(axis=1)
        return keep


def _square(value: NDArray[np.complex128]) -> Array:
    return np.asarray(value.real**2 + value.imag**2)


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
    order = order[np.sort(place)]
    return Screens(
        demands=demands,
        frequencies_hz=grid,
        above=above,
        modulus=np.arange(low, max(high, low + 1), 2),
        corners=tuple(corner_loop(responses, int(k)) for k in order),
        order=order,
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
    walk = Walk(responses, demands, lattice, slack)
    if begin is not None:
        walk.visit(lattice.axes_around(begin, tuple(0 for _ in lattice.choices)))  # its score spares its neighbours
        walk.visit(lattice.axes_around(begin, _reach(lattice, NEIGHBOURS[0])))
    if walk.best is None:
        walk.visit(lattice.axes_coarse())
    for reach in NEIGHBOURS:
        if walk.best is not None:
            walk.visit(lattice.axes_around(walk.best, _reach(lattice, reach)))
    if thin:
        return walk.result(walk.evaluated)
    if progress is not None:
        progress(0, lattice.size)
    walk.visit(tuple(np.arange(len(c)) for c in lattice.choices))
    return walk.result(lattice.size)


def _reach(lattice: Lattice, eighths: int) -> tuple[int, ...]:
    """Reach of a neighbourhood per part, in proportion to the length of its series."""
    return tuple(min(eighths * len(c) // 48 + 1, 12) for c in lattice.choices)


class Walk:
    """State of one search: the feasible combinations so far and the threshold they set."""

    def __init__(self, responses: Responses, demands: Demands, lattice: Lattice, slack: float = SLACK) -> None:
        self.responses, self.demands = responses, demands
        self.screens, self.lattice, self.slack = screens_for(responses, demands), lattice, slack
        self.threshold = -np.inf
        self.best: int | None = None
        self.best_score = -np.inf
        self.items: list[Index] = []
        self.scores: list[Array] = []
        self.evaluated = 0

    def visit(self, axes: Axes) -> None:
        """Screen the combinations along axes, evaluate what is left, keep what is feasible."""
        items = self.screens.survivors(self.lattice, axes, self.threshold)
        self.evaluated += len(items)
        items, scores = self._evaluated(items)
        if not len(items):
            return
        self.items.append(items)
        self.scores.append(scores)
        k = int(np.argmax(scores))
        if scores[k] > self.best_score:
            self.best, self.best_score = int(items[k]), float(scores[k])
            self.threshold = relaxed(self.best_score, self.slack)

    def _evaluated(self, items: Index) -> tuple[Index, Array]:
        """Evaluate combinations whole, a few corners at a time; those that are feasible, and their scores."""
        prefer, order = self.demands.prefer, self.screens.order
        least = prefer != "crossover"
        scores, begin = np.full(len(items), np.inf if least else -np.inf), 0
        while begin < len(order) and len(items):
            few = np.sort(order[begin : 2 * begin + TELLING])
            begin = 2 * begin + TELLING
            some = self.responses.at(few, step=begin >= len(order))
            readings = figures(some, self.lattice.values(items))
            scores = (np.minimum if least else np.maximum)(scores, readings.score(prefer))
            keep = readings.feasible(self.demands)
            if least or begin >= len(order):
                keep &= scores >= self.threshold
            items, scores = items[keep], scores[keep]
        return items, scores

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
