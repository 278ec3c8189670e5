"""Figures of a sampled spread: shares with confidence, quantiles, and which part matters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

CONFIDENCE = 0.95
ENOUGH = 2
"""Samples with a phase margin beyond the number of causes that a ranking needs."""
HALF_TURN = 180.0
"""Below every phase margin by its negative [deg]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """Share of samples with a property, and its confidence interval.

    Attributes
    ----------
    count, samples
        How many, of how many.
    low, high
        Exact binomial interval at 95 % (C. J. Clopper, E. S. Pearson, Biometrika 26, 1934); it takes the samples for
        independent, which errs on the wide side for a Sobol sequence.
    """

    count: int
    samples: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """The share [unitless]."""
        return self.count / self.samples


def share_of(has: ArrayLike) -> Share:
    """Count samples (N,) and state the confidence interval of their share.

    Parameters
    ----------
    has : array_like (N,) of bool
        Whether each sample has what is counted [unitless].

    Returns
    -------
    Share
        Count, share and the ends of its interval.
    """
    from scipy.special import betaincinv  # noqa: PLC0415  (slow to load, needed here only)

    n, k = int(np.size(has)), int(np.count_nonzero(has))
    tail = 0.5 * (1.0 - CONFIDENCE)
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return Share(count=k, samples=n, low=low, high=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """What one cause does to the phase margin.

    Attributes
    ----------
    name
        The cause.
    slope_deg
        Change of the phase margin from nominal to the upper end, by least squares over all samples [deg].
    share
        Its part of the variance that the linear fit explains [unitless].
    """

    name: str
    slope_deg: float
    share: float


def ranking(names: tuple[str, ...], drawn: NDArray[np.float64], reading: NDArray[np.float64]) -> tuple[Ranked, ...]:
    """Rank causes by what they do to a reading, most first: standardised regression over the samples.

    Parameters
    ----------
    names
        Causes (d).
    drawn
        (N,d) places, -1 to 1 [unitless].
    reading
        (N,) reading, NaN where there is none [deg], or in whatever unit it has.

    Returns
    -------
    tuple of Ranked
        Empty where fewer samples than causes have the reading. A standardised coefficient squared is the cause's first-
        order share of the variance where the reading is near linear (A. Saltelli et al., "Global Sensitivity Analysis:
        The Primer", 2008, section 1.2; from memory).
    """
    usable = np.isfinite(reading)
    x, y = drawn[usable], reading[usable]
    if len(y) <= len(names) + 1 or not names:
        return ()
    spread = x - x.mean(axis=0)
    slopes = np.linalg.lstsq(spread, y - y.mean(), rcond=None)[0]
    part = slopes**2 * spread.var(axis=0)
    total = float(part.sum()) or 1.0
    rows = [
        Ranked(name=n, slope_deg=float(s), share=float(p / total)) for n, s, p in zip(names, slopes, part, strict=True)
    ]
    return tuple(sorted(rows, key=lambda r: -r.share))


def worst_condition(phase_margin_deg: NDArray[np.float64], stable: NDArray[np.bool_], *, causes: int) -> int:
    """Find the condition where the samples are worst, of those with enough of them to rank causes by.

    Parameters
    ----------
    phase_margin_deg : ndarray (N, C)
        Phase margin of every sample at every condition, NaN where there is none [deg].
    stable : ndarray (N, C)
        Whether each is stable [unitless].
    causes : int
        Number of causes that vary [unitless].

    Returns
    -------
    int
        Its number: most unstable samples, or else the least phase margin.
    """
    usable = np.isfinite(phase_margin_deg)
    lowest = np.where(usable, phase_margin_deg, np.inf).min(axis=0)
    lowest = np.where(stable.all(axis=0), lowest, -HALF_TURN - np.count_nonzero(~stable, axis=0))
    enough = usable.sum(axis=0) >= causes + ENOUGH
    return int(np.argmin(np.where(enough | ~enough.any(), lowest, np.inf)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """One reading's worst case by four routes: nominal parts, tolerance ends, sampled tail, worst sample.

    Attributes
    ----------
    name, unit
        The reading.
    limit
        What is asked; None where nothing is.
    high_is_bad
        True for the highest crossover.
    nominal, ends, tail, worst
        Worst over all conditions; ``ends`` and ``tail`` None where there is none (no tolerance; fewer than 1000
        samples).
    """

    name: str
    unit: str
    limit: float | None
    high_is_bad: bool
    nominal: float | None
    ends: float | None
    tail: float | None
    worst: float | None


def tail_of(per_sample: NDArray[np.float64], share: float, *, high_is_bad: bool) -> float | None:
    """Return the figure that a share of all samples keeps: None where the samples are too few to show the rest.

    Parameters
    ----------
    per_sample
        (N,) worst reading of every sample, NaN where it has none [its own unit].
    share
        Share of the samples, such as 0.999 [unitless].
    high_is_bad
        Which end is the bad one.

    Returns
    -------
    float or None
        The figure, in the unit of the reading.
    """
    values = np.sort(per_sample[np.isfinite(per_sample)])
    beyond = int(np.floor(len(values) * (1.0 - share) + 1e-9))
    if beyond < 1:
        return None
    return float(values[-1 - beyond] if high_is_bad else values[beyond])


def worst_of(values: NDArray[np.float64], *, high_is_bad: bool) -> float | None:
    """Worst finite value; None where there is none.

    Parameters
    ----------
    values : ndarray
        Readings of any shape [their own unit].
    high_is_bad : bool
        Which end is the bad one.

    Returns
    -------
    float or None
        In the unit of the readings.
    """
    finite = values[np.isfinite(values)]
    if not finite.size:
        return None
    return float(finite.max() if high_is_bad else finite.min())


def per_sample(values: NDArray[np.float64], *, high_is_bad: bool) -> NDArray[np.float64]:
    """Take the worst over the conditions of every sample, NaN where a sample has no reading at all.

    Parameters
    ----------
    values : ndarray (N, C)
        Readings of every sample at every condition [their own unit].
    high_is_bad : bool
        Which end is the bad one.

    Returns
    -------
    ndarray (N,)
        In the unit of the readings.
    """
    bad = np.inf if not high_is_bad else -np.inf
    filled = np.where(np.isfinite(values), values, bad)
    worst = filled.max(axis=1) if high_is_bad else filled.min(axis=1)
    return np.where(np.isfinite(worst), worst, np.nan)
