"""Blocks halved where they promise most, until none promises more than what was found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.search.bound.factors import Extent, Leads, beside_c3, corner_facts
from loopdesign.synthesis.search.bound.promise import FEW, Promise
from loopdesign.synthesis.search.lines import ROUNDING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.lattice import Lattice
    from loopdesign.synthesis.search.screens import Screens

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]

BLOCKS = 20_000
"""Blocks looked at before the search for a bound ends [unitless]."""
AT_ONCE = 1024
"""Blocks halved at once."""
TINY = 1e-300
"""Stands for a time of zero where it divides [s]."""
CORNERS = 16
"""Corners that blocks are held against at most: those of the highest and of the lowest gain."""
TELLING = 4
"""Corners of those that decide for most of some blocks, at which all are looked at."""
SAMPLE = 48
"""Blocks that say which corners decide."""


def best_possible(screens: Screens, lattice: Lattice, found: float, *, blocks: int = BLOCKS) -> float:
    """Bound the score that any feasible combination of a lattice can have.

    Parameters
    ----------
    screens
        Corners, demands and grid of the search.
    lattice
        The lattice.
    found
        The best score found [Hz], [unitless] or [ohm] by what decides; minus infinity where there is none.
    blocks
        Blocks looked at, at most [unitless].

    Returns
    -------
    float
        At least the score of the best feasible combination, and at least `found`: equal to it where it is proven the
        best; infinity where the amplifier is none that the bound covers.
    """
    if screens.demands.prefer == "crossover":  # what decides is the highest crossover, which may come up to its limit
        return max(found, screens.demands.limits.crossover_limit_hz)
    axes = _axes(screens, lattice)
    points, cells = _points(screens, found)
    loops = screens.corners
    facts = [corner_facts(c, points, loops[0]) for c in loops[:CORNERS]]
    corners = [c for c in facts if c is not None]
    if axes is None or len(corners) < len(facts) or not corners:
        return np.inf
    middle = float(np.sqrt(screens.frequencies_hz[points[0]] * screens.demands.limits.crossover_limit_hz))
    promise = Promise(
        screens=screens, corners=corners, cells=cells, gains=axes.gains, leads=axes.leads, reference_hz=middle
    )
    extent, seen = Extent(axes.low[None], axes.high[None]), 1
    scores = promise.scores(extent)
    while len(scores) and seen < blocks:
        order = np.argsort(-scores, kind="stable")
        taken, left = order[:AT_ONCE], order[AT_ONCE:]
        widest = Extent(extent.low[taken], extent.high[taken])
        halves, kept = axes.inside(_halved(widest, np.argmax(promise.effects(widest), axis=1), axes.fastest))
        parents = np.tile(scores[taken], 2)[kept]
        few = promise.telling(halves.some(SAMPLE), TELLING)
        told = np.minimum(few.scores(halves), parents)
        seen += len(told)
        scores = np.concatenate([told, scores[left]])
        kept = scores > found
        low, high = (np.concatenate([new, old[left]])[kept] for new, old in zip(halves, extent, strict=True))
        extent, scores = Extent(low, high), scores[kept]
    return float(max(found, scores.max(initial=-np.inf)))


def _points(screens: Screens, found: float) -> tuple[Index, int]:
    """Choose grid points: all about the crossovers that matter, how many, and then those of the modulus."""
    grid, limit = screens.frequencies_hz, screens.demands.limits.crossover_limit_hz
    begin = max(0, int(np.searchsorted(grid, screens.lowest(found))) - 1)
    band = np.arange(begin, min(int(np.searchsorted(grid, limit, side="right")) + 1, len(grid)))
    # beside the phase margin the modulus seldom decides over whole blocks, and any point may be left out
    modulus = screens.modulus if screens.demands.prefer in {"margin", "step"} else screens.modulus[::FEW]
    others = np.setdiff1d(np.concatenate([screens.above, modulus]), band)
    return np.concatenate([band, others]), len(band)


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """Axes of a whole lattice: their ends (4,) [s], those of ln K, and what joins the second and the last.

    ``apart`` holds the least and the largest of z2 - p2 [s], with a feed-forward capacitor of R2 over the upper
    resistor; ``fastest`` is a time [s] below which none matters.
    """

    low: Array
    high: Array
    gains: tuple[float, float]
    leads: Leads
    apart: tuple[float, float]
    fastest: float

    def inside(self, extent: Extent) -> tuple[Extent, NDArray[np.bool_]]:
        """Keep the blocks in which there is a pole above each zero, as far as the parts allow; say which (N,)."""
        (low, high), (some, more) = extent, self.apart
        keep = high[:, 0] >= low[:, 2]
        if self.leads.feedforward:
            some_c3, most_c3 = np.maximum(low[:, 1], TINY), np.maximum(high[:, 1], TINY)
            least, most = low[:, 3] / most_c3, high[:, 3] / some_c3
        else:
            least, most = low[:, 1] - high[:, 3], high[:, 1] - low[:, 3]
        keep &= (most >= some * (1.0 - ROUNDING)) & (least <= more * (1.0 + ROUNDING))
        return Extent(low[keep], high[keep]), keep


def _axes(screens: Screens, lattice: Lattice) -> Axes | None:
    """Find the ends of every axis; None without corners."""
    loops = screens.corners
    if not loops:
        return None
    (r1, c1, c2, r2, c3) = lattice.values(np.array([0, lattice.size - 1])).T
    leads = beside_c3(loops[0])
    joined = [a * b / (a + b) if a and b else 0.0 for a, b in zip(c1, c2, strict=True)]
    if leads.feedforward:
        second, last, apart = leads.upper * c3, r2 * c3, r2 / leads.upper * (c3 > 0.0)
    else:
        second, last = (r2 + leads.upper) * c3, (r2 + leads.behind) * c3
        apart = (leads.upper - leads.behind) * c3
    low, high = (np.array([r1[k] * c1[k], second[k], r1[k] * joined[k], last[k]]) for k in (0, 1))
    return Axes(
        low=low, high=high, gains=(-float(np.log(c1[1] + c2[1])), -float(np.log(c1[0] + c2[0]))), leads=leads,
        apart=(float(apart[0]), float(apart[1])), fastest=1e-3 / float(2.0 * np.pi * screens.frequencies_hz[-1]),
    )  # fmt: skip


def _halved(extent: Extent, axis: Index, fastest: float) -> Extent:
    """Halve blocks along one axis (N,) each, in the middle by the logarithm of what of a time constant matters."""
    low, high, rows = extent.low, extent.high, np.arange(len(extent.low))
    a, b = low[rows, axis], high[rows, axis]
    middle = np.sqrt((a + fastest) * (b + fastest)) - fastest
    first, second = high.copy(), low.copy()
    first[rows, axis] = second[rows, axis] = np.clip(middle, a, b)
    return Extent(np.concatenate([low, second]), np.concatenate([first, high]))
