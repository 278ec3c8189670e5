"""Exact motion of a linear network between two switching instants, and the first instant at which a guard trips.

From a state ``x0`` at rest with its inputs the motion is

    x(t) = x0 + phi(t) (A x0 + b),    phi(t) = integral of exp(A s) over 0..t,

in modal form ``phi = V diag((exp(lambda t) - 1) / lambda) V^-1``, free of the equilibrium, which an integrator would
put far away or nowhere. A guard is a row ``h(t) = r x(t) + d + ramp t``; it trips where it rises through zero. All
guards are sampled at fixed instants at once (one small matrix product), the first bracket that shows a sign change is
closed by Newton's method on the exact function, and a hump between two samples is climbed before it is called harmless.
Where the eigenvectors are too ill-conditioned, exponentials of an augmented matrix take the place of the modal form.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.linear_algebra import expm, modal
from loopdesign.orbit.stepping.sampling import even_samples, first_trip, hump, instants

if TYPE_CHECKING:
    from numpy.typing import NDArray

EDGE_TOLERANCE = 1e-9
"""Newton step [periods] after which the next is its square times the curvature: below 1e-12 of a period."""
MODAL_CONDITION = 1e6
"""Eigenvector condition above which more than six digits would be lost and modal form is not used."""
SMALL_MODE = 1e-5
"""Size of an eigenvalue [1/period] below which the second integral of its exponential is taken as a series."""
UNSEEN = 1e-14
"""Share of the last row's largest modal weight below which it does not see a mode."""
GUARD_TOLERANCE = 1e-10
"""Guard value [V or A] at the start of a motion that is still rounding of an edge just passed."""
_STEPS = 60


class Piece:
    """One linear network in modal form.

    Parameters
    ----------
    A, b
        (n,n) and (n,): ``dx/dtheta = A x + b``, theta in periods.
    rows, offsets, ramps
        (m,n), (m,), (m,): what is watched, ``rows x + offsets + ramps theta``; the last row is the output.
    """

    def __init__(
        self,
        A: NDArray[np.float64],
        b: NDArray[np.float64],
        rows: NDArray[np.float64],
        offsets: NDArray[np.float64],
        ramps: NDArray[np.float64],
    ) -> None:
        self.A, self.b, self.rows, self.offsets, self.ramps = A, b, rows, offsets, ramps
        self.ramp = [float(r) for r in ramps]
        self.count = len(rows)
        modes = modal(A[None])
        self.good = float(modes.condition[0]) < MODAL_CONDITION
        times = instants(even_samples(modes.values[0]))
        self.instants: list[float] = times.tolist()
        self.ramping = np.outer(ramps, times) if np.any(ramps) else None
        if not self.good:
            self._tabulate()
            return
        values, vectors = modes.values[0], modes.vectors[0]
        kept = values.imag >= 0.0  # one of each conjugate pair stands for both
        weight = np.where(values.imag[kept] > 0.0, 2.0, 1.0)
        self.values = values[kept]
        self.vectors = vectors[:, kept] * weight
        self.inverse = np.ascontiguousarray(modes.inverse[0][kept])
        self.modal_rows = rows @ self.vectors
        self.modal_slopes = self.modal_rows * self.values
        zero = self.values == 0.0
        small = np.abs(self.values) < SMALL_MODE
        self.zero = np.flatnonzero(zero) if zero.any() else None
        seen = small & (np.abs(self.modal_rows[-1]) > UNSEEN * np.abs(self.modal_rows[-1]).max())
        self.small = np.flatnonzero(seen) if seen.any() else None
        self.small_values, self.small_row = self.values[seen], self.modal_rows[-1, seen]
        self.reciprocal = 1.0 / np.where(zero, 1.0, self.values)
        self.table = _real_part(np.array([self.phi(t) for t in self.instants]).T)
        # one product turns a state into state, watched rows, the mean flow of the last row, and every modal weight;
        # another turns modal weights into the change of state and rows, and the last row's integral
        n = len(A)
        slow = np.where(small, 0.0, self.modal_rows[-1] * self.reciprocal)
        opening = (self.inverse @ A).T.copy().view(np.float64).T
        self.opening = np.concatenate([np.eye(n), rows, (slow @ self.inverse @ A).real[None], opening])
        closing = np.concatenate([self.vectors, self.modal_rows, slow[None]])
        self.closing = np.ascontiguousarray(_real_part(closing.T).T)
        self.slow = slow
        self.ends = (n, n + self.count, n + self.count + 1)
        self.set_drive(b, offsets)

    def _tabulate(self) -> None:
        table = np.array([self.matrices(t)[1] for t in self.instants])
        self.row_table = np.einsum("mn,knp->mkp", self.rows, table)

    def set_drive(self, b: NDArray[np.float64], offsets: NDArray[np.float64]) -> None:
        """Change the drive (n,) and the offsets of the rows (q,) [1/period], [units of the rows]."""
        self.b, self.offsets = b, offsets
        if self.good:
            drive = self.inverse @ b
            mean = float((self.slow @ drive).real)
            self.opening_offsets = np.concatenate([np.zeros(len(b)), offsets, [mean], drive.view(np.float64)])

    def phi(self, t: float) -> NDArray[np.complex128]:
        """``(exp(lambda t) - 1) / lambda`` of every mode (k,) [periods]."""
        p: NDArray[np.complex128] = self.values * t
        np.expm1(p, out=p)
        p *= self.reciprocal
        if self.zero is not None:
            p[self.zero] = t
        return p

    def small_integral(self, weights: NDArray[np.complex128], t: float) -> float:
        """Second integral of the slow modes of the last row, whose reciprocals cancel: a series in ``t`` [periods]."""
        z = self.small_values * t
        series = 1.0 + z / 3.0 * (1.0 + z / 4.0)
        return 0.5 * t * t * float((self.small_row * weights[self.small] @ series).real)

    def matrices(self, t: float) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """``exp(A t)`` and its first and second integral (n,n) over ``t`` [periods], without eigenvectors.

        C. F. Van Loan, "Computing integrals involving the matrix exponential", IEEE Trans. AC 23(3), 1978 (from
        memory).
        """
        n = len(self.A)
        M = np.zeros((3 * n, 3 * n))
        M[:n, :n] = self.A
        M[:n, n : 2 * n] = M[n : 2 * n, 2 * n :] = np.eye(n)
        E = expm(M * t)
        return E[:n, :n], E[:n, n : 2 * n], E[:n, 2 * n :]

    def move(self, x: NDArray[np.float64], theta: float = 0.0) -> Motion:
        """Begin a motion at a state (n,) and a time since the clock [periods]."""
        return Motion(self, x, theta) if self.good else PlainMotion(self, x, theta)


