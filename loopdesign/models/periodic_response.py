"""Small-signal response of a piecewise linear network that repeats every period, at many frequencies at once.

With ``z(t) = exp(-j w t) dx(t)`` each interval of length ``tau`` is closed form,

    z(b) = exp((A - jw) tau) z(a) + integral of exp((A - jw) s) B u ds,

a threshold edge shifts by ``-(row z + row_input u)`` and makes the state jump, and ``z(T) = z(0)`` closes the period.
The real exponential carries the state; the integrals are taken in modal form, or by doubling a series for the items
whose eigenvectors are ill-conditioned.

Where the terms of an output cancel, a multiple ``l`` of the balance of the states over one period, which is zero,

    sum of (A - jw) zeta + B u tau + jump shift = 0,    zeta = integral of z over an interval,

is added to it, with the ``l`` that leaves the smallest terms. A loop with an integrator leaves almost nothing of its
output at low frequency: there ``l`` picks the integrator, and what is left is ``jw`` times its charge, to full relative
accuracy, instead of a difference of large numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.models.interval_integrals import Interval, integrals_over
from loopdesign.network.batch import occurring
from loopdesign.network.linear_algebra import CONDITION_LIMIT, Modal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


CANCELS_BELOW = 1e-2
"""Share of its terms below which an output is summed again with the balance of the states added."""

HARDLY_TURNS = 1e-9
"""Turn [rad] of a sinusoid over one period that is constant for all purposes."""

FLOOR = 1e-14
"""Weight, against equations of unit length, that keeps the multiples of states without effect at zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearEdge:
    """The edge that ends an interval: it shifts by ``-(row z + row_input u)``, or as an earlier edge did, later.

    Attributes
    ----------
    row, row_input
        (B,n) and (B,p): shift per unit of perturbation and of input, zero where nothing moves the edge.
    jump, impulse
        (B,n) and (B,q): jump of the state and impulse of the outputs per unit of shift.
    after
        (B,) interval whose edge a delayed one follows, -1 where it follows none.
    wait
        (B,) time between the two [periods].
    """

    row: NDArray[np.float64]
    row_input: NDArray[np.float64]
    jump: NDArray[np.float64]
    impulse: NDArray[np.float64]
    after: NDArray[np.intp]
    wait: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A linearised period: intervals, the edges between them, and the map (B,n,n) of a perturbation over all."""

    intervals: tuple[Interval, ...]
    edges: tuple[LinearEdge, ...]
    period_map: NDArray[np.float64]
    modes: Modal


def periodic_response(
    period: Period, angle: NDArray[np.float64], column: int, rows: Sequence[int]
) -> NDArray[np.complex128]:
    """Respond to a small sinusoid at one input.

    Parameters
    ----------
    period
        The linearised period.
    angle
        (B,F) turn of the sinusoid over one period, above zero [rad].
    column, rows
        The input and the outputs (q) by index [unitless].

    Returns
    -------
    ndarray
        (B,q,F) complex component of each output at the injected frequency, per unit of input, within 1e-6 of its size.
    """
    motion = _Motion(period, angle, column)
    start = motion.closed(motion.end(None))
    integrals, shifts = motion.follow(start)
    total, size = _plain_sum(period, integrals, shifts, column, rows)
    cancels = (np.abs(total) < CANCELS_BELOW * size).any(axis=(0, 1))
    if cancels.any():
        some = np.flatnonzero(cancels)
        few = [z[..., some] for z in integrals], [s[..., some] for s in shifts]
        other, other_size = _balanced_sum(period, angle[:, some], few, column, rows)
        total[..., some] = np.where(other_size < size[..., some], other, total[..., some])
    return total


def means_after_step(period: Period, column: int, row: int, cycles: int) -> NDArray[np.float64]:
    """Respond to a small step of one input at the clock: the mean of an output over every period after it.

    From period to period the state follows ``x' = M x + b``, and the mean is ``c x + d``: both as `periodic_response`
    has them for a sinusoid that hardly turns.

    Parameters
    ----------
    period
        The linearised period.
    column, row
        The input and the output by index [unitless].
    cycles
        Number of periods N [unitless].

    Returns
    -------
    ndarray
        (B,N) departure of the mean per unit of the step.
    """
    batch, n = period.period_map.shape[:2]
    motion = _Motion(period, np.full((batch, n + 1), HARDLY_TURNS), column)
    begin = np.zeros((batch, n, n + 1), complex)
    begin[:, :, :n] = np.eye(n)
    means = _plain_sum(period, *motion.follow(begin), column, [row])[0].real[:, 0]
    direct = means[:, n]
    means, forced = means[:, :n] - direct[:, None], motion.end(None).real[..., 0]
    x = np.zeros((batch, n, 1))
    told = np.empty((batch, cycles))
    for k in range(cycles):
        told[:, k] = (means[:, None, :] @ x)[:, 0, 0] + direct
        x = period.period_map @ x + forced[..., None]
    return told


class _Motion:
    """Perturbations (B,n,F) carried through one period, per unit of input."""

    def __init__(self, period: Period, angle: NDArray[np.float64], column: int) -> None:
        self.period, self.column = period, column
        self.jw = jw = np.asarray(1j * angle[:, None, :], complex)
        self.turn = np.exp(-jw)
        self.turns = [np.exp(-jw * i.length[:, None, None]) for i in period.intervals]
        self.steps = [integrals_over(i, jw, t, column) for i, t in zip(period.intervals, self.turns, strict=True)]

    def end(self, z: NDArray[np.complex128] | None) -> NDArray[np.complex128]:
        """Carry a perturbation through the period, from rest where there is none."""
        shifts: list[NDArray[np.complex128]] = []
        for k in range(len(self.steps)):
            z = self._carry(k, z)
            if k < len(self.period.edges):
                z = self._cross(k, z, shifts)
        if z is None:
            raise ValueError("a period needs at least one interval")
        return z

    def follow(self, z: NDArray[np.complex128]) -> tuple[list[NDArray[np.complex128]], list[NDArray[np.complex128]]]:
        """Integrals (B,n,F) of a perturbation over each interval and shifts (B,1,F) of each edge."""
        integrals: list[NDArray[np.complex128]] = []
        shifts: list[NDArray[np.complex128]] = []
        for k, step in enumerate(self.steps):
            integrals.append(step.integral(z))
            if k < len(self.period.edges):
                z = self._cross(k, self._carry(k, z), shifts)
        return integrals, shifts

    def closed(self, forced: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Start from which a period driven to ``forced`` from rest ends where it began."""
        modes = self.period.modes
        share = 1.0 / (1.0 - self.turn * modes.values[:, :, None])
        start = modes.vectors @ ((modes.inverse @ forced) * share)
        ill = np.flatnonzero(modes.condition >= CONDITION_LIMIT)
        if len(ill):
            back = self.turn[ill].transpose(0, 2, 1)[..., None] * self.period.period_map[ill, None]
            right = forced[ill].transpose(0, 2, 1)[..., None]
            start[ill] = np.linalg.solve(np.eye(back.shape[-1]) - back, right)[..., 0].transpose(0, 2, 1)
        return start

    def _carry(self, k: int, z: NDArray[np.complex128] | None) -> NDArray[np.complex128]:
        forced = self.steps[k].forced
        if z is None:
            return forced
        return _real_times(self.period.intervals[k].exponential, z) * self.turns[k] + forced

    def _cross(self, k: int, z: NDArray[np.complex128], shifts: list[NDArray[np.complex128]]) -> NDArray[np.complex128]:
        """Carry a perturbation across an edge, and note the edge's shift (B,1,F) behind those before it.

        A delayed edge shifts as the edge it follows did; in the turning frame its shift has turned meanwhile.
        """
        edge = self.period.edges[k]
        shift = -(_real_times(edge.row[:, None, :], z) + edge.row_input[:, self.column, None, None])
        for j in occurring(edge.after[edge.after >= 0]):
            items = edge.after == j
            shift[items] = shifts[j][items] * np.exp(-self.jw[items] * edge.wait[items, None, None])
        shifts.append(shift)
        return z + edge.jump[:, :, None] * shift


