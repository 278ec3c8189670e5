"""What the combinations of a block can reach at best."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.search.bound.factors import LARGE, CornerFacts, Extent, Leads, Shape, shape_of
from loopdesign.synthesis.search.lines import ROUNDING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.synthesis.search.screens import Screens

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]
FEW = 4
"""Steps from one grid point to the next at which the distance from -1 is looked at where it is a limit only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """In which cells (N,C) of blocks a crossover can have the phase margin.

    Attributes
    ----------
    allowed
        Whether some of the cell does.
    jumps
        (C,) whether nothing is said of the cell.
    margin
        Phase margin asked for [rad].
    least, begin, end
        Least angle above minus half a turn in the cell, and the largest at its ends [rad].
    turn
        Whole turns [rad] at which the last interval of good margins begins.
    """

    allowed: NDArray[np.bool_]
    jumps: NDArray[np.bool_]
    margin: float
    least: Array
    begin: Array
    end: Array
    turn: Array

    def share(self, cell: Index) -> Array:
        """Say up to which share (N,) of one cell (N,) of each block a crossover can have the phase margin."""
        rows, bar = np.arange(len(self.allowed)), self.margin + self.turn[np.arange(len(self.allowed)), cell]
        begin, end, least = self.begin[rows, cell], self.end[rows, cell], self.least[rows, cell]
        falls = (end < bar) & (least > bar - self.margin - np.pi) & ~self.jumps[cell]
        return np.where(falls, np.clip((begin - bar) / np.where(falls, begin - end, 1.0), 0.0, 1.0), 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What blocks can reach at best.

    Attributes
    ----------
    screens
        Demands and grid of the search.
    corners
        Corners, that of the highest gain first.
    cells
        How many points, from the first on, follow each other in the grid; the last lies above the crossover limit.
    gains
        Least and largest logarithm of K.
    leads
        What lies across the upper resistor beside R2 and C3, at the corner that blocks are those of.
    reference_hz
        Frequency at which the sizes of zeros and poles count to the gain, so that a block need not be small in it [Hz].
    """

    screens: Screens
    corners: Sequence[CornerFacts]
    cells: int
    gains: tuple[float, float]
    leads: Leads
    reference_hz: float

    def scores(self, extent: Extent) -> Array:
        """Bound the score (N,) of blocks; minus infinity where nothing is feasible."""
        return self._by_corner(extent)[0]

    def telling(self, extent: Extent, count: int) -> Promise:
        """Keep the corners that decide most often over blocks, as many of them at most; a bound without others is true.

        A corner decides where it bounds the gain or the score of a block lowest.
        """
        _, most, reached = self._by_corner(extent)
        decide = np.concatenate([most.argmin(axis=0), reached.argmin(axis=0)])
        counts = np.bincount(decide, minlength=len(self.corners))
        first = np.argsort(-counts, kind="stable")[:count]
        kept = [self.corners[k] for k in np.sort(first[counts[first] > 0])]
        return replace(self, corners=kept or self.corners)

    def _by_corner(self, extent: Extent) -> tuple[Array, Array, Array]:
        """Bound the score (N,) of blocks; at every corner (B,N) the logarithm of K from above, and the score."""
        f, rows = self.corners[0].frequencies_hz, np.arange(len(extent.low))
        limit = self.screens.demands.limits.crossover_limit_hz
        cell, beyond = self.cells - 2, f > limit
        chord = cell >= 0 and f[cell] <= limit < f[cell + 1]
        part = np.log(limit / f[cell]) / np.log(f[cell + 1] / f[cell]) if chord else 0.0
        weights = np.array([1.0 - part, part])
        times, signs = self.leads.times(extent), self.leads.signs
        shapes = {c.factors.tobytes(): shape_of(times, c.factors, signs, f, self.reference_hz) for c in self._unlike}
        gains, phases, mosts = self._gains(times), [], []
        for corner in self.corners:
            shape = shapes[corner.factors.tobytes()]
            ideal = -shape.low - corner.size - corner.gain[0]  # for a gain of one with an ideal amplifier
            room = ideal + corner.within
            # of a point ahead of one with a gain below one
            start = corner.ahead_of_one()
            most = room[:, beyond].min(axis=1, initial=np.inf)
            if chord:
                most = np.minimum(most, weights[0] * (ideal[:, cell] + start[cell]) + weights[1] * room[:, cell + 1])
            phase = self._phase(corner, shape)
            # the gain is below one behind the last place at which the phase allows a crossover
            after = self.cells - 1 - np.argmax(phase.allowed[:, ::-1], axis=1)
            least = np.minimum.accumulate(room[:, self.cells - 1 :: -1], axis=1)[:, ::-1][rows, after]
            there = phase.share(after - 1)
            ahead = ideal[rows, after - 1] + start[after - 1]
            least = np.minimum(least, (1.0 - there) * ahead + there * room[rows, after])
            mosts.append(np.where(phase.allowed.any(axis=1), np.minimum(most, least), -np.inf))
            phases.append(phase)
        most, reached = np.minimum(gains[1], np.min(mosts, axis=0)), []
        for corner, phase in zip(self.corners, phases, strict=True):
            shape = shapes[corner.factors.tobytes()]
            low = shape.low + corner.size + corner.gain[0] + gains[0][:, None]
            high = shape.high + corner.size + corner.gain[1] + most[:, None]
            reached.append(self._reached(corner, shape, phase, (low, high)))
        scores = np.where(most >= gains[0], np.min(reached, axis=0), -np.inf)
        return scores, np.array(mosts), np.array(reached)

    def _gains(self, times: Extent) -> tuple[Array, Array]:
        """Least and largest logarithm (N,) of K times the size of zeros and poles at the reference."""
        turn = 2.0 * np.pi * self.reference_hz
        a, b = (0.5 * np.log1p((x * turn) ** 2) for x in times)
        zeros, poles = np.maximum(self.leads.signs, 0.0), np.maximum(-self.leads.signs, 0.0)
        return self.gains[0] + a @ zeros - b @ poles, self.gains[1] + b @ zeros - a @ poles

    @property
    def _unlike(self) -> list[CornerFacts]:
        """Corners of which no two have the same factors on the parts."""
        return list({c.factors.tobytes(): c for c in self.corners}.values())

    def effects(self, extent: Extent) -> Array:
        """By how much each time constant (N,4) moves angle and ratio of sizes over the crossovers that matter."""
        turn = 2.0 * np.pi * self.corners[0].frequencies_hz[[0, max(self.cells - 1, 0)]]
        (a, b) = (x[:, :, None] * turn for x in extent)
        angle = np.arctan(b) - np.arctan(a)
        size = 0.5 * (np.log1p(b * b) - np.log1p(a * a))
        return np.asarray(angle.max(axis=2) + np.abs(size[:, :, 1] - size[:, :, 0]))

    def _reached(self, corner: CornerFacts, shape: Shape, phase: Phase, size: tuple[Array, Array]) -> Array:
        """Bound the score (N,) at one corner from the phase and from bounds (N,K) on ``ln |T|``, amplifier ideal."""
        limits, prefer = self.screens.demands.limits, self.screens.demands.prefer
        few = slice(None, None, 1 if prefer in {"margin", "step"} else FEW)
        e0, e1 = corner.constant[few], corner.proportional[few]
        low, high = (np.exp(np.minimum(x[:, few], LARGE)) for x in size)
        most = e0 + e1 * high
        low = low / (1.0 + e0 + e1 * low) * (1.0 - ROUNDING)
        high = np.minimum(high / np.maximum(1.0 - most, np.exp(-LARGE)), np.exp(LARGE)) * (1.0 + ROUNDING)
        back, forward = corner.turned(most, few)
        angle = corner.angle[few]
        apart = _farthest(low, high, shape.first[:, few] + angle - back, shape.last[:, few] + angle + forward)
        crossover = self._crossover(corner, size, phase)
        feasible = (apart >= limits.value("modulus_margin") * (1.0 - ROUNDING)).all(axis=1)
        feasible &= crossover >= self.screens.lowest(-np.inf)
        if prefer == "margin":
            reached = apart.min(axis=1)
        elif prefer == "step":
            reached = -(corner.impedance / apart).max(axis=1) * (1.0 - ROUNDING)
        else:
            reached = crossover
        return np.where(feasible, reached, -np.inf)

    def _phase(self, corner: CornerFacts, shape: Shape) -> Phase:
        """Say in which cells (N,cells-1) a crossover can have the phase margin."""
        cells = self.cells - 1
        margin = np.radians(self.screens.demands.limits.value("phase_margin") - 1e-6)
        ahead = corner.turned(corner.error(corner.ahead[:cells]))
        behind = corner.turned(corner.error(corner.within[: cells + 1]))
        first = shape.first[:, : cells + 1] + (corner.angle[: cells + 1] + np.pi)
        last = shape.last[:, : cells + 1] + (corner.angle[: cells + 1] + np.pi)
        least = np.minimum(first[:, :cells] - ahead[0], first[:, 1:] - behind[0][1:])
        begin, end = last[:, :cells] + ahead[1], last[:, 1:] + behind[1][1:]
        # the last interval of good margins that is reached, from the margin up to half a turn
        turn = 2.0 * np.pi * np.floor((np.maximum(begin, end) - margin) / (2.0 * np.pi))
        jumps = self._jumps(corner, ahead, behind)
        allowed = (least <= np.pi + turn) | jumps
        return Phase(allowed=allowed, jumps=jumps, margin=margin, least=least, begin=begin, end=end, turn=turn)

    def _jumps(self, corner: CornerFacts, ahead: tuple[Array, Array], behind: tuple[Array, Array]) -> NDArray[np.bool_]:
        """Whether the phase may turn by half a turn in a cell (cells-1,), as beside a resonance: nothing is said there.

        Each zero or pole turns by at most half of the cell's width in ln f; there are three of each at most.
        """
        cells = self.cells - 1
        width = np.log(corner.frequencies_hz[1 : cells + 1] / corner.frequencies_hz[:cells])
        turned = np.abs(np.diff(corner.angle[: cells + 1])) + 1.5 * width
        either = ahead[0] + ahead[1] + (behind[0] + behind[1])[..., 1:]
        return np.asarray(turned + either >= np.pi)

    def _crossover(self, corner: CornerFacts, size: tuple[Array, Array], phase: Phase) -> Array:
        """Bound the highest crossover (N,) [Hz] that the limit and the phase leave; minus infinity: none.

        The last cell that allows one gives the bound: a crossover in a cell ahead of it is lower.
        """
        f, cells, rows = corner.frequencies_hz, self.cells - 1, np.arange(len(size[0]))
        least, most = corner.surely_one(), corner.perhaps_one()
        below = size[0][:, cells:0:-1] < least[cells:0:-1]  # from the last point down to the second
        settled = np.logical_and.accumulate(below, axis=1)[:, ::-1]  # below one from there on
        crossing = settled & phase.allowed & (size[1][:, :cells] >= most[:cells])
        at = cells - 1 - np.argmax(crossing[:, ::-1], axis=1)
        start, end = (corner.largest(size[1][rows, k], k) for k in (at, at + 1))
        falls = crossing.any(axis=1) & (start >= 0.0) & (end < 0.0)
        start, end = np.where(falls, start, 1.0), np.where(falls, end, 0.0)
        part = np.minimum(start / (start - end), phase.share(at))
        hz = f[at] * np.exp(np.log(f[at + 1] / f[at]) * part) * (1.0 + ROUNDING)
        limit = self.screens.demands.limits.crossover_limit_hz
        return np.where(crossing.any(axis=1), np.minimum(hz, limit), -np.inf)


def _farthest(low: Array, high: Array, first: Array, last: Array) -> Array:
    """Bound ``|1 + T|`` from above over ranges of ``|T|`` and of its angle [rad]."""
    turned = np.ceil(first / (2.0 * np.pi)) * 2.0 * np.pi
    cosine = np.where(turned <= last, 1.0, np.maximum(np.cos(first), np.cos(last)))
    squares = [1.0 + r * (r + 2.0 * cosine) for r in (low, high)]
    return np.sqrt(np.maximum(np.maximum(*squares), 0.0)) * (1.0 + ROUNDING)
