"""Preferred values of IEC 60063 (E3 to E192).

E48, E96 and E192 follow ``round(10^(i/N), 2)`` with one exception, 9.20 in E192. E3 to E24 are historical and differ
from the rule in eight of the twenty-four places, so they are listed.
"""

from __future__ import annotations

import math
from functools import cache, lru_cache
from typing import TYPE_CHECKING

from loopdesign.errors import QuantityError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)

SERIES: tuple[str, ...] = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
"""Names of the series."""


@cache
def hundredths(series: str) -> tuple[int, ...]:
    """Return one decade of a series as whole numbers from 100 to 999.

    Parameters
    ----------
    series : str
        Name of the series, one of `SERIES`.

    Returns
    -------
    tuple of int
        Values times one hundred, increasing.

    Raises
    ------
    QuantityError
        No such series exists.
    """
    if series not in SERIES:
        raise QuantityError("is not a series of preferred values", found=f'"{series}"', expected=", ".join(SERIES))
    count = int(series[1:])
    if count <= 24:
        return tuple(10 * value for value in _E24[:: 24 // count])
    decade = [round(100 * math.pow(10, index / count)) for index in range(count)]
    return tuple(920 if value == 919 else value for value in decade)


def values(series: str) -> NDArray[np.float64]:
    """Return one decade of a series.

    Parameters
    ----------
    series : str
        Name of the series, one of `SERIES`.

    Returns
    -------
    ndarray, shape (N,)
        Values in [1, 10), increasing [unitless].

    Raises
    ------
    QuantityError
        No such series exists.
    """
    return _decades(series, 0, 0)


def between(series: str, low: float, high: float) -> NDArray[np.float64]:
    """Return every preferred value from low to high, both ends included.

    Parameters
    ----------
    series : str
        Name of the series, one of `SERIES`.
    low, high : float
        Bounds, 0 < low, finite [any unit].

    Returns
    -------
    ndarray, shape (N,)
        Increasing values, each the float of its decimal string (4.7e-9 exactly); empty when low > high.

    Raises
    ------
    QuantityError
        The series does not exist, or a bound is not positive and finite.
    """
    if not (0 < low < math.inf and 0 < high < math.inf):
        raise QuantityError("cannot bound preferred values", found=f"{low} and {high}", expected="positive numbers")
    table = _decades(series, math.floor(math.log10(low)) - 1, math.floor(math.log10(high)) + 1)
    return table[(table >= low) & (table <= high)]


def round_to(series: str, x: ArrayLike) -> NDArray[np.float64]:
    """Round to the preferred values nearest in ratio.

    Parameters
    ----------
    series : str
        Name of the series, one of `SERIES`.
    x : array_like
        Positive finite values of any shape [any unit].

    Returns
    -------
    ndarray, shape of x
        Nearest preferred values; shape () for a single number.

    Raises
    ------
    QuantityError
        The series does not exist, or a value is not positive and finite.
    """
    import numpy as np  # noqa: PLC0415 - the case file needs the names of the series without numpy

    wanted = np.asarray(x, dtype=np.float64)
    if not np.all((wanted > 0) & np.isfinite(wanted)):
        raise QuantityError("has no preferred value", found=str(x), expected="positive numbers")
    if wanted.size == 0:
        return wanted
    table = between(series, float(wanted.min()) / 10, float(wanted.max()) * 10)
    above = np.clip(np.searchsorted(table, wanted), 1, table.size - 1)
    lower, upper = table[above - 1], table[above]
    return np.asarray(np.where(wanted / lower <= upper / wanted, lower, upper))


def nearest(series: str, x: float) -> float:
    """Round one number to the preferred value nearest in ratio.

    Parameters
    ----------
    series : str
        Name of the series, one of `SERIES`.
    x : float
        Positive finite value [any unit].

    Returns
    -------
    float
        Nearest preferred value.

    Raises
    ------
    QuantityError
        The series does not exist, or the value is not positive and finite.
    """
    return float(round_to(series, x))


@lru_cache(maxsize=64)
def _decades(series: str, first: int, last: int) -> NDArray[np.float64]:
    """Return the values of whole decades from 10**first to below 10**(last + 1)."""
    import numpy as np  # noqa: PLC0415 - see round_to

    decade = hundredths(series)
    return np.array([float(f"{value}e{power - 2}") for power in range(first, last + 1) for value in decade])