def _real_times(matrix: NDArray[np.float64], z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Apply a real matrix (B,m,n) to complex columns (B,n,F), which is two real products, not four."""
    return (matrix @ np.ascontiguousarray(z).view(np.float64)).view(np.complex128)


def _sizes(z: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Size of complex numbers (.., F) within a factor of 1.5, without a root."""
    parts = np.abs(np.ascontiguousarray(z).view(np.float64))
    return parts[..., ::2] + parts[..., 1::2]


def _plain_sum(
    period: Period,
    integrals: Sequence[NDArray[np.complex128]],
    shifts: Sequence[NDArray[np.complex128]],
    column: int,
    rows: Sequence[int],
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Average of the outputs (B,q,F) over the period, and the summed size of its terms."""
    picked = list(rows)
    c = [i.C[:, picked] for i in period.intervals]
    d = sum(i.D[:, picked, column] * i.length[:, None] for i in period.intervals)
    impulses = [e.impulse[:, picked, None] for e in period.edges]
    return _weighted_sum(c, integrals, impulses, shifts, np.asarray(d))


def _weighted_sum(
    c: Sequence[NDArray[np.float64]],
    integrals: Sequence[NDArray[np.complex128]],
    impulses: Sequence[NDArray[np.float64]],
    shifts: Sequence[NDArray[np.complex128]],
    d: NDArray[np.float64],
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    total = np.broadcast_to(d[..., None], (*d.shape, integrals[0].shape[-1])).astype(complex)
    size = np.broadcast_to(np.abs(d)[..., None], total.shape).copy()
    for row, z in zip(c, integrals, strict=True):
        total += _real_times(row, z)
        size += np.abs(row) @ _sizes(z)
    for impulse, shift in zip(impulses, shifts, strict=True):
        total += impulse * shift
        size += np.abs(impulse) * _sizes(shift)
    return total, size


def _balanced_sum(
    period: Period,
    angle: NDArray[np.float64],
    motion: tuple[Sequence[NDArray[np.complex128]], Sequence[NDArray[np.complex128]]],
    column: int,
    rows: Sequence[int],
) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Average of the outputs with a multiple of the balance of the states added, and the size of its terms."""
    integrals, shifts = motion
    multiple = _multiples(period, rows)
    picked = list(rows)
    c = [_left_over(i.C[:, picked], multiple, i.A) for i in period.intervals]
    d = sum(
        _left_over(i.D[:, picked, column, None], multiple, i.B[:, :, column, None])[..., 0] * i.length[:, None]
        for i in period.intervals
    )
    impulses = [_left_over(e.impulse[:, picked, None], multiple, e.jump[:, :, None]) for e in period.edges]
    total, size = _weighted_sum(c, integrals, impulses, shifts, np.asarray(d))
    charge = np.asarray(sum(integrals))
    total -= 1j * angle[:, None, :] * _real_times(multiple, charge)
    size += angle[:, None, :] * (np.abs(multiple) @ _sizes(charge))
    return total, size


def _left_over(
    row: NDArray[np.float64], multiple: NDArray[np.float64], matrix: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Take ``row + multiple matrix`` where the two nearly cancel, in the longest numbers the machine has."""
    product = multiple.astype(np.longdouble) @ matrix.astype(np.longdouble)
    return np.asarray(row + product, np.float64)


def _multiples(period: Period, rows: Sequence[int]) -> NDArray[np.float64]:
    """Multiples (B,q,n) of the balance of the states that come nearest to cancelling the output rows at frequency zero.

    Least squares over the rows of all intervals, corrected once from its own residual.
    """
    picked = list(rows)
    A = np.concatenate([i.A * i.length[:, None, None] for i in period.intervals], axis=2)
    c = np.concatenate([i.C[:, picked] * i.length[:, None, None] for i in period.intervals], axis=2)
    scale = np.linalg.norm(A, axis=2)
    scale = np.where(scale > 0.0, scale, 1.0)
    b, n, m = A.shape
    equations = np.empty((b, m + n, n))
    equations[:, :m] = (A / scale[:, :, None]).transpose(0, 2, 1)
    equations[:, m:] = FLOOR * np.eye(n)
    Q, R = np.linalg.qr(equations)
    multiple = np.zeros((b, len(picked), n))
    for _ in range(2):
        residual = _left_over(c, multiple, A).transpose(0, 2, 1)
        step = np.linalg.solve(R, Q[:, :m].transpose(0, 2, 1) @ residual).transpose(0, 2, 1)
        multiple = multiple - step / scale[:, None, :]
    return multiple
