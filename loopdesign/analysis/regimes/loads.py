"""Every load of a case over its input voltages, from the lightest to a short, with nominal parts.

Three boundaries over input voltage: where continuous conduction ends, where regulation by a pulse every period ends,
and the largest load that is regulated. Below the second, what the converter does there; beyond the third, its output
characteristic.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import given_parts, has_loop, require_slope
from loopdesign.analysis.regimes.boundary import FAILURES, LoadBoundary, load_boundary
from loopdesign.analysis.regimes.ceiling import LEAST, Ceiling
from loopdesign.analysis.regimes.kept import NotKept, points_not_kept
from loopdesign.analysis.regimes.least import light_loads
from loopdesign.analysis.regimes.overload import not_examined, overload_curves, taken_for_granted
from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.corners.trouble import names_file, strict, traced
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import verdicts
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.analysis.regimes.overload import OverloadCurve

LINES = 9
"""Input voltages between the lowest and the highest of the case."""
SAME = 1e-9
"""Relative difference of input voltages that is rounding."""
BELOW = (0.5, 0.1)
"""Loads, over the least that a pulse every period regulates, at which the converter is stepped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightRow:
    """What a converter does at one load below the boundary.

    Attributes
    ----------
    input_voltage, load_current : float
        Operating point [V], [A].
    found : LightLoad or None
        Regime and numbers; None where neither was found.
    """

    input_voltage: float
    load_current: float
    found: LightLoad | None

    def to_dict(self) -> dict[str, Any]:
        """Turn the row into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Operating point, regime and numbers.
        """
        light = self.found
        return {
            "input_voltage": self.input_voltage, "load_current": self.load_current,
            "regime": None if light is None else light.regime, "light_load": None if light is None else light.to_dict(),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadsResult:
    """Every load of a case over its input voltages.

    Attributes
    ----------
    case : Case
        The case.
    boundary : LoadBoundary
        Loads at which conduction and regulation change.
    largest_load_a : ndarray (L,) or None
        Largest load that is regulated at each of its input voltages [A]; zero where not even a 64th of the largest of
        the case is, infinite where nothing limits it, NaN where it could not be followed; None where none is examined.
    not_kept : tuple of NotKept
        Operating points of the case itself that the controller does not keep.
    below : tuple of LightRow
        What the converter does below the boundary.
    overload : tuple of OverloadCurve
        Output characteristic at each listed input voltage; empty where none is examined.
    notes : tuple of str
        What is taken for granted and what is left out.
    """

    case: cases.Case
    boundary: LoadBoundary
    largest_load_a: NDArray[np.float64] | None
    not_kept: tuple[NotKept, ...]
    below: tuple[LightRow, ...]
    overload: tuple[OverloadCurve, ...]
    notes: tuple[str, ...]

    @property
    def reasons(self) -> tuple[str, ...]:
        """Loads of the case that lie beyond a boundary, or are not kept, and what could not be followed."""
        given, b = self.case.specification.output_current, self.boundary
        lost = np.flatnonzero(np.isnan(b.least_load_a))
        low = np.flatnonzero(given.lowest < b.least_load_a)
        most = b.least_load_a * np.nan if self.largest_load_a is None else self.largest_load_a
        high = np.flatnonzero(given.highest > most)
        unknown = np.flatnonzero(np.isnan(most)) if self.largest_load_a is not None else high[:0]
        told = []
        if len(lost):
            told.append(f"{_at(b, int(lost[0]), len(lost))} the least load could not be followed")
        if len(low):
            k = int(low[np.argmax(b.least_load_a[low])])
            least, by = float(b.least_load_a[k]), b.least_load_by[k]
            where = "no load is" if np.isinf(least) else f"{given.lowest:.3g} A is below {least:.3g} A and not"
            told.append(f"{_at(b, k, len(low))} {where} regulated by a pulse every period ({by})")
        if len(high):
            k = int(high[np.argmin(most[high])])
            beyond = (
                f"above {most[k]:.3g} A and not" if most[k] else f"not regulated, nor is {LEAST * given.highest:.3g} A"
            )
            told.append(f"{_at(b, k, len(high))} {given.highest:.3g} A is {beyond}{' regulated' if most[k] else ''}")
        if len(unknown):
            told.append(f"{_at(b, int(unknown[0]), len(unknown))} the largest load could not be followed")
        return (*told, *self._others_not_kept(most))

    def _others_not_kept(self, most: NDArray[np.float64]) -> list[str]:
        """Name the operating points that are not kept and lie beyond no boundary, a sentence for each word."""
        by: dict[str, list[NotKept]] = {}
        for point in self.not_kept:
            k = int(np.argmin(np.abs(self.boundary.input_voltage - point.input_voltage)))
            if not (point.load_current < self.boundary.least_load_a[k] or point.load_current > most[k]):
                by.setdefault(point.held, []).append(point)
        return [
            f"at {points[0].place}{_and_others(len(points), 'operating point')} the converter does not stay at its "
            f"operating point ({word})"
            for word, points in by.items()
        ]

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the boundaries into one row per input voltage, ready for a data frame.

        Returns
        -------
        list of dict
            Input voltage [V] and loads [A]; None where there is no such load or it could not be followed. Zero for
            ``least_load_a`` where a pulse every period regulates down to the smallest load looked at, and for
            ``largest_load_a`` where not even a 64th of the largest load of the case is regulated.
        """
        b = self.boundary
        return [
            {
                "input_voltage": float(b.input_voltage[k]),
                "continuous_limit_a": _number(b.continuous_limit_a[k]),
                "least_load_a": _number(b.least_load_a[k]),
                "least_load_by": b.least_load_by[k] or None,
                "largest_load_a": None if self.largest_load_a is None else _number(self.largest_load_a[k]),
            }
            for k in range(len(b.input_voltage))
        ]

    def to_dict(self) -> dict[str, Any]:
        """Turn everything into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Title, boundaries, what happens below them, output characteristics, and notes.
        """
        return {
            "title": " ".join(self.case.title.split()),
            "topology": self.case.converter.topology,
            "smallest_load_a": self.boundary.smallest_load_a,
            "boundaries": self.to_rows(),
            "below": [row.to_dict() for row in self.below],
            "overload": [curve.to_dict() for curve in self.overload],
            "reasons": list(self.reasons),
            "notes": list(self.notes),
        }


def _at(boundary: LoadBoundary, item: int, count: int) -> str:
    """Name an input voltage, and how many others share what is said of it."""
    return f"at {boundary.input_voltage[item]:.4g} V{_and_others(count, 'input voltage')}"


def _and_others(count: int, what: str) -> str:
    """Count the others that share what is said of one."""
    return "" if count < 2 else f" and {count - 1} other {what}{'s' if count > 2 else ''}"


def _number(value: float) -> float | None:
    """Return a number, or None where there is none."""
    return float(value) if np.isfinite(value) else None


@names_file("no loads")
def loads(case: cases.Case, *, progress: Callable[[int, int], None] | None = None) -> LoadsResult:
    """Examine every load of a case over its input voltages, from the lightest to a short.

    Parameters
    ----------
    case : Case
        The case; where its compensation is given, runs below the boundary are those of the closed loop.
    progress : callable, optional
        Called with the number of pieces done and in all.

    Returns
    -------
    LoadsResult
        Boundaries, what happens below them, and output characteristics.

    Raises
    ------
    CaseError, DataError
        Where the case is not modelled, or its slope is open.
    """
    require_slope(case)
    given = case.specification
    parts = _parts(case)
    lines = input_voltages(case)
    listed = [float(v) for v in given.input_voltage.values]
    notes = ["nominal parts at their nominal temperature; tolerances are left out"]
    pieces = 3
    say = (lambda _done, _of: None) if progress is None else progress
    say(0, pieces)
    unkept = points_not_kept(case, parts)
    boundary = load_boundary(case, parts, lines)
    say(1, pieces)
    below = _below(case, parts, boundary, listed)
    if not parts:
        notes.append(
            "the compensation is not given: below the boundary nothing was stepped, and the control voltage has no "
            "ripple"
        )
    say(2, pieces)
    refused = not_examined(case)
    if refused:
        notes.append(refused)
        say(pieces, pieces)
        return LoadsResult(
            case=case, boundary=boundary, largest_load_a=None, not_kept=unkept, below=below, overload=(),
            notes=tuple(notes),
        )  # fmt: skip
    largest, curves = traced(lambda at: _overload(case, at, listed), case, _full(case, lines), what="no overload")
    say(pieces, pieces)
    notes += taken_for_granted(case)
    return LoadsResult(
        case=case, boundary=boundary, largest_load_a=largest, not_kept=unkept, below=below, overload=curves,
        notes=tuple(notes),
    )  # fmt: skip


def input_voltages(case: cases.Case) -> NDArray[np.float64]:
    """List the input voltages of the boundaries: even steps from the lowest to the highest, and the listed ones.

    A step that differs from a listed one by rounding gives way to it.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    ndarray
        Input voltages [V].
    """
    listed = np.array(case.specification.input_voltage.values, float)
    steps = np.linspace(listed.min(), listed.max(), LINES)
    same = np.isclose(steps[:, None], listed, rtol=SAME, atol=0.0).any(axis=1)
    return np.unique(np.concatenate([steps[~same], listed]))


def _parts(case: cases.Case) -> Mapping[str, float]:
    """Compensation parts; empty where there is no loop or any of them is open."""
    if not has_loop(case) or case.compensation is None or case.compensation.open_parts:
        return {}
    return given_parts(case)


def _full(case: cases.Case, lines: NDArray[np.float64]) -> Corners:
    """Corners at the largest load of the case."""
    full = np.full(len(lines), case.specification.output_current.highest)
    return Corners(input_voltage=lines, load_current=full, temperature=np.full(len(lines), case.nominal_temperature))


def _below(
    case: cases.Case, parts: Mapping[str, float], boundary: LoadBoundary, listed: list[float]
) -> tuple[LightRow, ...]:
    """Step the closed loop at loads below the boundary."""
    if not parts:
        return ()
    rows = []
    for line in listed:
        k = int(np.argmin(np.abs(boundary.input_voltage - line)))
        least = float(boundary.least_load_a[k])
        if not np.isfinite(least) or least <= 0.0:
            continue
        for ratio in BELOW:
            corner = one_corner(case, line, ratio * least)
            try:
                with strict():
                    found = _light(case, parts, corner)
            except FAILURES:
                found = None
            rows.append(LightRow(input_voltage=line, load_current=ratio * least, found=found))
    return tuple(rows)


def _light(case: cases.Case, parts: Mapping[str, float], corner: Corners) -> LightLoad | None:
    """Find out what the converter does at one corner."""
    converter, found = solved(case, corner)
    point = operating_point(converter.closed(compensation(case, parts, corner)), found.sequence)
    judged = verdicts(linearise(found), linearise(point), bounds(case, corner))
    return light_loads(case, corner, converter, point, judged, parts)[0]


def _overload(
    case: cases.Case, corners: Corners, listed: list[float]
) -> tuple[NDArray[np.float64], tuple[OverloadCurve, ...]]:
    """Largest load (B,) that is regulated [A], and the output characteristic at the listed input voltages."""
    full = case.specification.output_current.highest
    converter = replace(solved(case, corners)[0], load="resistive")
    ceiling = Ceiling(converter=converter, bounds=bounds(case, corners))
    largest, duty = ceiling.largest_load(full)
    items = np.flatnonzero(np.isin(corners.input_voltage, listed))
    return largest, overload_curves(ceiling, items, largest, duty, full)
