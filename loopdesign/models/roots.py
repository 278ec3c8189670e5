"""Poles and zeros of the averaged model, by frequency.

Zeros are the finite generalised eigenvalues of the system pencil; those far beyond the switching frequency are rounding
of a zero at infinity.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.models.averaged import INPUTS, OUTPUTS, AveragedModel

if TYPE_CHECKING:
    from numpy.typing import NDArray

FARTHEST_ZERO = 1e3
"""Zeros beyond this many switching frequencies are rounding of a zero at infinity and are left out."""


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
        Zeros over two pi [Hz].
    """
    from scipy.linalg import eig  # noqa: PLC0415  (a fifth of a second to import)

    n = model.A.shape[-1]
    j, i = INPUTS.index(source), OUTPUTS.index(output)
    pencil = np.zeros((n + 1, n + 1))
    pencil[:n, :n], pencil[:n, n] = model.A[item], model.B[item, :, j]
    pencil[n, :n], pencil[n, n] = model.C[item, i], model.D[item, i, j]
    scale = np.abs(pencil).max(axis=1)
    weight = np.diag([1.0] * n + [0.0])
    alpha, beta = eig(pencil / scale[:, None], weight / scale[:, None], right=False, homogeneous_eigvals=True)
    limit = 2.0 * np.pi * FARTHEST_ZERO
    finite = np.abs(alpha) < limit * np.abs(beta)
    roots = alpha[finite] / beta[finite] / (2.0 * np.pi * model.period[item])
    return roots[np.argsort(np.abs(roots))]


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
