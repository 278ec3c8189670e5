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
FEW = 4
"""Steps from one grid point to the next at which the distance from -1 is looked at where it is a limit only."""


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
        gains, allowed, mosts = self._gains(times), [], []
        for corner in self.corners:
            shape = shapes[corner.factors.tobytes()]
            ideal = -shape.low - corner.size - corner.gain[0]  # for a gain of one with an ideal amplifier
            room = ideal + corner.within
            # of a point ahead of one with a gain below one
            start = ideal[:, :-1] + np.log1p(corner.error(corner.ahead))
            most = room[:, beyond].min(axis=1, initial=np.inf)
            if chord:
                most = np.minimum(most, weights[0] * start[:, cell] + weights[1] * room[:, cell + 1])
            share = self._phase(corner, shape)
            allowed.append(share)
            # the gain is below one behind the last place at which the phase allows a crossover
            after = share.shape[1] - np.argmax(share[:, ::-1] >= 0.0, axis=1)
            least = np.minimum.accumulate(room[:, self.cells - 1 :: -1], axis=1)[:, ::-1][rows, after]
            there = share[rows, after - 1]
            least = np.minimum(least, (1.0 - there) * start[rows, after - 1] + there * room[rows, after])
            mosts.append(np.where((share >= 0.0).any(axis=1), np.minimum(most, least), -np.inf))
        most, reached = np.minimum(gains[1], np.min(mosts, axis=0)), []
        for corner, share in zip(self.corners, allowed, strict=True):
            shape = shapes[corner.factors.tobytes()]
            low = shape.low + corner.size + corner.gain[0] + gains[0][:, None]
            high = shape.high + corner.size + corner.gain[1] + most[:, None]
            reached.append(self._reached(corner, shape, share, (low, high)))
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

    def _reached(self, corner: CornerFacts, shape: Shape, share: Array, size: tuple[Array, Array]) -> Array:
        """Bound the score (N,) at one corner from shares of cells and bounds (N,K) on ``ln |T|``, amplifier ideal."""
        e0, e1 = corner.constant, corner.proportional
        low, high = np.minimum(size[0], LARGE), np.minimum(size[1], LARGE)
        most = e0 + e1 * np.exp(high)
        low = low - np.log1p(e0 + e1 * np.exp(low)) - ROUNDING
        high = high - np.log(np.maximum(1.0 - most, np.exp(-LARGE))) + ROUNDING
        first, last = shape.first + corner.angle, shape.last + corner.angle
        limits, prefer = self.screens.demands.limits, self.screens.demands.prefer
        back, forward = corner.turned(most)
        few = slice(None, None, 1 if prefer in {"margin", "step"} else FEW)
        apart = _farthest(low[:, few], high[:, few], (first - back)[:, few], (last + forward)[:, few])
        crossover = self._crossover(corner.frequencies_hz, (low, high), share)
        feasible = (apart >= limits.value("modulus_margin") * (1.0 - ROUNDING)).all(axis=1)
        feasible &= crossover >= self.screens.lowest(-np.inf)
        if prefer == "margin":
            reached = apart.min(axis=1)
        elif prefer == "step":
            reached = -(corner.impedance / apart).max(axis=1) * (1.0 - ROUNDING)
        else:
            reached = crossover
        return np.where(feasible, reached, -np.inf)

    def _phase(self, corner: CornerFacts, shape: Shape) -> Array:
        """Say up to which share of each cell (N,cells-1) a crossover can have the phase margin; minus one: nowhere."""
        cells = self.cells - 1
        margin = np.radians(self.screens.demands.limits.value("phase_margin") - 1e-6)
        ahead = corner.turned(corner.error(corner.ahead[:cells]))
        behind = corner.turned(corner.error(corner.within[: cells + 1]))
        first, last = shape.first + corner.angle + np.pi, shape.last + corner.angle + np.pi
        least = np.minimum(first[:, :cells] - ahead[0], first[:, 1 : cells + 1] - behind[0][1:])
        begin, end = last[:, :cells] + ahead[1], last[:, 1 : cells + 1] + behind[1][1:]
        # the last interval of good margins that is reached, from the margin up to half a turn
        turn = 2.0 * np.pi * np.floor((np.maximum(begin, end) - margin) / (2.0 * np.pi))
        falls = (end < margin + turn) & (least > turn - np.pi)
        part = (begin - margin - turn) / np.where(falls, begin - end, 1.0)
        share = np.where(least <= np.pi + turn, np.where(falls, np.clip(part, 0.0, 1.0), 1.0), -1.0)
        return np.where(self._jumps(corner, ahead, behind), 1.0, share)

    def _jumps(self, corner: CornerFacts, ahead: tuple[Array, Array], behind: tuple[Array, Array]) -> NDArray[np.bool_]:
        """Whether the phase may turn by half a turn in a cell (cells-1,), as beside a resonance: nothing is said there.

        Each zero or pole turns by at most half of the cell's width in ln f; there are three of each at most.
        """
        cells = self.cells - 1
        width = np.log(corner.frequencies_hz[1 : cells + 1] / corner.frequencies_hz[:cells])
        turned = np.abs(np.diff(corner.angle[: cells + 1])) + 1.5 * width
        either = ahead[0] + ahead[1] + (behind[0] + behind[1])[..., 1:]
        return np.asarray(turned + either >= np.pi)

    def _crossover(self, f: Array, size: tuple[Array, Array], share: Array) -> Array:
        """Bound the highest crossover (N,) [Hz] that the limit and the shares of cells leave; minus infinity: none."""
        limits, cells = self.screens.demands.limits, self.cells - 1
        settled = np.cumsum(size[0][:, cells::-1] >= 0.0, axis=1)[:, ::-1][:, 1:] == 0  # below one from there on
        start, end = size[1][:, :cells], size[1][:, 1 : cells + 1]
        crossing = settled & (share >= 0.0) & (start >= 0.0)
        falls = crossing & (end < 0.0)
        part = np.where(falls, start, 1.0) / np.where(
            falls, np.where(falls, start, 0.0) - np.where(falls, end, 0.0), 1.0
        )
        part = np.minimum(part, share)
        at = f[:cells] * np.exp(np.log(f[1 : cells + 1] / f[:cells]) * part) * (1.0 + ROUNDING)
        return np.where(crossing, np.minimum(at, limits.crossover_limit_hz), -np.inf).max(axis=1, initial=-np.inf)


def _farthest(low: Array, high: Array, first: Array, last: Array) -> Array:
    """Bound ``|1 + T|`` from above over ranges of ``ln |T|`` and angle [rad]."""
    turned = np.ceil(first / (2.0 * np.pi)) * 2.0 * np.pi
    cosine = np.where(turned <= last, 1.0, np.maximum(np.cos(first), np.cos(last)))
    squares = [1.0 + r * r + 2.0 * r * cosine for r in (np.exp(low), np.exp(np.minimum(high, LARGE)))]
    return np.sqrt(np.maximum(np.maximum(*squares), 0.0)) * (1.0 + ROUNDING)
