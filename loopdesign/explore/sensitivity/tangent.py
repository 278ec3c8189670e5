"""How a periodic orbit moves with its matrices: one linear solve, for the orbit is where its equations are zero."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.explore.sensitivity.arrays import Orbit, affine, exponential
from loopdesign.orbit.sequence import Edge

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.explore.sensitivity.arrays import PeriodArrays
    from loopdesign.orbit.sequence import Sequence

    Array = NDArray[Any]


def orbit_tangent(
    base: PeriodArrays, moved: PeriodArrays, orbit: Orbit, sequence: Sequence, trip: NDArray[np.intp], trim: int
) -> tuple[Orbit, Array]:
    """Find how an orbit moves with its matrices: one linear solve, for the orbit is where its equations are zero.

    Parameters
    ----------
    base, moved : PeriodArrays
        The arrays (B,), and their derivative.
    orbit : Orbit
        The orbit (B,).
    sequence : Sequence
        Its intervals and edges.
    trip : ndarray (B,)
        Interval that the comparator ends.
    trim : int
        Place of the free input.

    Returns
    -------
    tuple of Orbit and ndarray (B, n)
        Derivative of ends, states (at the moving edges) and inputs; and of the average states over the period.
    """
    b, count, n, _ = base.A.shape
    x, u, lengths = orbit.states, orbit.inputs, np.diff(orbit.ends, axis=1, prepend=0.0)
    # columns: n unit disturbances of the start, one of the free input, and what the matrices themselves do
    d = np.zeros((b, n, n + 2))
    d[:, :, :n] = np.eye(n)
    du = np.zeros((b, u.shape[1], n + 2))
    du[:, trim, n] = 1.0
    du[:, :, n + 1] = moved.inputs
    output, mean = np.zeros((b, n + 2)), np.zeros((b, n, n + 2))
    edges: list[Array] = []
    shifts: list[Array] = []
    for k in range(count):
        d, more, states = _carried(base, moved, (x[:, k], u, du), d, lengths[:, k], k)
        output += more
        mean += states
        if k == count - 1:
            break
        f = [affine(base.A[:, j], base.B[:, j], x[:, k + 1], u) for j in (k, k + 1)]
        y = [affine(base.C[:, j, :1], base.D[:, j, :1], x[:, k + 1], u)[:, 0] for j in (k, k + 1)]
        g = (base.row[:, k, None] @ d)[:, 0] + (base.row_input[:, k, None] @ du)[:, 0]
        g[:, n + 1] += np.einsum("bn,bn->b", moved.row[:, k], x[:, k + 1]) + np.einsum(
            "bp,bp->b", moved.row_input[:, k], u
        )
        g[:, n + 1] += moved.ramp[:, k] * orbit.ends[:, k]
        slope = np.einsum("bn,bn->b", base.row[:, k], f[0]) + base.ramp[:, k]
        edge = sequence.edge[:, k]
        follows = edge == Edge.DELAYED
        free = ~follows & (edge != Edge.CLOCK)
        shift = np.where(free[:, None], -g / np.where(free, slope, 1.0)[:, None], 0.0)
        for j in np.unique(trip[follows]):
            here = follows & (trip == j)
            shift[here] = shifts[j][here]
            shift[here, n + 1] += moved.delay[here]
        shifts.append(shift)
        edges.append(d + f[0][:, :, None] * shift[:, None])
        d = d + (f[0] - f[1])[:, :, None] * shift[:, None]
        output += (y[0] - y[1])[:, None] * shift
    matrix = np.zeros((b, n + 1, n + 1))
    matrix[:, :n, :n] = d[:, :, :n] - np.eye(n)
    matrix[:, :n, n] = d[:, :, n]
    matrix[:, n] = output[:, : n + 1]
    right = np.concatenate([-d[:, :, n + 1], (moved.target - output[:, n + 1])[:, None]], axis=1)
    size = 1.0 / np.abs(matrix).max(axis=2)
    z = np.linalg.solve(matrix * size[:, :, None], (right * size)[..., None])[..., 0]
    weights = np.concatenate([z, np.ones((b, 1))], axis=1)[..., None]
    start = z[:, :n]
    told = Orbit(
        ends=np.stack([*((s[:, None] @ weights)[:, 0, 0] for s in shifts), np.zeros(b)], axis=1),
        states=np.stack([start, *((e @ weights)[..., 0] for e in edges), start], axis=1),
        inputs=(du @ weights)[..., 0],
    )
    return told, (mean @ weights)[..., 0]


def _carried(
    base: PeriodArrays, moved: PeriodArrays, at: tuple[Array, Array, Array], d: Array, length: Array, k: int
) -> tuple[Array, Array, Array]:
    """Carry disturbances (B,n,n+2) through an interval: their end, and their integrals of output and states."""
    x, u, du = at
    b, n = x.shape
    size = 3 * n + 1 + du.shape[2] + 1
    s, o, y, p = slice(0, n), n, slice(n + 1, 2 * n + 1), slice(2 * n + 1, 3 * n + 1)
    one, last = 3 * n + 1, slice(3 * n + 2, size)
    A, dA = base.A[:, k], moved.A[:, k]
    drive = (base.B[:, k] @ u[..., None])[..., 0]
    N = np.zeros((b, size, size))
    # integral of states, integral of output, disturbance, the state itself, one, and a constant for each column
    N[:, s, y] = np.eye(n)
    N[:, o, y], N[:, o, p] = base.C[:, k, 0], moved.C[:, k, 0]
    N[:, o, one] = np.einsum("bp,bp->b", moved.D[:, k, 0], u)
    N[:, o, last] = (base.D[:, k, :1] @ du)[:, 0]
    N[:, y, y], N[:, y, p] = A, dA
    N[:, y, one] = (moved.B[:, k] @ u[..., None])[..., 0]
    N[:, y, last] = base.B[:, k] @ du
    N[:, p, p], N[:, p, one] = A, drive
    E = exponential(N * length[:, None, None])
    columns = d.shape[2]
    begin = np.zeros((b, size, columns))
    begin[:, y] = d
    begin[:, last] = np.eye(columns)
    begin[:, p, columns - 1], begin[:, one, columns - 1] = x, 1.0
    end = E @ begin
    return end[:, y], end[:, o], end[:, s]
