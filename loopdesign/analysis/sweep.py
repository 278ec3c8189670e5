"""Margins and verdict against one or two quantities of a case: every point is a check of its own."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.check import examine
from loopdesign.analysis.given import given_parts, has_loop, require_slope
from loopdesign.case.vary import with_values
from loopdesign.errors import DataError, LoopDesignError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from loopdesign.analysis.check import CheckResult

MOST_KEYS = 2
MOST_POINTS = 10_000
"""Points beyond which a sweep is refused unless asked for."""
SECONDS_A_POINT = 0.1
"""What a point costs, about, to say what a refused sweep would cost [s]."""
READINGS = (
    "stable", "largest_multiplier", "phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz",
    "lowest_crossover_hz",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPoint:
    """One point of a sweep, each reading the worst over the nominal corners.

    Attributes
    ----------
    values : tuple of float
        Values of the varied quantities, in SI units.
    stable : bool or None
        Whether every corner is stable and held.
    largest_multiplier, phase_margin_deg, gain_margin_db, modulus_margin : float or None
        Readings [unitless], [deg], [dB], [unitless]; None where there is none.
    crossover_hz, lowest_crossover_hz : float or None
        Highest and lowest crossover [Hz]; None where there is none.
    error : str or None
        Why the point could not be examined.
    """

    values: tuple[float, ...]
    stable: bool | None = None
    largest_multiplier: float | None = None
    phase_margin_deg: float | None = None
    gain_margin_db: float | None = None
    modulus_margin: float | None = None
    crossover_hz: float | None = None
    lowest_crossover_hz: float | None = None
    error: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Turn the point into plain values, ready for JSON.

        Returns
        -------
        dict
            The attributes by name.
        """
        return {"values": list(self.values), **{n: getattr(self, n) for n in READINGS}, "error": self.error}


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """A sweep over one or two quantities.

    Attributes
    ----------
    varied : tuple of tuple
        Key and values (N,) of each quantity, in SI units.
    points : tuple of SweepPoint
        The last quantity varies fastest.
    """

    varied: tuple[tuple[str, tuple[float, ...]], ...]
    points: tuple[SweepPoint, ...]

    @property
    def failed(self) -> int:
        """Count the points that could not be examined."""
        return sum(p.error is not None for p in self.points)

    def to_dict(self) -> dict[str, Any]:
        """Turn the sweep into plain values, ready for JSON.

        Returns
        -------
        dict
            ``varied`` and ``points``.
        """
        return {
            "varied": [{"key": key, "values": list(values)} for key, values in self.varied],
            "points": [point.to_dict() for point in self.points],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the sweep into one row per point, ready for a data frame.

        Returns
        -------
        list of dict
            Varied quantities by key, then the readings.
        """
        keys = [key for key, _ in self.varied]
        return [
            {**dict(zip(keys, p.values, strict=True)), **{n: getattr(p, n) for n in READINGS}, "error": p.error}
            for p in self.points
        ]


def swept(
    document: dict[str, Any],
    varied: Mapping[str, Sequence[float]],
    name: str,
    *,
    unlimited: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> SweepResult:
    """Check a case at every combination of values.

    Parameters
    ----------
    document : dict
        The case file as read.
    varied : mapping of str to sequence of float
        One or two keys of the case file with their values, in SI units [unitless].
    name : str
        Name of the file, for messages.
    unlimited : bool
        Take any number of points [unitless].
    progress : callable, optional
        Called with the number of points done and of all points.

    Returns
    -------
    SweepResult
        One point per combination; one that cannot be examined says why.

    Raises
    ------
    DataError
        For more than two keys, none, or too many points.
    """
    if not 1 <= len(varied) <= MOST_KEYS:
        raise DataError(f"a sweep varies one or two quantities; found {len(varied)}")
    combinations = list(product(*varied.values()))
    if len(combinations) > MOST_POINTS and not unlimited:
        hours = len(combinations) * SECONDS_A_POINT / 3600.0
        raise DataError(f"{len(combinations)} points would take about {hours:.1f} hours; give --yes to run them all")
    points = []
    for k, values in enumerate(combinations):
        points.append(_point(document, dict(zip(varied, values, strict=True)), name))
        if progress is not None:
            progress(k + 1, len(combinations))
    return SweepResult(varied=tuple((k, tuple(v)) for k, v in varied.items()), points=tuple(points))


def _point(document: dict[str, Any], values: dict[str, float], name: str) -> SweepPoint:
    """Check one combination."""
    at = tuple(float(v) for v in values.values())
    try:
        case = with_values(document, values, name)
        require_slope(case)
        found = examine(case, given_parts(case) if has_loop(case) else {})
    except LoopDesignError as error:
        return SweepPoint(values=at, error=str(error).splitlines()[0])
    return worst_point(found, at)


def worst_point(found: CheckResult, values: tuple[float, ...]) -> SweepPoint:
    """Read the worst of a check's nominal corners.

    Parameters
    ----------
    found : CheckResult
        The check.
    values : tuple of float
        Values of the varied quantities, in SI units [unitless].

    Returns
    -------
    SweepPoint
        A margin is None where a corner is not held, or has none.
    """
    corners = found.corners

    def reading(name: str, pick: Callable[[list[float]], float]) -> float | None:
        present = [float(v) for c in corners if (v := getattr(c, name)) is not None]
        return pick(present) if present else None

    lowest = [m.lowest_crossover_hz for m in found.margins if m.lowest_crossover_hz is not None]
    return SweepPoint(
        values=values,
        stable=all(c.stable for c in corners),
        largest_multiplier=reading("largest_multiplier", max),
        phase_margin_deg=reading("phase_margin_deg", min),
        gain_margin_db=reading("gain_margin_db", min),
        modulus_margin=reading("modulus_margin", min),
        crossover_hz=reading("crossover_hz", max),
        lowest_crossover_hz=float(min(lowest)) if lowest else None,
    )


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
    if points < 2 or low == high:
        raise DataError(f"a sweep needs two points and two ends that differ; found {points} from {low:g} to {high:g}")
    if logarithmic and low * high <= 0.0:
        raise DataError(f"--log needs ends above zero; found {low:g} to {high:g}")
    values = np.geomspace(low, high, points) if logarithmic else np.linspace(low, high, points)
    return (low, *(float(v) for v in values[1:-1]), high)
