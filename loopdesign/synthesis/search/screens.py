"""Necessary conditions of being feasible and good enough, read at a few frequencies.

Each screen is sound: it drops a combination only where `LoopReadings.feasible` would call it infeasible, or score it
below the threshold. With f_k the grid:

* ``|T(f_k)| >= 1`` above the crossover limit means that the highest crossover lies above it, or that the gain never
  falls below one;
* a highest crossover of f or more needs ``|T| >= 1`` at some grid point from the one before f on;
* where the highest crossover of all corners decides, it needs that at one corner at least;
* ``|1 + T(f_k)|`` at any grid point bounds the modulus margin from above, and ``|Z|/|1 + T|`` there bounds the peak of
  the output impedance from below;
* the highest crossover and the phase margin there follow from the two grid points about it, by the interpolation that
  the margins themselves use; so does the gain margin from two points above it between which the phase crosses half a
  turn.

At the telling corners these conditions bound R1, C2, R2 or C3 for every choice of the other parts (`lines`), so that
most combinations are never looked at singly. Which corners tell, and at which grid points, some combinations evaluated
at all of them say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.margins.crossings import phase_crossings
from loopdesign.synthesis.search.corner_loop import CornerLoop, Members, corner_loop, corner_loops, members_of
from loopdesign.synthesis.search.lines import PHASE_ROOM_DEG, ROUNDING, Span, crossover_span, phase_span
from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Axes, Lattice
    from loopdesign.synthesis.search.loops import Demands, Responses

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

CHUNK = 1024
"""Lines that are bounded at once, or combinations looked at."""
SHORT = 8
"""Values along a line up to which its combinations are looked at singly, which takes less than bounding it."""
ALONG = ("R1", "C2", "R2", "C3")
"""Parts of which one may differ along a line."""
HALF_TURN_DEG = 180.0
TINY = 1e-150
"""Distance from -1 that a loop gain of exactly -1 is given [unitless]."""
TELLING = 4
"""Corners at which lines are bounded before any combination is looked at singly."""
WORKING_SET = 2**17
"""Combinations times grid points that are looked at together."""
TOGETHER = 256
"""Lines or combinations up to which those corners are looked at together."""
DIPS = 6
"""Grid points at most that are added for each of two readings, where most of some combinations have their worst."""
MOST = (0.02, 0.98)
"""Quantiles of the places of the gain margins of some combinations between which those of all are looked for."""
GAIN_ROOM_DB = 1e-6
"""Room left to the gain margin [dB]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Screens:
    """Grid points the screens read, and the corners in the order they are taken.

    Some combinations tell of further points: where they come nearest to -1, or where their impedance peaks (``dips``),
    and between which points in a row their gain margins lie (``turns``).
    """

    demands: Demands
    responses: Responses
    frequencies_hz: Array
    above: Index
    modulus: Index
    order: Index
    dips: Index
    turns: Index

    @property
    def corners(self) -> tuple[CornerLoop, ...]:
        """Corners, each by itself, in the order they are taken."""
        return tuple(corner_loop(self.responses, int(k)) for k in self.order)

    def telling_first(self, counts: Index) -> Screens:
        """Take the corners first that were told of most often."""
        return replace(self, order=self.order[np.argsort(-counts[self.order], kind="stable")])

    def reading_where(self, values: Array) -> Screens:
        """Read where combinations (N,5) have their worst at the telling corners."""
        corners = np.sort(self.order[:TELLING])
        some = self.responses.at(corners, step=False)
        loop = some.loop(values)
        flat = loop.reshape(-1, loop.shape[-1])
        distance = np.maximum(np.abs(1.0 + loop), TINY)
        dips = _commonest(distance.argmin(axis=-1))
        if self.demands.prefer == "step":
            dips = np.union1d(dips, _commonest((np.abs(some.impedance) / distance).argmax(axis=-1)))
        grid, limit = self.frequencies_hz, self.demands.limits.value("gain_margin")
        found = phase_crossings(np.broadcast_to(grid, flat.shape), flat)
        missing = found.hz[(found.value < limit) & (found.value > 0.0)]
        turns = self.turns[:0]
        if len(missing):
            ends = np.searchsorted(grid, np.quantile(missing, MOST))
            turns = np.arange(max(ends[0] - 1, 0), min(ends[1] + 1, len(grid)))
        return replace(self, dips=dips, turns=turns)

    def survivors(self, lattice: Lattice, kept: Index, threshold: float) -> Index:
        """Numbers of those combinations within the bounds of their lines that no other screen drops."""
        kept = self._passing(lattice, kept, threshold)
        if self.demands.prefer == "crossover":
            kept = kept[self._somewhere(lattice.values(kept), threshold)]
        return kept

    def _passing(self, lattice: Lattice, kept: Index, threshold: float, *, bounded: bool = True) -> Index:
        """Keep combinations that pass at every telling corner, those bounded having done so at some grid points."""
        together = max(TOGETHER, WORKING_SET // max(len(self._band(threshold)), 1))
        values = lattice.values(kept)
        alike = np.lexsort(values[:, [PARTS.index("R2"), PARTS.index("C3")]].T)  # what these make is worked out once
        pieces = [alike[first : first + together] for first in range(0, len(kept), together)]
        found = [some[self._passing_together(values[some], threshold, bounded=bounded)] for some in pieces]
        return kept[np.sort(np.concatenate([np.empty(0, np.intp), *found]))]

    def _passing_together(self, values: Array, threshold: float, *, bounded: bool) -> Index:
        """Do so with some of them (N,5); their places."""
        members, items, begin = members_of(values), np.arange(len(values)), 0
        points = self.dips if bounded else np.union1d(self.dips, self.modulus[1::2])

        def keep(good: NDArray[np.bool_]) -> None:
            nonlocal items, members
            if not good.all():
                items, members = items[good], members.some(good)

        while begin < len(self.order[:TELLING]) and len(items):
            corners = self._next_telling(begin, len(items))
            loops = corner_loops(self.responses, corners)
            keep(self._apart(members, loops, threshold, points))
            good, crossover = self._crosses_well(members, loops, threshold)
            keep(good)
            keep(self._turns_well(members, loops, crossover[:, good], threshold))
            begin += len(corners)
        return items

    def lines(self, lattice: Lattice, axes: Axes) -> int:
        """Count the lines along which combinations are bounded."""
        name = lattice.longest(axes, ALONG)
        return int(np.prod([len(a) for n, a in zip(lattice.open_parts, axes, strict=True) if n != name]))

    def bounded(self, lattice: Lattice, axes: Axes, threshold: float) -> Index:
        """Numbers of the combinations along axes that lie within the bounds of their line at every telling corner."""
        name = lattice.longest(axes, ALONG)
        if lattice.size_along(axes, name) <= SHORT:
            return self._passing(lattice, lattice.product(axes), threshold, bounded=False)
        heads, line, stride = lattice.lines(axes, name)
        choices = lattice.values(heads[:1] + (line - line[0]) * stride)[:, PARTS.index(name)]
        found = [np.empty(0, np.intp)]
        for begin in range(0, len(heads), CHUNK):
            some = heads[begin : begin + CHUNK]
            values = lattice.values(some)
            span = Span(np.full(len(some), choices[0]), np.full(len(some), choices[-1]))
            for narrow in (self._by_crossover, self._by_margins):
                taken = 0
                while taken < len(self.order[:TELLING]) and len(some):
                    corners = self._next_telling(taken, len(some))
                    loops = corner_loops(self.responses, corners)
                    scale = loops.factors[..., PARTS.index(name)]
                    here = narrow(loops, name, values, Span(span.low * scale, span.high * scale), threshold)
                    span = Span((here.low / scale).max(axis=0), (here.high / scale).min(axis=0))
                    kept = np.flatnonzero(span.low <= span.high)
                    some, values, span = some[kept], values[kept], Span(span.low[kept], span.high[kept])
                    taken += len(corners)
            room = 1.0 + ROUNDING  # the ends of the series themselves belong to it
            first = np.searchsorted(choices, span.low / room)
            count = np.maximum(np.searchsorted(choices, span.high * room, side="right") - first, 0)
            row = np.repeat(np.arange(len(some)), count)
            place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + first[row]
            found.append(some[row] + (line[place] - line[0]) * stride)
        return np.concatenate(found)

    def _next_telling(self, begin: int, count: int) -> Index:
        """Pick the corners to look at next: the first alone, which drops most; those left together where few pass."""
        return self.order[begin : TELLING if begin and count <= TOGETHER else begin + 1]

    def _by_crossover(self, corners: CornerLoop, name: str, values: Array, span: Span, threshold: float) -> Span:
        """Cut spans by where the highest crossover may lie at some corners."""
        points = np.concatenate([self.above, self._band(threshold)])
        return span.met(crossover_span(corners.line(name, values, points), len(self.above)))

    def _by_margins(self, corners: CornerLoop, name: str, values: Array, span: Span, threshold: float) -> Span:
        """Cut spans by phase and modulus margin at some corners."""
        band, least = self._band(threshold), self._least_distance(threshold)
        behind = band[-1:] + 1 if len(band) and band[-1] + 1 < len(self.frequencies_hz) else band[:0]
        points = np.concatenate([band, behind, np.union1d(self.modulus[1::2], self.dips)])
        line, count = corners.line(name, values, points), len(band) + len(behind)
        margin = self.demands.limits.value("phase_margin")
        if 0.0 < margin < HALF_TURN_DEG and count:
            span = span.met(phase_span(line.at(slice(count)), margin))
        apart = line.at(slice(count, None))
        span = apart.distance(least * (1.0 - ROUNDING)).within(span)
        if self.demands.prefer == "step" and np.isfinite(threshold):
            impedance = corners.impedance[..., points[count:]]
            span = apart.below_peak(impedance, threshold * (1.0 + ROUNDING)).within(span)
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

    def _crosses_well(self, members: Members, corners: CornerLoop, threshold: float) -> tuple[NDArray[np.bool_], Array]:
        """Read the highest crossover (C,N) of combinations at some corners: within its limits, with phase enough."""
        grid, limits, band = self.frequencies_hz, self.demands.limits, self._band(threshold)
        points = np.arange(band[0], min(band[-1] + 2, len(grid))) if len(band) else band
        if len(points) < 2 or not len(members.lead):
            return np.ones(len(members.lead), bool), np.full((len(corners.plant), len(members.lead)), np.nan)
        crossover, margin = corners.highest_crossover(members, points)
        bad = margin < limits.value("phase_margin") - PHASE_ROOM_DEG
        bad |= crossover > limits.crossover_limit_hz * (1.0 + ROUNDING)
        bad |= crossover < self.lowest(threshold) * (1.0 - ROUNDING)
        return np.asarray(~bad.any(axis=0)), crossover

    def _turns_well(
        self, members: Members, corners: CornerLoop, crossover: Array, threshold: float
    ) -> NDArray[np.bool_]:
        """Keep combinations (N) whose gain margin, where it is looked for above the crossover (C,N), is enough.

        A phase margin below zero there, with which another gain margin counts, is refused anyway.
        """
        limits, band = self.demands.limits, self._band(threshold)
        if len(self.turns) < 2 or not len(band) or limits.value("phase_margin") <= 0.0 or not len(members.lead):
            return np.ones(len(members.lead), bool)
        above = np.maximum(crossover, self.frequencies_hz[band[0]])  # nothing is known of what lies below the band
        least = corners.gain_margin(members, self.turns, above)
        return np.asarray((least >= limits.value("gain_margin") - GAIN_ROOM_DB).all(axis=0))

    def _apart(self, members: Members, corners: CornerLoop, threshold: float, points: Index) -> NDArray[np.bool_]:
        """Keep combinations (N) far enough from -1 at some grid points and corners, and below the peak of impedance."""
        if not len(points) or not len(members.lead):
            return np.ones(len(members.lead), bool)
        least = self._least_distance(threshold) * (1.0 - ROUNDING)
        distance = np.full((len(corners.plant), 1, len(points)), least)
        if self.demands.prefer == "step" and np.isfinite(threshold):
            peak = -threshold * (1.0 + ROUNDING)
            distance = np.maximum(distance, np.abs(corners.impedance[..., points]) / peak)
        return np.asarray((corners.shared(members, points).distance() >= distance**2).all(axis=(0, 2)))

    def promise(self, lattice: Lattice, items: Index) -> Array:
        """Bound the scores (N,) of combinations from above, by what they reach at the telling corners."""
        together = max(TOGETHER, WORKING_SET // max(len(self.modulus), 1))
        corners = corner_loops(self.responses, np.sort(self.order[:TELLING]))
        pieces = [items[first : first + together] for first in range(0, len(items), together)]
        reached = [self._reached(members_of(lattice.values(some)), corners) for some in pieces]
        return np.concatenate([np.empty(0), *reached])

    def _reached(self, members: Members, corners: CornerLoop) -> Array:
        """Bound the scores (N,) from above by what is reached at some corners."""
        prefer = self.demands.prefer
        if prefer in {"margin", "step"}:
            distance = np.sqrt(corners.shared(members, self.modulus).distance())
            if prefer == "step":
                distance = -np.abs(corners.impedance[..., self.modulus]) / distance
            lowest = distance.min(axis=(0, 2))
        else:
            band = self._band(-np.inf)
            if not len(band):
                return np.full(len(members.lead), np.inf)
            points = np.arange(band[0], min(band[-1] + 2, len(self.frequencies_hz)))
            crossover, _ = corners.highest_crossover(members, points)
            lowest = np.nan_to_num(crossover, nan=np.inf).min(axis=0)
        return np.asarray(lowest + ROUNDING * np.abs(np.where(np.isfinite(lowest), lowest, 0.0)))

    def _somewhere(self, values: Array, threshold: float) -> NDArray[np.bool_]:
        """Crossover as high as the threshold at one corner at least: a gain of one or more from there on."""
        grid = self.frequencies_hz
        low = max(0, int(np.searchsorted(grid, threshold)) - 1)
        high = int(np.searchsorted(grid, self.demands.limits.crossover_limit_hz, side="right"))
        reached = np.full(len(values), low == 0)
        for k in self.order:
            open_ = np.flatnonzero(~reached)
            if not len(open_):
                break
            loop = corner_loops(self.responses, np.array([k])).loop(values[open_], np.arange(low, high))[0]
            reached[open_] = (np.abs(loop) >= 1.0 - ROUNDING).any(axis=1)
        return reached


def _commonest(places: Index) -> Index:
    """Pick the grid points met most often, a few of them."""
    points, count = np.unique(places, return_counts=True)
    return np.sort(points[np.argsort(-count, kind="stable")[:DIPS]])


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
        responses=responses,
        frequencies_hz=grid,
        above=above,
        modulus=np.arange(low, max(high, low + 1), 2),
        order=order,
        dips=np.empty(0, np.intp),
        turns=np.empty(0, np.intp),
    )
