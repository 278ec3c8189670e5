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
from loopdesign.analysis.regimes.ceiling import Ceiling
from loopdesign.analysis.regimes.least import light_loads
from loopdesign.analysis.regimes.overload import overload_curves
from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import compensation, one_corner, solved, topology_of
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
        Largest load that is regulated at each of its input voltages [A], NaN where it was not found; None where nothing
        but the largest duty bounds an overload, or none is examined.
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
    below: tuple[LightRow, ...]
    overload: tuple[OverloadCurve, ...]
    notes: tuple[str, ...]

    @property
    def reasons(self) -> tuple[str, ...]:
        """Loads of the case that lie beyond a boundary, one sentence for each boundary, at its worst input voltage."""
        given, b = self.case.specification.output_current, self.boundary
        lost = np.flatnonzero(np.isnan(b.least_load_a))
        low = np.flatnonzero(given.lowest < b.least_load_a)
        most = b.least_load_a * np.nan if self.largest_load_a is None else self.largest_load_a
        high = np.flatnonzero(given.highest > most)
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
            told.append(f"{_at(b, k, len(high))} {given.highest:.3g} A is above {most[k]:.3g} A and not regulated")
        return tuple(told)

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the boundaries into one row per input voltage, ready for a data frame.

        Returns
        -------
        list of dict
            Input voltage [V] and loads [A]; None where there is no such load, and zero for ``least_load_a`` where a
            pulse every period regulates down to the smallest load looked at.
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
    others = f" and {count - 1} other input voltages" if count > 1 else ""
    return f"at {boundary.input_voltage[item]:.4g} V{others}"


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
    boundary = load_boundary(case, parts, lines)
    say(1, pieces)
    below = _below(case, parts, boundary, listed)
    if not parts:
        notes.append(
            "the compensation is not given: below the boundary nothing was stepped, and the control voltage has no "
            "ripple"
        )
    say(2, pieces)
    refused = _no_overload(case)
    if refused:
        notes.append(refused)
        say(pieces, pieces)
        return LoadsResult(
            case=case, boundary=boundary, largest_load_a=None, below=below, overload=(), notes=tuple(notes)
        )
    largest, curves = traced(lambda at: _overload(case, at, listed), case, _full(case, lines), what="no overload")
    say(pieces, pieces)
    notes += _overload_notes(case)
    return LoadsResult(
        case=case, boundary=boundary, largest_load_a=largest, below=below, overload=curves, notes=tuple(notes)
    )


def input_voltages(case: cases.Case) -> NDArray[np.float64]:
    """List the input voltages of the boundaries: even steps from the lowest to the highest, and the listed ones.

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
    return np.unique(np.concatenate([np.linspace(listed.min(), listed.max(), LINES), listed]))


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


def _no_overload(case: cases.Case) -> str:
    """Say why no output characteristic is given; empty where one is."""
    clamp = None if case.error_amplifier is None else case.error_amplifier.clamp
    given = case.specification
    if given.regulate == "current" or given.load == "voltage":
        return "no output characteristic: it is not modelled for a load with a drop, or where the current is regulated"
    if not topology_of(case).devices.plain:
        return "no output characteristic: it is not modelled for a stage with several rectifiers"
    if clamp is None and getattr(case.modulator, "current_limit", None) is None:
        return (
            "no output characteristic: the case gives neither modulator.current_limit nor a clamp of the control "
            "voltage, so that nothing but the largest duty and resistances bounds an overload"
        )
    return ""


def _overload_notes(case: cases.Case) -> list[str]:
    """Say what the output characteristic takes for granted."""
    told = ["overload: the load is a resistor that falls, and parts keep the values they have at full load"]
    if getattr(case.modulator, "current_limit", None) is not None:
        told.append("overload: the current limit acts on the sensed signal alone, without the compensating ramp")
    if case.specification.load != "resistive":
        told.append(f'overload: load = "{case.specification.load}" is taken for a resistor')
    return told


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
