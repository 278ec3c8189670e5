"""Integrals of a perturbation over one interval, at many frequencies at once.

    single: integral of exp((A - jw) s),    double: integral of (tau - s) exp((A - jw) s),    s from 0 to tau

carry what enters an interval, and what drives it, to the integral of the state. They are taken in modal form; for items
whose eigenvectors are ill-conditioned (poles that coincide) a series is doubled until it spans the interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.linear_algebra import CONDITION_LIMIT, Modal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

SERIES_BELOW = 0.1
"""Size of ``p = (jw - lambda) tau`` below which the closed form, a difference of near equals, gives way to a series."""

SERIES = tuple((-1.0) ** k / factorial(k + 2) for k in range(9, -1, -1))
"""Coefficients of ``(p - 1 + exp(-p)) / p^2``, highest power first: the first left out is below 1e-18 of the sum."""

SERIES_TERMS = 14
"""Terms of the doubled series: at a norm of one half the next is below 1e-17."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """One interval between edges: ``dx/dtheta = A x + B u``, ``y = C x + D u``, theta in periods.

    Attributes
    ----------
    A, B, C, D
        Matrices (B,n,n), (B,n,p), (B,q,n), (B,q,p).
    length
        (B,) length [periods].
    exponential
        (B,n,n) transition matrix over the interval.
    modes
        Modal form of A.
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    C: NDArray[np.float64]
    D: NDArray[np.float64]
    length: NDArray[np.float64]
    exponential: NDArray[np.float64]
    modes: Modal


