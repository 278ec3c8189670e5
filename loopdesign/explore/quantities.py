"""What a sweep varies: paths of the case file, and values spaced evenly, by ratios or as preferred values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.case.vary import read_values, unit_at, value_at
from loopdesign.errors import DataError
from loopdesign.units.preferred import SERIES, between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

MOST_KEYS = 2
POINTS = {1: 21, 2: 11}
"""Points of a range unless asked for, by the number of quantities."""
ENDS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class SweptQuantity:
    """One quantity that a sweep varies.

    Attributes
    ----------
    key : str
        Its path in the case file.
    unit : str
        Symbol of its unit; empty for a plain number.
    values : tuple of float
        Values in SI units.
    log : bool
        Whether they are spaced by ratios, as a range is by ``log`` and preferred values are by nature [unitless].
    own : float or None
        Value that the case file itself gives; None where it gives none.
    """

    key: str
    unit: str
    values: tuple[float, ...]
    log: bool = False
    own: float | None = None


def swept_quantities(
    document: dict[str, Any], vary: Mapping[str, Sequence[str]], *, points: int | None, log: bool, series: str | None
) -> tuple[SweptQuantity, ...]:
    """Read what is varied.

    Parameters
    ----------
    document : dict
        The case file as read.
    vary : mapping of str to sequence of str
        Values as text by path; a tuple of two is a range, anything else a list.
    points : int or None
        Points of a range; the usual number unless given [unitless].
    log : bool
        Space a range by equal ratios [unitless].
    series : str or None
        Take the preferred values of this series within a range.

    Returns
    -------
    tuple of SweptQuantity
        One for each path.

    Raises
    ------
    DataError
        With every fault.
    """
    faults = []
    if not 1 <= len(vary) <= MOST_KEYS:
        faults.append(f"a sweep varies one or two quantities; found {len(vary)}: {', '.join(vary)}".rstrip(": "))
    if series is not None and series not in SERIES:
        faults.append(f"{series!r} is not a series of preferred values; expected one of {', '.join(SERIES)}")
    count = POINTS[min(max(len(vary), 1), MOST_KEYS)] if points is None else points
    told = []
    for key, texts in vary.items():
        try:
            values = read_values(document, key, texts)
            is_range = isinstance(texts, tuple) and len(texts) == ENDS
            if is_range and series in SERIES:
                values = _preferred(key, values, str(series))
            elif is_range:
                values = spaced(values[0], values[1], count, logarithmic=log)
            if len(set(values)) < len(values) or not values:
                faults.append(f"{key}: give every value once; found {', '.join(map(str, texts))}")
            by_ratio = is_range and (log or series is not None)
            told.append(
                SweptQuantity(
                    key=key, unit=unit_at(document, key), values=values, log=by_ratio, own=value_at(document, key)
                )
            )  # fmt: skip
        except DataError as error:
            faults.append(str(error))
    if faults:
        raise DataError("\n".join(faults))
    return tuple(told)


def _preferred(key: str, ends: tuple[float, ...], series: str) -> tuple[float, ...]:
    """Preferred values within a range."""
    low, high = min(ends), max(ends)
    values = tuple(float(v) for v in between(series, low, high)) if low > 0.0 else ()
    if not values:
        raise DataError(f"{key}: {series} has no value from {low:g} to {high:g}")
    return values if ends[0] <= ends[1] else values[::-1]


def spaced(low: float, high: float, points: int, *, logarithmic: bool) -> tuple[float, ...]:
    """Space values evenly, or by equal ratios.

    Parameters
    ----------
    low, high : float
        First and last value [unitless].
    points : int
        How many [unitless].
    logarithmic : bool
        Whether by equal ratios [unitless].

    Returns
    -------
    tuple of float
        The values, both ends exact.

    Raises
    ------
    DataError
        For fewer than two points, equal ends, or equal ratios through zero.
    """
    if points < ENDS or low == high:
        raise DataError(f"a sweep needs two points and two ends that differ; found {points} from {low:g} to {high:g}")
    if logarithmic and low * high <= 0.0:
        raise DataError(f"--log needs ends above zero; found {low:g} to {high:g}")
    values = np.geomspace(low, high, points) if logarithmic else np.linspace(low, high, points)
    return (low, *(float(v) for v in values[1:-1]), high)