class Motion:
    """Motion of a piece from one state, in modal form."""

    __slots__ = (
        "_at", "_base", "_row", "_slope", "_slopes", "_when", "grid", "piece", "row_weights", "start", "theta",
        "values", "weights", "x",
    )  # fmt: skip

    def __init__(self, piece: Piece, x: NDArray[np.float64], theta: float) -> None:
        self.piece, self.x, self.theta = piece, x, theta
        self.grid: list[list[float]] | None = None
        self._when, self._row = -1.0, -1
        self._at: tuple[NDArray[np.float64], list[float], float]
        self.values: NDArray[np.float64]
        self._prepare()
        if theta and piece.ramping is not None:
            self.values += piece.ramps * theta
        self.start: list[float] = self.values.tolist()

    def _prepare(self) -> None:
        p = self.piece
        opened: NDArray[np.float64] = p.opening @ self.x
        opened += p.opening_offsets
        n, m, k = p.ends
        self._base = opened[:k]
        self.values = opened[n:m]
        self.weights = opened[k:].view(np.complex128)
        self.row_weights = p.modal_rows * self.weights

    def flow(self) -> NDArray[np.float64]:
        """Rate of the state at the start."""
        rate: NDArray[np.float64] = self.piece.A @ self.x + self.piece.b
        return rate

    def slopes(self) -> list[float]:
        """Slope of every row at the start."""
        slope: list[float] = (self.piece.rows @ self.flow() + self.piece.ramps).tolist()
        return slope

    def samples(self) -> NDArray[np.float64]:
        """Every row at the sampling instants (m,K)."""
        moved: NDArray[np.float64] = self.row_weights.view(np.float64) @ self.piece.table
        moved += self.values[:, None]
        if self.piece.ramping is not None:
            moved += self.piece.ramping
        return moved

    def at(self, t: float) -> tuple[NDArray[np.float64], list[float], float]:
        """State (n,), every row, and the integral of the last row from the start, at an instant ``t`` [periods]."""
        if t != self._when:
            p = self.piece
            n, m, _ = p.ends
            moved: NDArray[np.float64] = p.closing @ (self.weights * p.phi(t)).view(np.float64)
            mean = float(self._base[m])
            integral = self.start[-1] * t + float(moved[m]) - mean * t
            if p.small is not None:
                integral += p.small_integral(self.weights, t)
            moved += self._base
            if p.ramping is not None:
                moved[n:m] += p.ramps * t
            self._when, self._at = t, (moved[:n], moved[n:m].tolist(), integral)
        return self._at

    def row(self, k: int, t: float) -> tuple[float, float]:
        """One row and its slope at an instant ``t`` [periods]."""
        p = self.piece
        if self._row != k:  # the same row is asked for several times in a search
            self._row, self._slopes = k, p.modal_slopes[k] * self.weights
            self._slope = p.ramp[k] + float(np.add.reduce(self.row_weights[k]).real)
        phi = p.phi(t)
        value = self.start[k] + p.ramp[k] * t + float((self.row_weights[k] @ phi).real)
        return value, self._slope + float((self._slopes @ phi).real)

    def first(self, guards: int, span: float, warm: float | None, fresh: int | None = None) -> tuple[int, float] | None:
        """Find the first guard to trip within a span.

        Parameters
        ----------
        guards
            Number of guards [unitless]; they are the first rows.
        span
            Time looked at [periods].
        warm
            Where the instant was last time, to begin from [periods].
        fresh
            Guard, by index [unitless], that would undo the edge just passed: it starts at zero and may have no slope,
            so that rounding must not decide.

        Returns
        -------
        (int, float) or None
            Guard and instant.
        """
        tripped = self._at_once(guards, fresh)
        if tripped is not None:
            return tripped, 0.0
        self.grid = grid = self.samples().tolist()
        if not guards:
            return None
        times = self.piece.instants
        count = bisect_right(times, span)
        first, rows, humps = first_trip(grid[:guards], count, times)
        if first == count:
            ends = self.at(span)[1]
            rows = [k for k in range(guards) if ends[k] > 0.0]
            if count > 1:
                humps += [
                    (times[count - 2], span, k)
                    for k in range(guards)
                    if hump(grid[k][count - 2], grid[k][count - 1], ends[k])
                ]
        for low, high, k in sorted(humps):
            peak = self._peak(k, low, high)
            if self.row(k, peak)[0] > 0.0:
                return k, self._root(k, low, peak, None)
        if not rows:
            return None
        return self._close(rows, times[first - 1], times[first] if first < count else span, warm)

    def extremes(self, t: float) -> tuple[float, float]:
        """Lowest and highest sample of the last row up to an instant ``t`` [periods], its start included."""
        if self.grid is None:
            return self.start[-1], self.start[-1]
        seen = self.grid[-1][: bisect_right(self.piece.instants, t)]
        return min(seen), max(seen)

    def _at_once(self, guards: int, fresh: int | None) -> int | None:
        """Guard that is tripped already, or about to from zero; rounding of an edge just passed is not."""
        near = [k for k in range(guards) if self.start[k] > -GUARD_TOLERANCE]
        if not near:
            return None
        slopes = self.slopes()
        for k in near:
            if self.start[k] > GUARD_TOLERANCE or (k != fresh and self.start[k] >= 0.0 and slopes[k] > 0.0):
                return k
        return None

    def _peak(self, k: int, low: float, high: float) -> float:
        """Bisect the slope of a row for its maximum."""
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.row(k, middle)[1] > 0.0 else (low, middle)
        return 0.5 * (low + high)

    def _close(self, rows: list[int], low: float, high: float, warm: float | None) -> tuple[int, float] | None:
        """Close the bracket of every tripped guard; return the earliest."""
        best: tuple[int, float] | None = None
        for k in rows:
            if best is None:
                best = (k, self._root(k, low, high, warm))
            elif self.row(k, best[1])[0] > 0.0:
                best = (k, self._root(k, low, best[1], None))
        return best

    def _root(self, k: int, low: float, high: float, warm: float | None) -> float:
        """Newton's method inside a bracket whose lower end is below zero."""
        t = warm if warm is not None and low < warm < high else 0.5 * (low + high)
        for _ in range(_STEPS):
            value, slope = self.row(k, t)
            if value > 0.0:
                high = t
            else:
                low = t
            step = -value / slope if slope > 0.0 else high - low
            t += step
            if abs(step) < EDGE_TOLERANCE:
                return min(max(t, low), high)
            if not low < t < high:
                t = 0.5 * (low + high)
                if high - low < 1e-14:
                    return t
        return t