class ModalStep:
    """Integrals over one interval in modal form."""

    def __init__(
        self, interval: Interval, jw: NDArray[np.complex128], turn: NDArray[np.complex128], column: int
    ) -> None:
        self.modes = interval.modes
        length = interval.length[:, None, None]
        values = self.modes.values[:, :, None]
        drive = self.modes.inverse @ interval.B[:, :, column, None]
        reciprocal = _reciprocal(jw, values)
        self.single = (1.0 - np.exp(values * length) * turn) * reciprocal
        double = (length - self.single) * reciprocal
        slow = np.flatnonzero((np.abs(values.real) * length < SERIES_BELOW).any(axis=(0, 2)))
        exponent = (jw - values[:, slow]) * length
        small = np.abs(exponent.real) + np.abs(exponent.imag) < SERIES_BELOW
        if small.any():
            p, tau = exponent[small], np.broadcast_to(length, small.shape)[small]
            share = np.full(p.shape, SERIES[0], complex)
            for coefficient in SERIES[1:]:
                share = share * p + coefficient
            item, mode, place = np.nonzero(small)
            double[item, slow[mode], place] = tau**2 * share
            self.single[item, slow[mode], place] = tau * (1.0 - p * share)
        self.forced = self.modes.vectors @ (self.single * drive)
        self.driven = double * drive

    def integral(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Integral (B,n,F) of the perturbation that enters the interval as ``z``.

        Parameters
        ----------
        z : ndarray (B, n, F)
            Perturbation of the normalised states at the begin of the interval [unitless].

        Returns
        -------
        ndarray (B, n, F)
            Its integral over the interval, in periods [unitless].
        """
        return self.modes.vectors @ (self.single * (self.modes.inverse @ z) + self.driven)


def _reciprocal(jw: NDArray[np.complex128], values: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """``1 / (jw - values)`` of imaginary ``jw`` (B,1,F) and values (B,n,1), part by part, which is quicker."""
    away, turn = -values.real, jw.imag - values.imag
    square = 1.0 / (away * away + turn * turn)
    result = np.empty(turn.shape, complex)
    np.multiply(away, square, out=result.real)
    np.multiply(-turn, square, out=result.imag)
    return result


class SeriesStep:
    """Integrals over one interval by a series that is doubled until it spans the interval; needs no eigenvectors."""

    def __init__(self, interval: Interval, jw: NDArray[np.complex128], column: int) -> None:
        n = interval.A.shape[-1]
        length = interval.length[:, None, None, None]
        matrix = (interval.A[:, None] - jw.transpose(0, 2, 1)[..., None] * np.eye(n)) * length
        single, double = _integrals_of_exponential(matrix)
        drive = interval.B[:, None, :, column, None]
        self.single = single * length
        self.forced = _frequency_last(self.single @ drive)
        self.driven = _frequency_last(double @ drive * length**2)

    def integral(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Integral (B,n,F) of the perturbation that enters the interval as ``z``.

        Parameters
        ----------
        z : ndarray (B, n, F)
            Perturbation of the normalised states at the begin of the interval [unitless].

        Returns
        -------
        ndarray (B, n, F)
            Its integral over the interval, in periods [unitless].
        """
        return _frequency_last(self.single @ z.transpose(0, 2, 1)[..., None]) + self.driven


class MixedStep:
    """Integrals over one interval, each item of the batch in the form that suits it; zero where it has no length."""

    def __init__(
        self, parts: Sequence[tuple[NDArray[np.intp], ModalStep | SeriesStep]], shape: tuple[int, ...]
    ) -> None:
        self.parts = parts
        self.forced = np.zeros(shape, complex)
        for items, step in parts:
            self.forced[items] = step.forced

    def integral(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Integral (B,n,F) of the perturbation that enters the interval as ``z``.

        Parameters
        ----------
        z : ndarray (B, n, F)
            Perturbation of the normalised states at the begin of the interval [unitless].

        Returns
        -------
        ndarray (B, n, F)
            Its integral over the interval, in periods [unitless].
        """
        result = np.zeros(z.shape, complex)
        for items, step in self.parts:
            result[items] = step.integral(z[items])
        return result


def integrals_over(
    interval: Interval, jw: NDArray[np.complex128], turn: NDArray[np.complex128], column: int
) -> ModalStep | MixedStep:
    """Integrals over an interval at ``jw`` (B,1,F), driven by one input, each item in the form that suits it.

    ``turn`` (B,1,F) is ``exp(-jw length)``.

    Parameters
    ----------
    interval : Interval
        One interval of the period (B,).
    jw : ndarray (B, 1, F)
        Imaginary turn per period [rad].
    turn : ndarray (B, 1, F)
        ``exp(-jw length)`` [unitless].
    column : int
        Input, by index [unitless].

    Returns
    -------
    ModalStep or MixedStep
        How the interval maps what enters it.
    """
    good, some = interval.modes.condition < CONDITION_LIMIT, interval.length != 0.0
    if some.all() and good.all():
        return ModalStep(interval, jw, turn, column)
    well, ill = np.flatnonzero(some & good), np.flatnonzero(some & ~good)
    parts: list[tuple[NDArray[np.intp], ModalStep | SeriesStep]] = []
    if len(well):
        parts.append((well, ModalStep(_taken(interval, well), jw[well], turn[well], column)))
    if len(ill):
        parts.append((ill, SeriesStep(_taken(interval, ill), jw[ill], column)))
    return MixedStep(parts, (len(good), interval.A.shape[-1], jw.shape[-1]))


def _taken(interval: Interval, items: NDArray[np.intp]) -> Interval:
    return Interval(
        A=interval.A[items], B=interval.B[items], C=interval.C[items], D=interval.D[items],
        length=interval.length[items], exponential=interval.exponential[items], modes=interval.modes.take(items),
    )  # fmt: skip


def _integrals_of_exponential(
    matrix: NDArray[np.complex128],
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Single and double integral of ``exp(M s)`` over s from 0 to 1, for a stack of matrices.

    With ``f1 = integral of exp(M s)`` and ``f2 = integral of (1 - s) exp(M s)`` they double as
    ``f1(2M) = (exp(M) + 1) f1(M) / 2`` and ``f2(2M) = (f1(M)^2 + 2 f2(M)) / 4`` (derived). N. J. Higham, "Functions of
    Matrices", 2008, chapter 10, has the general phi functions (from memory).
    """
    norm = float(np.abs(matrix).sum(axis=-1).max(initial=0.0))
    doublings = max(0, int(np.ceil(np.log2(max(norm, 1e-300) / 0.5))))
    M = matrix / 2.0**doublings
    identity = np.eye(M.shape[-1])
    double = (identity / (SERIES_TERMS + 2.0)).astype(complex)
    for k in range(SERIES_TERMS + 1, 1, -1):
        double = (identity + M @ double) / k
    single = identity + M @ double
    exponential = identity + M @ single
    for _ in range(doublings):
        double = 0.25 * (single @ single) + 0.5 * double
        single = 0.5 * (single + exponential @ single)
        exponential = exponential @ exponential
    return single, double


def _frequency_last(vectors: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Bring columns (B,F,n,1) into the shape (B,n,F)."""
    return np.ascontiguousarray(vectors[..., 0].transpose(0, 2, 1))
