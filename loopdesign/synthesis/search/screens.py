"""Search of a whole lattice: necessary conditions at a few frequencies, then whole evaluation of what passes.

Each screen is sound: it drops a combination only where `LoopReadings.feasible` would call it infeasible, or score it
below the threshold. With f_k the grid:

* ``|T(f_k)| >= 1`` above the crossover limit means that the highest crossover lies above it, or that the gain never
  falls below one;
* a highest crossover of f or more needs ``|T| >= 1`` at some grid point from the one before f on;
* where the highest crossover of all corners decides, it needs that at one corner at least;
* ``|1 + T(f_k)|`` at any grid point bounds the modulus margin from above, and ``|Z|/|1 + T|`` there bounds the peak of
  the output impedance from below;
* the highest crossover and the phase margin there follow from the two grid points about it, by the interpolation that
  the margins themselves use.

At the telling corners these conditions bound R1, C2, R2 or C3 for every choice of the other parts (`lines`), so that
most combinations are never looked at singly. Which corners tell, some combinations evaluated at all of them say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.search.corner_loop import CornerLoop, corner_loop
from loopdesign.synthesis.search.lattice import Lattice, SearchResult, put_together, relaxed
from loopdesign.synthesis.search.lines import PHASE_ROOM_DEG, ROUNDING, Span, crossover_span, phase_span
from loopdesign.synthesis.search.loops import PARTS, Demands, LoopReadings, Responses, figures

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Axes

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

CHUNK = 1024
"""Lines that are bounded at once."""
ALONG = ("R1", "C2", "R2", "C3")
"""Parts of which one may differ along a line."""
HALF_TURN_DEG = 180.0
TELLING = 4
"""Corners at which lines are bounded before any combination is looked at singly."""
MANY, SOME = 256, 48
"""Combinations from which some are evaluated ahead of the others, and how many of them at least."""
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

    def telling_first(self, counts: Index) -> Screens:
        """Take the corners first that were told of most often."""
        place = np.argsort(-counts[self.order], kind="stable")
        return replace(self, corners=tuple(self.corners[k] for k in place), order=self.order[place])

    def survivors(self, lattice: Lattice, kept: Index, threshold: float) -> Index:
        """Numbers of those combinations that no other screen drops."""
        values = lattice.values(kept)
        for corner in self.corners[:TELLING]:
            crosses = self._crosses_well(values, corner, threshold)
            kept, values = kept[crosses], values[crosses]
        if self.demands.prefer == "crossover":
            kept = kept[self._somewhere(lattice.values(kept), threshold)]
        return kept

    def lines(self, lattice: Lattice, axes: Axes) -> int:
        """Count the lines along which combinations are bounded."""
        name = lattice.longest(axes, ALONG)
        return int(np.prod([len(a) for n, a in zip(lattice.open_parts, axes, strict=True) if n != name]))

    def bounded(self, lattice: Lattice, axes: Axes, threshold: float) -> Index:
        """Numbers of the combinations along axes that lie within the bounds of their line at every telling corner."""
        name = lattice.longest(axes, ALONG)
        heads, line, stride = lattice.lines(axes, name)
        choices = lattice.values(heads[:1] + (line - line[0]) * stride)[:, PARTS.index(name)]
        found = [np.empty(0, np.intp)]
        for begin in range(0, len(heads), CHUNK):
            some = heads[begin : begin + CHUNK]
            values = lattice.values(some)
            span = Span(np.full(len(some), choices[0]), np.full(len(some), choices[-1]))
            for narrow in (self._by_crossover, self._by_margins):
                for corner in self.corners[:TELLING]:
                    if not len(some):
                        break
                    scale = corner.factors[PARTS.index(name)]
                    here = narrow(corner, name, values, Span(span.low * scale, span.high * scale), threshold)
                    span = Span(here.low / scale, here.high / scale)
                    kept = np.flatnonzero(span.low <= span.high)
                    some, values, span = some[kept], values[kept], Span(span.low[kept], span.high[kept])
            room = 1.0 + ROUNDING  # the ends of the series themselves belong to it
            first = np.searchsorted(choices, span.low / room)
            count = np.maximum(np.searchsorted(choices, span.high * room, side="right") - first, 0)
            row = np.repeat(np.arange(len(some)), count)
            place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + first[row]
            found.append(some[row] + (line[place] - line[0]) * stride)
        return np.concatenate(found)

    def _by_crossover(self, corner: CornerLoop, name: str, values: Array, span: Span, threshold: float) -> Span:
        """Cut spans by where the highest crossover may lie at a corner."""
        points = np.concatenate([self.above, self._band(threshold)])
        line, count = corner.line(name, values, points), len(self.above)
        return span.met(crossover_span(line.at(slice(count)), line.at(slice(count, None))))

    def _by_margins(self, corner: CornerLoop, name: str, values: Array, span: Span, threshold: float) -> Span:
        """Cut spans by phase and modulus margin at a corner."""
        band, least = self._band(threshold), self._least_distance(threshold)
        behind = band[-1:] + 1 if len(band) and band[-1] + 1 < len(self.frequencies_hz) else band[:0]
        points = np.concatenate([band, behind, self.modulus[1::2]])
        line, count = corner.line(name, values, points), len(band) + len(behind)
        margin = self.demands.limits.value("phase_margin")
        if 0.0 < margin < HALF_TURN_DEG and count:
            span = span.met(phase_span(line.at(slice(count)), margin))
        apart = line.at(slice(count, None))
        span = apart.distance(least * (1.0 - ROUNDING)).within(span)
        if self.demands.prefer == "step" and np.isfinite(threshold):
            span = apart.below(corner.impedance[points[count:]], threshold * (1.0 + ROUNDING)).within(span)
        return span

    def lowest(self, threshold: float) -> float:
        """Lowest crossover that still matters [Hz]."""
        wanted = self.demands.crossover_min_hz
        return max(wanted, threshold) if self.demands.prefer == "bandwidth" else wanted

    def _least_distance(self, threshold: float) -> float:
        """Least modulus margin that still matters [unitless]."""
        least = self.demands.limits.value("modulus_margin")
        return max(least, threshold) if self.demands.prefer == "margin" else least

    def _band(self, threshold: float) -> Index:
        """Grid points of which one at least needs a loop gain of one or more."""
        grid = self.frequencies_hz
        low = max(0, int(np.searchsorted(grid, self.lowest(threshold))) - 1)
        return np.arange(low, int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right")))

    def _crosses_well(self, values: Array, corner: CornerLoop, threshold: float) -> NDArray[np.bool_]:
        """Read the highest crossover of combinations (N,5) at a corner: within its limits, with phase enough."""
        keep, grid, limits = np.ones(len(values), bool), self.frequencies_hz, self.demands.limits
        band = self._band(threshold)
        if not len(band) or not len(values):
            return keep
        points = np.arange(band[0], min(band[-1] + 2, len(grid)))
        rows, crossover, margin = corner.highest_crossover(values, points)  # elsewhere the whole evaluation decides
        good = margin >= limits.value("phase_margin") - PHASE_ROOM_DEG
        good &= crossover <= limits.crossover_limit_hz * (1.0 + ROUNDING)
        good &= crossover >= self.lowest(threshold) * (1.0 - ROUNDING)
        keep[rows[~good]] = False
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
    known: SearchResult | None = None,
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
    known
        What a search of the same lattice with the same responses and demands found, at least one combination.
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
    reaches = NEIGHBOURS if thin else ()
    if begin is not None:
        walk.begin(begin)  # its score spares its neighbours
        walk.visit(lattice.axes_around(begin, _reach(lattice, NEIGHBOURS[0])))
    if known is not None:
        walk.begin(int(known.items[0]))
    if walk.best is None:
        walk.visit(lattice.axes_coarse())
        reaches = NEIGHBOURS
    for reach in reaches:
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
        threshold = self.threshold
        items = self.screens.bounded(self.lattice, axes, threshold)
        if len(items) > MANY:
            before = threshold, set(self.screens.order[:TELLING].tolist())
            threshold = self._learn(items[:: len(items) // SOME])
            after = threshold, set(self.screens.order[:TELLING].tolist())
            if before != after and len(items) > self.screens.lines(self.lattice, axes):
                items = self.screens.bounded(self.lattice, axes, threshold)
        items = self.screens.survivors(self.lattice, items, threshold)
        self.evaluated += len(items)
        items, scores = self._evaluated(items, threshold)
        if len(items):
            self._keep(items, scores)

    def begin(self, item: int) -> None:
        """Evaluate one combination at every corner; take the corners first at which it is closest to each limit."""
        readings, misses = self._figures(np.array([item]))
        tightness = np.where(misses[:, 0] == misses[:, 0].max(axis=1, keepdims=True), misses[:, 0], -np.inf).max(axis=0)
        tightness[readings.deciding(self.demands.prefer)] = np.inf
        self.screens = self.screens.telling_first(np.argsort(np.argsort(tightness, kind="stable")))
        if readings.feasible(self.demands)[0]:
            self._keep(np.array([item]), readings.score(self.demands.prefer))

    def _keep(self, items: Index, scores: Array) -> None:
        """Keep feasible combinations; the best of all sets the threshold."""
        self.items.append(items)
        self.scores.append(scores)
        k = int(np.argmax(scores))
        if scores[k] > self.best_score:
            self.best, self.best_score = int(items[k]), float(scores[k])
            self.threshold = relaxed(self.best_score, self.slack)

    def _figures(self, items: Index) -> tuple[LoopReadings, Array]:
        """Evaluate combinations (N,) at every corner; by how much they miss each limit there (M,N,B)."""
        readings = figures(self.responses, self.lattice.values(items), peak=self.demands.prefer == "step")
        misses = [m for m in readings.misses(self.demands).values() if m.shape == readings.crossover_hz.shape]
        return readings, np.array(misses)

    def _learn(self, some: Index) -> float:
        """Evaluate some combinations at every corner; take the corners that drop most of them first.

        Returns the threshold that the best of them sets, which spares many of the others.
        """
        readings, misses = self._figures(some)
        telling = np.concatenate([misses.max(axis=0).argmax(axis=1), readings.deciding(self.demands.prefer)])
        self.screens = self.screens.telling_first(np.bincount(telling, minlength=len(self.responses.plant)))
        scores = readings.score(self.demands.prefer)[readings.feasible(self.demands)]
        return max(self.threshold, relaxed(float(scores.max(initial=-np.inf)), self.slack))

    def _evaluated(self, items: Index, threshold: float) -> tuple[Index, Array]:
        """Evaluate combinations whole, a few corners at a time; those that are feasible, and their scores."""
        prefer, order = self.demands.prefer, self.screens.order
        least = prefer != "crossover"
        scores, begin = np.full(len(items), np.inf if least else -np.inf), 0
        while begin < len(order) and len(items):
            few = np.sort(order[begin : 2 * begin + TELLING])
            begin = 2 * begin + TELLING
            some = self.responses.at(few, step=begin >= len(order))
            readings = figures(some, self.lattice.values(items), peak=prefer == "step")
            scores = (np.minimum if least else np.maximum)(scores, readings.score(prefer))
            keep = readings.feasible(self.demands)
            if least or begin >= len(order):
                keep &= scores >= threshold
            items, scores = items[keep], scores[keep]
        return items, scores

    def result(self, looked_at: int) -> SearchResult:
        """Drop what fell behind and what was met twice; best first, then by number."""
        return put_together(self.items, self.scores, self.threshold, looked_at, self.evaluated)