class PlainMotion(Motion):
    """The same without eigenvectors, for networks whose eigenvectors nearly coincide."""

    __slots__ = ("_flow",)

    def _prepare(self) -> None:
        p = self.piece
        self.values = p.rows @ self.x + p.offsets
        self._flow = self.flow()

    def samples(self) -> NDArray[np.float64]:
        """Every row at the sampling instants (m,K)."""
        moved: NDArray[np.float64] = self.piece.row_table @ self._flow + self.values[:, None]
        return moved if self.piece.ramping is None else moved + self.piece.ramping

    def at(self, t: float) -> tuple[NDArray[np.float64], list[float], float]:
        """State (n,), every row, and the integral of the last row from the start, at an instant ``t`` [periods]."""
        p = self.piece
        _, phi, psi = p.matrices(t)
        rows = self.values + p.rows @ (phi @ self._flow) + p.ramps * t
        integral = self.start[-1] * t + float(p.rows[-1] @ (psi @ self._flow))
        return self.x + phi @ self._flow, rows.tolist(), integral

    def row(self, k: int, t: float) -> tuple[float, float]:
        """One row and its slope at an instant ``t`` [periods]."""
        p = self.piece
        growth, phi, _ = p.matrices(t)
        value = self.start[k] + p.ramp[k] * t + float(p.rows[k] @ (phi @ self._flow))
        return value, p.ramp[k] + float(p.rows[k] @ (growth @ self._flow))


def _real_part(columns: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Stack (k,K) so that complex rows (.., k) viewed as reals, times the stack (2k,K), give the real part."""
    return np.stack([columns.real, -columns.imag], axis=1).reshape(2 * len(columns), -1)
