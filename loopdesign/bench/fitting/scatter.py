"""How much every point of a measurement scatters, found from the points themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.compare import scatter_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Real = NDArray[np.float64]
    Complex = NDArray[np.complex128]

FINEST_DB, FINEST_DEG = 0.02, 0.1
"""Least scatter of gain and phase assumed: what a good analyser promises (common practice)."""
BLOCK = 12
"""Points of a block in the test whether the scatter is the same at all frequencies."""
UNEVEN = 1e-4
"""Probability below which equal scatter is given up by Bartlett's test of equal variances (common practice)."""
NEIGHBOURS = 7
"""Points to either side that tell the scatter of one where it is not the same everywhere."""
STEADY = 6.0
"""Weight of the mean scatter, in points, beside that of the neighbours."""
FINEST = complex(FINEST_DB * np.log(10.0) / 20.0, np.radians(FINEST_DEG))


def scatter_at_first(measured: Complex, reference: Complex) -> Complex:
    """Estimate the scatter before anything is fitted, from how the points depart from lines between their neighbours.

    Parameters
    ----------
    measured, reference : ndarray (F,)
        Complex values over rising frequency [unitless] or [ohm].

    Returns
    -------
    ndarray (F,)
        Standard deviation of ``ln|.|`` as real and of the angle [rad] as imaginary part.
    """
    db, deg = scatter_of(measured, reference)
    one = complex(max(db * np.log(10.0) / 20.0, FINEST.real), max(float(np.radians(deg)), FINEST.imag))
    return np.full(len(measured), one)


def scatter_of_residuals(away: Complex, freedom: float) -> Complex:
    """Estimate the scatter from what a fit leaves: the same everywhere, or by neighbours where that cannot be.

    Parameters
    ----------
    away : ndarray (F,)
        What is left: ``ln|measured/predicted|`` as real, the angle [rad] as imaginary part.
    freedom : float
        Values fitted per channel [unitless].

    Returns
    -------
    ndarray (F,)
        Standard deviation of each as `scatter_at_first`.
    """
    channels = [
        np.maximum(_channel(part, freedom), least)
        for part, least in ((away.real, FINEST.real), (away.imag, FINEST.imag))
    ]
    return np.asarray(channels[0] + 1j * channels[1])


def _channel(left: Real, freedom: float) -> Real:
    """Scatter of one channel (F,)."""
    count = len(left)
    wild = np.abs(left) > 5.0 * 1.4826 * np.median(np.abs(left)) + 1e-300  # a few wild points say nothing of the rest
    square = np.where(wild, np.mean(left[~wild] ** 2), left**2) if (~wild).any() else left**2
    mean = float(square.sum() / max(count - freedom, 1.0))
    if count < 3 * BLOCK or not _uneven(square):
        return np.full(count, np.sqrt(mean))
    around = np.concatenate([np.ones(NEIGHBOURS), [0.0], np.ones(NEIGHBOURS)])
    weight = np.convolve(np.ones(count), around, "same")
    near = np.convolve(square, around, "same")
    return np.asarray(np.sqrt((near + STEADY * mean) / (weight + STEADY)))


def _uneven(square: Real) -> bool:
    """Whether blocks of neighbours differ more in their variance than chance lets them."""
    from scipy.special import gammaincc  # noqa: PLC0415  (only a fit needs it)

    blocks = [b.mean() for b in np.array_split(square, len(square) // BLOCK)]
    variances, size, count = np.maximum(blocks, 1e-300), len(square) / len(blocks), len(blocks)
    pooled = float(np.mean(variances))
    statistic = (
        size * float(count * np.log(pooled) - np.log(variances).sum()) / (1.0 + (count + 1) / (3 * count * size))
    )
    return bool(gammaincc((count - 1) / 2.0, statistic / 2.0) < UNEVEN)
