"""Period map and loop gain of an orbit from its arrays, real or complex: see `explore.sensitivity.arrays`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.explore.sensitivity.arrays import affine, exponential
from loopdesign.orbit.sequence import Edge

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.explore.sensitivity.arrays import Orbit, PeriodArrays
    from loopdesign.orbit.sequence import Sequence

    Array = NDArray[Any]


def period_map(arrays: PeriodArrays, orbit: Orbit, sequence: Sequence, trip: NDArray[np.intp]) -> Array:
    """Map of a perturbation over one period (B,n,n), the edges included.

    Parameters
    ----------
    arrays, orbit
        Matrices and orbit (B,), real or complex.
    sequence, trip
        Kinds of the edges; interval that the comparator ends (B,).

    Returns
    -------
    ndarray (B, n, n)
        The map.
    """
    lengths = np.diff(orbit.ends, axis=1, prepend=0.0)
    total: Array | None = None
    shifts: list[Array] = []
    for k in range(lengths.shape[1]):
        E = exponential(arrays.A[:, k] * lengths[:, k, None, None])
        total = E if total is None else E @ total
        if k == lengths.shape[1] - 1:
            break
        jump, gain, follows, _ = _edge(arrays, orbit, sequence, k)
        shift = -(arrays.row[:, k, None] @ total) * gain[:, None, None]
        for j in np.unique(trip[follows]):
            here = follows & (trip == j)
            shift[here] = shifts[j][here]
        shifts.append(shift)
        total = total + jump[:, :, None] * shift
    return np.asarray(total)


def _edge(
    arrays: PeriodArrays, orbit: Orbit, sequence: Sequence, k: int
) -> tuple[Array, Array, NDArray[np.bool_], Array]:
    """Jump (B,n) of the state per shift of an edge, the gain (B,) of its shift, whether it follows, impulse (B,q)."""
    x, u = orbit.states[:, k + 1], orbit.inputs
    f = [affine(arrays.A[:, j], arrays.B[:, j], x, u) for j in (k, k + 1)]
    y = [affine(arrays.C[:, j], arrays.D[:, j], x, u) for j in (k, k + 1)]
    edge = sequence.edge[:, k]
    follows = edge == Edge.DELAYED
    free = ~follows & (edge != Edge.CLOCK)
    slope = (arrays.row[:, k] * f[0]).sum(axis=1) + arrays.ramp[:, k]
    gain = np.where(free, 1.0 / np.where(free, slope, 1.0), 0.0)
    moves = (edge != Edge.CLOCK)[:, None] & (sequence.configuration[:, k] != sequence.configuration[:, k + 1])[:, None]
    return np.where(moves, f[0] - f[1], 0.0), gain, follows, np.where(moves, y[0] - y[1], 0.0)


def loop_parts(
    arrays: PeriodArrays, orbit: Orbit, sequence: Sequence, trip: NDArray[np.intp], *, angle: Array, injection: int
) -> tuple[Array, Array]:
    """Real and imaginary part of the loop gain (B,), each a function that real differentiation understands.

    Parameters
    ----------
    arrays, orbit
        Matrices and orbit (B,), real or complex.
    sequence, trip
        Kinds of the edges; interval that the comparator ends (B,).
    angle
        (B,) turn of the sinusoid over one period [rad].
    injection
        Place of the injected input.

    Returns
    -------
    tuple of ndarray (B,)
        Real and imaginary part [unitless].
    """
    b, count, n, _ = arrays.A.shape
    q = arrays.C.shape[2]
    lengths = np.diff(orbit.ends, axis=1, prepend=0.0)
    # columns: 2n unit starts, and the injection from rest; a sinusoid is its two parts one below the other
    kind = np.result_type(arrays.A, angle)
    z = np.zeros((b, 2 * n, 2 * n + 1), kind)
    z[:, :, : 2 * n] = np.eye(2 * n)
    total = np.zeros((b, 2 * q, 2 * n + 1), kind)
    shifts: list[Array] = []
    for k in range(count):
        z, more = _turned(arrays, (angle, injection), z, lengths[:, k], k)
        total = total + more
        if k == count - 1:
            break
        jump, gain, follows, impulse = _edge(arrays, orbit, sequence, k)
        shift = -np.stack([(arrays.row[:, k, None] @ z[:, h])[:, 0] for h in (slice(0, n), slice(n, 2 * n))], axis=1)
        shift[:, 0, 2 * n] -= arrays.row_input[:, k, injection]
        shift = shift * gain[:, None, None]
        for j in np.unique(trip[follows]):
            here = follows & (trip == j)
            turn = angle[here] * (orbit.ends[here, k] - orbit.ends[here, j])
            c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
            first, second = shifts[j][here, 0], shifts[j][here, 1]
            shift[here] = np.stack([first * c + second * s, second * c - first * s], axis=1)
        shifts.append(shift)
        z = z + np.concatenate([jump[:, :, None] * shift[:, None, part] for part in (0, 1)], axis=1)
        total = total + np.concatenate([impulse[:, :, None] * shift[:, None, part] for part in (0, 1)], axis=1)
    start = np.linalg.solve(np.eye(2 * n) - z[:, :, : 2 * n], z[:, :, 2 * n :])
    y = (total[:, :, : 2 * n] @ start + total[:, :, 2 * n :])[..., 0]
    # T = -Y/X with Y = y0 + j y2 and X = y1 + j y3
    size = y[:, 1] ** 2 + y[:, 3] ** 2
    return -(y[:, 0] * y[:, 1] + y[:, 2] * y[:, 3]) / size, -(y[:, 2] * y[:, 1] - y[:, 0] * y[:, 3]) / size


def _turned(arrays: PeriodArrays, drive: tuple[Array, int], z: Array, length: Array, k: int) -> tuple[Array, Array]:
    """Carry sinusoids (B,2n,..) through an interval in their turning frame: their end, and the outputs' integral."""
    angle, injection = drive
    b, n = arrays.A[:, k].shape[:2]
    q = arrays.C.shape[2]
    o, first, second, one = slice(0, 2 * q), slice(2 * q, 2 * q + n), slice(2 * q + n, 2 * q + 2 * n), 2 * q + 2 * n
    N = np.zeros((b, one + 1, one + 1), np.result_type(arrays.A, angle))
    N[:, :q, first] = N[:, q : 2 * q, second] = arrays.C[:, k]
    N[:, :q, one] = arrays.D[:, k, :, injection]
    N[:, first, first] = N[:, second, second] = arrays.A[:, k]
    N[:, first, second] = angle[:, None, None] * np.eye(n)
    N[:, second, first] = -angle[:, None, None] * np.eye(n)
    N[:, first, one] = arrays.B[:, k, :, injection]
    E = exponential(N * length[:, None, None])
    begin = np.zeros((b, one + 1, z.shape[2]), N.dtype)
    begin[:, 2 * q : one] = z
    begin[:, one, -1] = 1.0
    end = E @ begin
    return end[:, 2 * q : one], end[:, o]
