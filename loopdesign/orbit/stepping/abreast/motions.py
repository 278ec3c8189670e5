"""Motions of one piece from many states at once: what `motion.Motion` does for one, an array operation each.

The shapes carry the states in front: a batch of K motions that end by the same guard, or at instants of their own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.stepping.motion import EDGE_TOLERANCE, GUARD_TOLERANCE
from loopdesign.orbit.stepping.sampling import humps

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.motion import Piece

    Array = NDArray[np.float64]

NEWTON = 12
"""Most steps of Newton's method; a warm start needs three."""


class Motions:
    """Motions of a piece in modal form from K states.

    Parameters
    ----------
    piece
        The linear network.
    x
        States (K,n) [unitless].
    theta
        Time since the clock (K,) [periods].
    """

    __slots__ = ("base", "end", "phi", "piece", "rows", "slope", "span", "start", "theta", "weights", "x")

    def __init__(self, piece: Piece, x: Array, theta: Array) -> None:
        self.piece, self.x, self.theta = piece, x, theta
        opened = x @ piece.opening.T
        opened += piece.opening_offsets
        n, m, k = piece.ends
        self.base = opened[:, :k]
        self.start = opened[:, n:m]
        if piece.ramping is not None:
            self.start += piece.ramps * theta[:, None]
        self.weights = opened[:, k:].view(np.complex128)
        self.span: Array
        self.phi: NDArray[np.complex128]
        self.slope: Array
        self.end: Array
        self.rows: Array

    def _phi(self, t: Array) -> NDArray[np.complex128]:
        """``(exp(lambda t) - 1) / lambda`` of every mode (K,k) [periods]."""
        p = self.piece
        phi: NDArray[np.complex128] = t[:, None] * p.values
        np.expm1(phi, out=phi)
        phi *= p.reciprocal
        if p.zero is not None:
            phi[:, p.zero] = t[:, None]
        return phi

    def stay(self) -> NDArray[np.bool_]:
        """End the motions where they begin; nothing is looked for."""
        self.span = np.zeros(len(self.x))
        return np.ones(len(self.x), dtype=bool)

    def last(self, span: Array) -> NDArray[np.bool_]:
        """End the motions after a time (K,) [periods]; return which have one (K,)."""
        self.span = span
        lasts: NDArray[np.bool_] = span >= 0.0
        return lasts

    def root(self, k: int, warm: Array) -> NDArray[np.bool_]:
        """Close in on the instant at which a guard rises through zero; return where that was found (K,).

        Parameters
        ----------
        k
            The guard, by index [unitless].
        warm
            Where to begin (K,) [periods].
        """
        p, t = self.piece, warm
        weights, ramp, level = p.modal_rows[k] * self.weights, p.ramp[k], self.start[:, k]
        slopes, first = p.modal_slopes[k] * self.weights, p.ramp[k] + weights.sum(axis=1).real
        step = np.full(len(t), np.inf)
        for _ in range(NEWTON):
            phi = self._phi(t)
            value = level + ramp * t + np.einsum("kj,kj->k", weights, phi).real
            self.slope = first + np.einsum("kj,kj->k", slopes, phi).real
            step = -value / self.slope
            t = np.clip(t + step, 0.0, 1.0)
            if not np.any(np.abs(step) >= EDGE_TOLERANCE):
                break
        found: NDArray[np.bool_] = (np.abs(step) < EDGE_TOLERANCE) & (self.slope > 0.0)
        self.span = t
        return found

    def close(self) -> Array:
        """Move on to the ends of the spans; return the integral of the last row up to there (K,)."""
        p, t = self.piece, self.span
        n, m, _ = p.ends
        self.phi = self._phi(t)
        moved = (self.weights * self.phi).view(np.float64) @ p.closing.T
        integral: Array = self.start[:, -1] * t + moved[:, m] - self.base[:, m] * t
        if p.small is not None:
            z = t[:, None] * p.small_values
            series = (1.0 + z / 3.0 * (1.0 + z / 4.0)) * self.weights[:, p.small] * p.small_row
            integral += 0.5 * t * t * series.sum(axis=1).real
        moved += self.base
        if p.ramping is not None:
            moved[:, n:m] += p.ramps * t[:, None]
        self.end, self.rows = moved[:, :n], moved[:, n:m]
        return integral

    def along(self, t: Array) -> Array:
        """Return the states (K,n) after times (K,) of their own [periods]."""
        self.last(t)
        self.close()
        return self.end

    def maps(self, spread: Array) -> Array:
        """``exp(A t)`` over the spans (K,n,n) [unitless], from what `spread` makes of the piece [unitless]."""
        growth = 1.0 + self.phi * self.piece.values
        n = self.piece.ends[0]
        return (growth.view(np.float64) @ spread).reshape(-1, n, n)

    def flow(self) -> Array:
        """Rate of the state at the ends (K,n) [1/period]."""
        rate: Array = self.end @ self.piece.A.T + self.piece.b
        return rate

    def trips(self, count: int, heard: int, fresh: int | None) -> NDArray[np.bool_]:
        """Which guards (c,heard) of the first motions [unitless] are tripped at their start, the fresh one aside."""
        p, level = self.piece, self.start[:count, :heard]
        near = level > -GUARD_TOLERANCE
        if not near.any():
            return near
        slopes = (self.x[:count] @ p.A.T + p.b) @ p.rows[:heard].T + p.ramps[:heard]
        about = (level >= 0.0) & (slopes > 0.0)
        if fresh is not None:
            about[:, fresh] = False
        return (level > GUARD_TOLERANCE) | about

    def clear(self, count: int, heard: int, guard: int) -> NDArray[np.bool_]:
        """Whether no other guard trips before the ends of the first motions, or may between samples (c,).

        Parameters
        ----------
        count
            Motions looked at [unitless].
        heard
            Guards that are heard [unitless]; they are the first rows.
        guard
            The one that ends them; -1 for none [unitless].
        """
        before, rows = self._before(count), self.rows[:count, :heard]
        level = self._samples(count, slice(0, heard))
        tripped = (level[:, :, 1:] > 0.0) & before[:, None, 1:]
        beyond = rows > 0.0
        if guard >= 0:
            beyond[:, guard] = False
        fine = ~(tripped.any(axis=(1, 2)) | beyond.any(axis=1))
        number = before.sum(axis=1)  # samples up to the end
        last = np.arange(count)[:, None], np.arange(heard)[None, :]
        ends = humps(level[..., :-2], level[..., 1:-1], level[..., 2:])
        seen = np.concatenate([before[:, :1], before], axis=1)[:, None, 2:-1]  # the first beyond the end counts
        fine &= ~(ends & seen).any(axis=(1, 2))
        if guard < 0:
            left, middle = (level[(*last, np.maximum(number - j, 0)[:, None])] for j in (2, 1))
            fine &= ~((number[:, None] > 1) & humps(left, middle, rows)).any(axis=1)
        return fine

    def extremes(self, count: int) -> tuple[Array, Array]:
        """Lowest and highest of the last row up to the end (c,) [V], of a number of first motions [unitless]."""
        before, level = self._before(count), self._samples(count, slice(-1, None))[:, 0]
        end = self.rows[:count, -1]
        low = np.where(before, level, np.inf).min(axis=1)
        high = np.where(before, level, -np.inf).max(axis=1)
        return np.minimum(low, end), np.maximum(high, end)

    def _before(self, count: int) -> NDArray[np.bool_]:
        """Tell which samples (c,S) lie up to the ends."""
        return np.array(self.piece.instants) <= self.span[:count, None]

    def _samples(self, count: int, rows: slice) -> Array:
        """Return some rows at the sampling instants (c,m,S)."""
        p = self.piece
        weights = p.modal_rows[rows] * self.weights[:count, None, :]
        moved: Array = weights.view(np.float64) @ p.table
        moved += self.start[:count, rows, None]
        if p.ramping is not None:
            moved += p.ramping[rows]
        return moved


def spread(piece: Piece) -> Array:
    """Prepare what turns exponentials of the modes into ``exp(A t)``.

    Parameters
    ----------
    piece : Piece
        A linear network in modal form.

    Returns
    -------
    ndarray (2k,n*n)
        A factor behind (K,k) complex exponentials viewed as reals [unitless].
    """
    terms = (piece.vectors.T[:, :, None] * piece.inverse[:, None, :]).reshape(len(piece.values), -1)
    factor: Array = np.stack([terms.real, -terms.imag], axis=1).reshape(2 * len(terms), -1)
    return factor
