"""Frequency grids of the analyses: one band for loop gains, one for impedances, and points of interest among them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOWEST_SHARE = 3e-5
"""Lowest frequency a loop gain is examined at, as a share of the switching frequency."""
NEAR_DC_SHARE = 1e-9
"""The same where no crossover is found above that."""
LOWEST_SHARE_OF_IMPEDANCES = 1e-4
"""Lowest share for impedances, which are flat or of known slope below."""
HIGHEST_SHARE = 0.5
"""Highest frequency examined: what lies above folds back below it."""


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
