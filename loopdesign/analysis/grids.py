"""Frequency grids of the analyses: one band for loop gains, one for impedances, and points of interest among them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.models.insight import Plant

LOWEST_SHARE = 3e-5
"""Lowest frequency a loop gain is examined at, as a share of the switching frequency."""
NEAR_DC_SHARE = 1e-9
"""The same where no crossover is found above that."""
LOWEST_SHARE_OF_IMPEDANCES = 1e-4
"""Lowest share for impedances, which are flat or of known slope below."""
HIGHEST_SHARE = 0.5
"""Highest frequency examined: what lies above folds back below it."""
FOLLOWED = 300
"""Points along which a phase is followed, besides those around poles and zeros."""
AROUND_ROOTS = (0.9, 0.97, 0.99, 0.997, 1.0, 1.003, 1.01, 1.03, 1.1)
"""Points around a pole or a zero, as shares of its own frequency."""


def band(switching_hz: float, lowest_share: float = LOWEST_SHARE) -> tuple[float, float]:
    """Return the lowest and the highest frequency examined [Hz].

    Parameters
    ----------
    switching_hz : float
        Switching frequency [Hz].
    lowest_share : float
        Lowest frequency as a share of it [unitless].

    Returns
    -------
    low, high : float
        Ends of the band [Hz].
    """
    return lowest_share * switching_hz, HIGHEST_SHARE * switching_hz


def even_grid(switching_hz: float, count: int, lowest_share: float = LOWEST_SHARE) -> NDArray[np.float64]:
    """Return a grid of equal ratios over the whole band.

    Parameters
    ----------
    switching_hz : float
        Switching frequency [Hz].
    count : int
        Number of points [unitless].
    lowest_share : float
        Lower end of the band as a share of the switching frequency [unitless].

    Returns
    -------
    ndarray (count,)
        Frequencies, rising [Hz].
    """
    return np.geomspace(*band(switching_hz, lowest_share), count)


def grid_with(
    switching_hz: float, count: int, *points: NDArray[np.float64], lowest_share: float = LOWEST_SHARE
) -> NDArray[np.float64]:
    """Return an even grid with further points among it.

    Parameters
    ----------
    switching_hz : float
        Switching frequency [Hz].
    count : int
        Number of points of the even grid [unitless].
    lowest_share : float
        Lower end of the band as a share of the switching frequency [unitless].
    *points : ndarray
        Frequencies of interest, of any shape; those outside the band are left out [Hz].

    Returns
    -------
    ndarray
        (F,) frequencies, rising, each once [Hz].
    """
    low, high = band(switching_hz, lowest_share)
    grid = np.unique(np.concatenate([even_grid(switching_hz, count, lowest_share), *(np.ravel(p) for p in points)]))
    return grid[(grid >= low) & (grid <= high)]


def followed_phase_deg(
    response: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    frequencies_hz: NDArray[np.float64],
    plant: Plant,
    switching_hz: float,
) -> NDArray[np.float64]:
    """Follow a phase from the lowest frequency of the band up, over every resonance of the plant.

    The frequencies asked for may be few and far apart; between them a phase may turn unseen.

    Parameters
    ----------
    response : callable
        Complex values (N,) at frequencies (N,) [Hz].
    frequencies_hz : ndarray (F,)
        Frequencies asked for, in any order [Hz].
    plant : Plant
        Its poles and zeros say where a phase turns.
    switching_hz : float
        Switching frequency [Hz].

    Returns
    -------
    ndarray (F,)
        Phase without jumps; it begins in (-180, 180] [deg].
    """
    low, high = min(LOWEST_SHARE * switching_hz, float(frequencies_hz.min())), float(frequencies_hz.max())
    roots = np.abs(np.concatenate([plant.poles_hz, plant.zeros_hz]))
    near = np.outer(roots, AROUND_ROOTS).ravel()
    near = near[(near > low) & (near < high)]
    grid = np.unique(np.concatenate([np.geomspace(low, high, FOLLOWED), near, frequencies_hz]))
    values = response(grid)
    phase = np.degrees(np.unwrap(np.angle(values)))
    return np.asarray(phase[np.searchsorted(grid, frequencies_hz)])
