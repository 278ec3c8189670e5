"""What the values of columns say of their kind, where no heading does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def counts_rows(values: NDArray[np.float64]) -> bool:
    """Whether a column (N,) numbers its rows, in whatever order they stand."""
    known = np.unique(values[np.isfinite(values)])
    if len(known) < 3 or len(known) < 0.9 * len(values) or np.any(known != np.round(known)):
        return False
    steps = np.diff(known)
    return bool(np.median(steps) == 1.0 and np.mean(steps == 1.0) > 0.8) or bool(np.all(np.diff(values) == 1.0))


def kinds_of_size(hz: NDArray[np.float64], size: NDArray[np.float64]) -> tuple[str, ...]:
    """Say whether gains without a unit are decibels: negative ones are.

    Otherwise the nearer of two straight lines decides: decibels, or the logarithm of a ratio, over the logarithm of the
    frequency.

    Parameters
    ----------
    hz, size : ndarray (N,)
        Frequencies, in any unit, and gains [unitless].

    Returns
    -------
    tuple of str
        ``dB``, ``magnitude``, or both where the values do not tell, the likelier first.
    """
    if not size.size or size.min() <= 0.0:
        return ("dB",) if size.size and size.min() < -1e-9 else ("magnitude",)
    if (
        size.max() > 200.0 or size.max() < 8.0 or np.mean(size < 0.5) > 0.08
    ):  # decibels would not stay so near to zero without passing it
        return ("magnitude",)
    if np.ptp(size) == 0.0 or np.ptp(hz) == 0.0:
        return "dB", "magnitude"
    straight = [abs(float(np.corrcoef(np.log(hz), x)[0, 1])) for x in (size, np.log(size))]
    return ("dB", "magnitude") if straight[0] >= straight[1] else ("magnitude", "dB")


def read_as_polar(size: NDArray[np.float64], angle: NDArray[np.float64]) -> list[str]:
    """Say what a pair of columns may be, read as gain and phase in degrees.

    Parameters
    ----------
    size, angle : ndarray (N,)
        The columns over rising frequency [unitless].

    Returns
    -------
    list of str
        Empty where they cannot be gain and phase.
    """
    tail = slice(-max(3, len(angle) // 10), None)
    turning = np.median(np.abs(angle[tail])) > 5.0 and np.abs(angle).max() > 45.0 and np.abs(angle).max() < 2000.0
    if not turning or not len(size):
        return []
    if (
        size.min() < 0.0
        and np.abs(size).max() < 150.0
        and size[: len(size) // 2].mean() > size[len(size) // 2 :].mean()
    ):
        return ["dB and degrees"]
    if size.min() > 0.0 and size.max() > 150.0 * size.min():
        return ["magnitude and degrees"]
    return []


def both_fade(first: NDArray[np.float64], second: NDArray[np.float64]) -> bool:
    """Whether two columns (N,) become small together, as real and imaginary part of a loop do."""
    tail = slice(-max(3, len(first) // 10), None)
    small = max(np.median(np.abs(first[tail])), np.median(np.abs(second[tail]))) < 1.0
    return bool(small and np.hypot(first, second).max() > 3.0)
