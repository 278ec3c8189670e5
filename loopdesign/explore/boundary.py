"""Where the largest multiplier of the nominal corners is one: points on a line, curves in a plane.

The points of a sweep tell on which sides of which of its grid lines the converter is stable. Between two neighbours of
which one is stable the place where the largest multiplier is one is found to 1e-7 of it, by the exact model and not by
interpolation. In a plane these places are joined cell by cell; then the curve between two of them is held against the
exact one at its middle and bent until it is within a thousandth of the axes.

A region smaller than a cell of the grid, with no point of the grid in it, is not seen. Where the multiplier jumps past
one, because conduction changes its kind or an operating point ceases to exist, there is no place at which it is one:
such stretches are counted and left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.explore.together import LargestMultiplier

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.explore.point import PointTask

    Array = NDArray[np.float64]

WITHIN = 1e-3
"""Distance of a traced curve from the exact one, as a share of the axes."""
CLOSE = 1e-7
"""Distance of a traced multiplier from one."""
ACCEPTED = 1e-6
"""Distance from one beyond which a place is none where the multiplier is one."""
ROOT_STEPS = 40
BENDS = 6
"""Times the middle of a stretch may be bent to the exact curve."""
REACH = 0.5
"""How far to either side of the middle the exact curve is looked for, as a share of the length of the stretch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis of a sweep: its values (N,) in SI units, and whether distance counts by ratios."""

    values: Array
    log: bool = False

    def place(self, values: Array) -> Array:
        """Turn values into places, 0 at the first and 1 at the last."""
        v = np.log(values) if self.log else np.asarray(values, float)
        ends = np.log(self.values[[0, -1]]) if self.log else self.values[[0, -1]]
        return np.asarray((v - ends[0]) / (ends[1] - ends[0]))

    def value(self, places: Array) -> Array:
        """Turn places into values."""
        ends = np.log(self.values[[0, -1]]) if self.log else self.values[[0, -1]]
        v = ends[0] + (ends[1] - ends[0]) * np.asarray(places, float)
        return np.asarray(np.exp(v) if self.log else v)


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Where the largest multiplier is one.

    Attributes
    ----------
    curves : tuple of ndarray (P, K)
        Values of the varied quantities along each curve, in SI units; with one quantity every curve is one point.
    jumps : int
        Places between neighbouring points where stability changes without the multiplier passing one [unitless].
    """

    curves: tuple[Array, ...]
    jumps: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Turn the curves into plain values, ready for JSON.

        Returns
        -------
        dict
            ``curves``, each a list of value lists, and ``jumps``.
        """
        return {"curves": [curve.tolist() for curve in self.curves], "jumps": self.jumps}


def traced_boundary(task: PointTask, axes: Sequence[Axis], grid: Array, *, known: bool = True) -> Boundary | None:
    """Trace where the largest multiplier of the nominal corners is one.

    Parameters
    ----------
    task : PointTask
        The case and what is varied.
    axes : sequence of Axis
        One or two.
    grid : ndarray (N,)
        Largest multiplier at every point of the sweep, the last axis fastest; NaN where there is none [unitless].
    known : bool
        Whether ``grid`` is known; it is computed where not [unitless].

    Returns
    -------
    Boundary or None
        None where an axis has fewer than two values or the values do not rise or fall steadily.
    """
    if any(len(a.values) < 2 or not _steady(a.values) for a in axes):
        return None
    size = LargestMultiplier(task)
    mesh = np.stack(np.meshgrid(*(a.place(a.values) for a in axes), indexing="ij"), axis=-1)
    if not known:
        grid = size(_values(axes, mesh.reshape(-1, len(axes))))
    trace = _Trace(axes, size, mesh, grid.reshape(mesh.shape[:-1]))
    return trace.points() if len(axes) == 1 else trace.curves()


def _steady(values: Array) -> bool:
    """Whether values rise, or fall, from each to the next."""
    step = np.diff(values)
    return bool((step > 0.0).all() or (step < 0.0).all())


def _values(axes: Sequence[Axis], places: Array) -> Array:
    """Turn places (N,K) into values (N,K)."""
    return np.stack([a.value(places[:, k]) for k, a in enumerate(axes)], axis=1)


class _Trace:
    """The search in one sweep: places (.., K) of its grid, and the largest multiplier less one there."""

    def __init__(self, axes: Sequence[Axis], size: LargestMultiplier, mesh: Array, grid: Array) -> None:
        self.axes, self.size, self.mesh, self.excess = axes, size, mesh, grid - 1.0
        self.jumps = 0

    def points(self) -> Boundary:
        """Places on a line."""
        pairs = [((k,), (k + 1,)) for k in range(len(self.mesh) - 1) if self._changes((k,), (k + 1,))]
        roots = self._on_edges(pairs)
        found = sorted((r for r in roots if r is not None), key=lambda r: float(r[0]))
        values = _values(self.axes, np.array(found).reshape(-1, 1))
        return Boundary(curves=tuple(v[None] for v in values), jumps=self.jumps)

    def curves(self) -> Boundary:
        """Curves in a plane."""
        edges = self._edges()
        roots = dict(zip(edges, self._on_edges(edges), strict=True))
        chains = _chained(self._stretches(roots))
        lines = self._bent([np.array([roots[e] for e in chain]) for chain in chains])
        return Boundary(curves=tuple(_values(self.axes, line) for line in lines), jumps=self.jumps)

    def _changes(self, a: Node, b: Node) -> bool:
        """Whether stability changes from one point of the grid to another."""
        return bool(self.excess[a] * self.excess[b] < 0.0)

    def _edges(self) -> list[Edge]:
        """List the edges of the grid on which stability changes."""
        rows, columns = self.excess.shape
        across = [((i, j), (i + 1, j)) for i in range(rows - 1) for j in range(columns)]
        along = [((i, j), (i, j + 1)) for i in range(rows) for j in range(columns - 1)]
        return [e for e in across + along if self._changes(*e)]

    def _on_edges(self, edges: Sequence[tuple[Node, Node]]) -> list[Array | None]:
        """Find the place on each edge where the multiplier is one; None where it jumps past."""
        if not edges:
            return []
        low, high = (np.array([self.mesh[e[k]] for e in edges]) for k in (0, 1))
        ends = [np.array([self.excess[e[k]] for e in edges]) for k in (0, 1)]
        places, excess = self._roots(low, high, ends[0], ends[1])
        good = np.abs(excess) <= ACCEPTED
        self.jumps += int((~good).sum())
        return [p if ok else None for p, ok in zip(places, good, strict=True)]

    def _roots(self, low: Array, high: Array, f_low: Array, f_high: Array) -> tuple[Array, Array]:
        """Close in on the zero of the excess on straight lines (N,K), by false position with the stale end halved."""
        a, b, fa, fb = np.zeros(len(low)), np.ones(len(low)), f_low.copy(), f_high.copy()
        best, f_best = np.where(np.abs(fa) < np.abs(fb), a, b), np.where(np.abs(fa) < np.abs(fb), fa, fb)
        side = np.zeros(len(low), int)
        for step in range(ROOT_STEPS):
            open_ = np.flatnonzero((np.abs(f_best) > CLOSE) & (b - a > 1e-12))
            if not len(open_):
                break
            share = fa[open_] / (fa[open_] - fb[open_])
            # where false position creeps, the middle is tried now and then
            share = np.where(step % 8 == 7, 0.5, np.clip(share, 1e-6, 1.0 - 1e-6))
            t = a[open_] + share * (b[open_] - a[open_])
            f = self._excess(low[open_] + t[:, None] * (high[open_] - low[open_]), open_)
            gone = ~np.isfinite(f)
            better = ~gone & (np.abs(f) < np.abs(f_best[open_]))
            best[open_], f_best[open_] = np.where(better, t, best[open_]), np.where(better, f, f_best[open_])
            left = f * fa[open_] > 0.0
            fb[open_] = np.where(left & (side[open_] == 1), 0.5 * fb[open_], np.where(left, fb[open_], f))
            fa[open_] = np.where(~left & (side[open_] == -1), 0.5 * fa[open_], np.where(left, f, fa[open_]))
            a[open_], b[open_] = np.where(left, t, a[open_]), np.where(left, b[open_], t)
            side[open_] = np.where(left, 1, -1)
            lost = open_[gone]
            b[lost] = a[lost]  # no operating point between: nothing to close in on
        return low + best[:, None] * (high - low), f_best

    def _excess(self, places: Array, track: NDArray[np.intp] | None = None) -> Array:
        """Largest multiplier less one at places (N,K)."""
        return self.size(_values(self.axes, places), track) - 1.0

    def _stretches(self, roots: dict[Edge, Array | None]) -> list[tuple[Edge, Edge]]:
        """Join the roots on the edges of each cell; of four, those that a look at the middle keeps together."""
        rows, columns = self.excess.shape
        pairs, doubtful = [], []
        for i in range(rows - 1):
            for j in range(columns - 1):
                a, b, c, d = (i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)
                around: list[Edge] = [(a, b), (b, c), (d, c), (a, d)]
                here = [e for e in around if roots.get(e) is not None]
                if len(here) == 2:
                    pairs.append((here[0], here[1]))
                elif len(here) == 4:
                    doubtful.append(((i, j), around))
        if doubtful:
            middles = np.array([0.5 * (self.mesh[c] + self.mesh[c[0] + 1, c[1] + 1]) for c, _ in doubtful])
            for (corner, around), excess in zip(doubtful, self._excess(middles), strict=True):
                low, right, top, left = around
                # the middle belongs with the first corner: the curves cut off the two others
                if excess * self.excess[corner] > 0.0:
                    pairs += [(low, right), (top, left)]
                else:
                    pairs += [(low, left), (right, top)]
        return pairs

    def _bent(self, lines: list[Array]) -> list[Array]:
        """Bend curves (P,K) to the exact one at the middle of every stretch that is off by more than allowed."""
        tracks = [np.zeros(len(line) - 1, bool) for line in lines]
        for _ in range(BENDS):
            todo = [(n, k) for n, done in enumerate(tracks) for k in np.flatnonzero(~done)]
            if not todo:
                break
            first = np.array([lines[n][k] for n, k in todo])
            last = np.array([lines[n][k + 1] for n, k in todo])
            new = self._middles(first, last)
            for n in {n for n, _ in todo}:
                at = {int(k): new[m] for m, (c, k) in enumerate(todo) if c == n}
                lines[n], tracks[n] = _inserted(lines[n], at)
        return lines

    def _middles(self, first: Array, last: Array) -> list[Array | None]:
        """Exact places beside the middles of stretches (N,K); None where the stretch itself is close enough."""
        middle, along = 0.5 * (first + last), last - first
        length = np.linalg.norm(along, axis=1)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.maximum(length, 1e-300)[:, None]
        told: list[Array | None] = [None] * len(middle)
        some = np.flatnonzero(length > WITHIN)
        some = some[~self._apart(middle, normal, np.full(len(middle), WITHIN), some)[0]]
        apart, ends, excess = self._apart(middle, normal, REACH * length, some)
        some = some[apart]
        if len(some):
            places, left = self._roots(ends[0][apart], ends[1][apart], excess[0][apart], excess[1][apart])
            for k, place, f in zip(some, places, left, strict=True):
                told[int(k)] = place if abs(f) <= ACCEPTED else None
        return told

    def _apart(
        self, middle: Array, normal: Array, reach: Array, some: NDArray[np.intp]
    ) -> tuple[NDArray[np.bool_], list[Array], Array]:
        """Whether the boundary passes between places on either side of some middles; the places and their excess."""
        ends = [np.clip(middle[some] + s * reach[some, None] * normal[some], 0.0, 1.0) for s in (-1.0, 1.0)]
        excess = self._excess(np.concatenate(ends)).reshape(2, -1) if len(some) else np.empty((2, 0))
        return np.asarray(excess[0] * excess[1] < 0.0), ends, excess


def _inserted(line: Array, at: dict[int, Array | None]) -> tuple[Array, NDArray[np.bool_]]:
    """Insert places behind points of a curve; a stretch without one is done."""
    points, flags = [line[0]], []
    for k in range(len(line) - 1):
        new = at.get(k)
        if new is None:
            flags.append(True)
        else:
            points.append(new)
            flags += [False, False]
        points.append(line[k + 1])
    return np.array(points), np.array(flags, bool)


Node = tuple[int, ...]
Edge = tuple[Node, Node]


def _chained(pairs: list[tuple[Edge, Edge]]) -> list[list[Edge]]:
    """Join stretches end to end into curves, closed ones back to where they began."""
    beside: dict[Edge, list[Edge]] = {}
    for a, b in pairs:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    left = {frozenset(p) for p in pairs}
    chains = []
    for begin in sorted(beside, key=lambda e: (len(beside[e]), e)):
        for first in beside[begin]:
            if frozenset((begin, first)) not in left:
                continue
            chain = [begin]
            here = first
            left.discard(frozenset((begin, first)))
            while True:
                chain.append(here)
                onward = [e for e in beside[here] if frozenset((here, e)) in left]
                if not onward:
                    break
                left.discard(frozenset((here, onward[0])))
                here = onward[0]
            chains.append(chain)
    return chains
