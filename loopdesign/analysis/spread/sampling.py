"""Samples of toleranced parts: a scrambled Sobol sequence, made uniform or normal between the tolerance ends.

Sobol points fill the box more evenly than random ones, so that shares and quantiles settle with fewer samples; the
scrambling (A. B. Owen, "Scrambling Sobol and Niederreiter-Xing points", J. Complexity 14, 1998, from memory) is seeded.
A normal spread has its standard deviation at a third of the tolerance.

Where the two ends of a tolerance differ, such as -20 % and +80 %, half of the samples lie on either side of the nominal
value and each side has its own width, so that the nominal value stays the median (a split uniform or split normal
distribution). A maker who states such a tolerance says nothing of how the parts lie within it; whoever knows better
gives the value that is typical as the nominal one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import NDArray

Distribution = Literal["uniform", "normal"]
SIGMAS = 3.0
"""Standard deviations in one tolerance (common practice)."""
LARGEST_PLACE = 4.5
"""Normal places end here, at one in 300,000: beyond, the sequence's own grid shows [standard deviations]."""
SMALLEST_FACTOR = 0.05
"""No part's value falls below this share of nominal, whatever its spread [unitless]."""
MOST = 2**24


def places(causes: int, samples: int, seed: int, distribution: Distribution = "uniform") -> NDArray[np.float64]:
    """Draw places of every cause between its ends.

    Parameters
    ----------
    causes
        Number of independent causes d [unitless].
    samples
        Number of samples N, at least 1 [unitless].
    seed
        Not negative [unitless]; the same seed gives the same samples on every machine.
    distribution
        ``uniform`` between the ends, or ``normal`` with the ends at three standard deviations.

    Returns
    -------
    ndarray
        (N,d) places: -1 lower end, 0 nominal, 1 upper end. The first N of a longer sequence are the same.

    Raises
    ------
    DataError
        For a count or a seed that is not positive enough.
    """
    if samples < 1 or samples > MOST:
        raise DataError(f"the number of samples is {samples}; it must be from 1 to {MOST:,}")
    if seed < 0:
        raise DataError(f"the seed is {seed}; it must not be negative")
    if not causes:
        return np.zeros((samples, 0))
    from scipy.stats import qmc  # noqa: PLC0415  (slow to load, needed here only)

    # whole powers of two keep the sequence balanced; a longer one begins with a shorter one's points
    sequence = qmc.Sobol(causes, scramble=True, rng=np.random.default_rng(seed))
    share = sequence.random_base2(max(int(np.ceil(np.log2(samples))), 0))[:samples]
    if distribution == "uniform":
        return np.asarray(2.0 * share - 1.0)
    from scipy.special import ndtri  # noqa: PLC0415  (see above)

    normal = np.clip(ndtri(share), -LARGEST_PLACE, LARGEST_PLACE)
    return np.asarray(normal / SIGMAS)
