"""Poles and zeros of the averaged model, by frequency.

Zeros are the finite generalised eigenvalues of the system pencil ``M - s W``; those far beyond the switching frequency
are rounding of a zero at infinity. With ``K = M - S W`` at a shift S they are ``S + 1/mu``, mu the eigenvalues of
``K^-1 W`` (shift and invert; G. H. Golub, C. F. Van Loan, "Matrix Computations", 1996, from memory), each then taken to
the precision of the pencil by Newton's method on its determinant, whose logarithm has the derivative
``-trace((M - s W)^-1 W)``. The QZ algorithm would do the same, at the price of loading scipy.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.models.averaged import INPUTS, OUTPUTS, AveragedModel

if TYPE_CHECKING:
    from numpy.typing import NDArray

FARTHEST_ZERO = 1e3
"""Zeros beyond this many switching frequencies are rounding of a zero at infinity and are left out."""
SHIFT = 1.37
"""Where the pencil is inverted [rad per period]: on the real axis, where no stage has a zero by construction."""
APART = 2.0**-30
"""Relative distance from a zero at which Newton's step is taken: the pencil is singular at the zero itself."""
POLISHED = 2
"""Newton steps of every zero."""
SHORT_WAY = ("control", "v(regulated)")
"""Source and output whose zeros are found by shift and invert."""


def poles_hz(model: AveragedModel, item: int) -> NDArray[np.complex128]:
    """Poles of one item, by frequency [Hz].

    Parameters
    ----------
    model : AveragedModel
        The averaged model (B,).
    item : int
        Operating point, counted from zero [unitless].

    Returns
    -------
    ndarray (n,)
        Poles over two pi [Hz].
    """
    roots = np.linalg.eigvals(model.A[item]) / (2.0 * np.pi * model.period[item])
    return roots[np.argsort(np.abs(roots))].astype(complex)


def zeros_hz(
    model: AveragedModel, item: int, source: str = "control", output: str = "v(regulated)"
) -> NDArray[np.complex128]:
    """Finite transmission zeros of one item's response, by frequency [Hz].

    Parameters
    ----------
    model : AveragedModel
        The averaged model (B,).
    item : int
        Operating point, counted from zero [unitless].
    source : str
        One of its inputs.
    output : str
        One of its outputs.

    Returns
    -------
    ndarray (m,)
        Zeros over two pi [Hz]; of a pair the one above the real axis first.
    """
    n = model.A.shape[-1]
    j, i = INPUTS.index(source), OUTPUTS.index(output)
    pencil = np.zeros((n + 1, n + 1))
    pencil[:n, :n], pencil[:n, n] = model.A[item], model.B[item, :, j]
    pencil[n, :n], pencil[n, n] = model.C[item, i], model.D[item, i, j]
    scale = np.abs(pencil).max(axis=1)[:, None]
    pencil, weight = pencil / scale, np.diag([1.0] * n + [0.0]) / scale
    try:  # other responses have more zeros at infinity, which the short way can take for finite ones
        roots = _finite_eigenvalues(pencil, weight) if (source, output) == SHORT_WAY else _by_qz(pencil, weight)
    except np.linalg.LinAlgError:
        roots = _by_qz(pencil, weight)
    return roots / (2.0 * np.pi * model.period[item])


def _by_qz(pencil: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Finite generalised eigenvalues s (m,) of ``pencil - s weight`` by the QZ algorithm, by size."""
    from scipy.linalg import eig  # noqa: PLC0415  (a fifth of a second to import)

    alpha, beta = eig(pencil, weight, right=False, homogeneous_eigvals=True)
    finite = np.abs(alpha) < 2.0 * np.pi * FARTHEST_ZERO * np.abs(beta)
    roots = alpha[finite] / beta[finite]
    return np.asarray(roots[np.argsort(np.abs(roots))])


def _finite_eigenvalues(pencil: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Finite eigenvalues s (m,) of ``pencil - s weight``, whose weight has nothing in its last column, by size."""
    farthest = 2.0 * np.pi * FARTHEST_ZERO
    inverse = np.linalg.eigvals(np.linalg.solve(pencil - SHIFT * weight, weight[:, :-1])[:-1]).astype(complex)
    s = SHIFT + 1.0 / inverse[np.abs(inverse) * farthest > 1.0]
    s = s[s.imag >= 0.0]
    paired = s.imag > 0.0  # the lower one of each pair follows from it
    for _ in range(POLISHED if len(s) else 0):
        s = s * (1.0 + APART)
        s = s + 1.0 / np.trace(np.linalg.solve(pencil - s[:, None, None] * weight, weight[None]), axis1=1, axis2=2)
    order = np.argsort(np.abs(s))
    order = order[np.abs(s[order]) < farthest]
    s, paired = s[order], paired[order]
    return np.stack([s, s.conj()], axis=1)[np.stack([np.ones_like(paired), paired], axis=1)]


def quality(root: complex) -> float | None:
    """Q of a complex root [unitless], negative in the right half-plane; None for a real one.

    Parameters
    ----------
    root : complex
        A pole or zero [Hz] or [rad/s].

    Returns
    -------
    float or None
        |root| / (-2 Re root) [unitless].
    """
    if abs(root.imag) < 1e-9 * abs(root):
        return None
    return float(-abs(root) / (2.0 * root.real)) if root.real else float("inf")
