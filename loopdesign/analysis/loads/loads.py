"""Every load of a case over its input voltages, from the lightest to a short, with nominal parts.

Three boundaries over input voltage: where continuous conduction ends, where regulation by a pulse every period ends,
and the largest load that is regulated. Below the second, what the converter does there; beyond the third, its output
characteristic.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.given import given_parts, has_loop, require_slope
from loopdesign.analysis.loads.ends import boundary_ends
from loopdesign.analysis.loads.result import LightRow, LoadsResult
from loopdesign.analysis.regimes.boundary import FAILURES, load_boundary
from loopdesign.analysis.regimes.kept import points_not_kept
from loopdesign.analysis.regimes.least import light_loads
from loopdesign.analysis.regimes.overload.ceiling import Ceiling
from loopdesign.analysis.regimes.overload.compliance import compliance_curves
from loopdesign.analysis.regimes.overload.curve import overload_curves
from loopdesign.analysis.regimes.overload.held import held_range
from loopdesign.analysis.regimes.overload.words import not_examined, taken_for_granted
from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import bounds, light_path
from loopdesign.corners.converters import compensation, one_corner, solved, topology_of
from loopdesign.corners.trouble import names_file, strict, traced
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import verdicts
from loopdesign.network.batch import take
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.loads.ends import BoundaryEnds
    from loopdesign.analysis.regimes.boundary import LoadBoundary
    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.analysis.regimes.overload.curve import OverloadCurve
    from loopdesign.analysis.regimes.overload.held import HeldRange
    from loopdesign.network.elements import Element

LINES = 9
"""Input voltages between the lowest and the highest of the case."""
SAME = 1e-9
"""Relative difference of input voltages that is rounding."""
BELOW = (0.5, 0.1)
"""Loads, over the least that a pulse every period regulates, at which the converter is stepped."""


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
    pieces = 4
    say = (lambda _done, _of: None) if progress is None else progress
    say(0, pieces)
    unkept = points_not_kept(case, parts)
    boundary = load_boundary(case, parts, lines)
    say(1, pieces)
    refused = not_examined(case)
    ends = boundary_ends(case, parts, names) if (names := _bounded(case, refused)) else None
    notes = _covered(case, ends, names, refused)
    say(2, pieces)
    below = _below(case, parts, boundary, listed)
    if not parts:
        notes.append(
            "the compensation is not given: below the boundary nothing was stepped, and the control voltage has no "
            "ripple"
        )
    say(3, pieces)
    if refused:
        notes.append(refused)
        say(pieces, pieces)
        return LoadsResult(
            case=case, boundary=boundary, largest_load_a=None, ends=ends, not_kept=unkept, below=below, overload=(),
            notes=tuple(notes),
        )  # fmt: skip
    full = _full(case, lines)
    largest, curves = traced(lambda at: _overload(case, parts, at, listed), case, full, what="no overload")
    say(pieces, pieces)
    notes += taken_for_granted(case)
    return LoadsResult(
        case=case, boundary=boundary, largest_load_a=largest, ends=ends, not_kept=unkept, below=below,
        overload=curves, notes=tuple(notes),
    )  # fmt: skip


def _bounded(case: cases.Case, refused: str) -> tuple[str, ...]:
    """Name the boundaries of a case that can move with its parts."""
    given, clamp = case.modulator, None if case.error_amplifier is None else case.error_amplifier.clamp
    least = given.turn_off_delay or given.blanking or given.min_on_time or light_path(case) is not None
    least = least or (clamp is not None and clamp.min is not None)
    asked = {
        "continuous_limit_a": case.converter.rectifier != "synchronous",
        "least_load_a": bool(least),
        "largest_load_a": not refused and case.specification.regulate == "voltage" and topology_of(case).devices.plain,
    }
    return tuple(name for name, there in asked.items() if there)


def _covered(case: cases.Case, ends: BoundaryEnds | None, names: tuple[str, ...], refused: str) -> list[str]:
    """Say with which parts what was examined."""
    notes = ["boundaries, light load and overload are for nominal parts at nominal temperature"]
    if ends is None:
        return [f"{notes[0]}; tolerances are left out"]
    degrees = ", ".join(f"{t:g}" for t in ends.temperatures)
    if ends.causes:
        notes.append(
            f"ranges of the boundaries, at the listed input voltages only: {ends.combinations} combinations of the "
            f"ends of {', '.join(ends.causes)}, at {degrees} degC"
        )
    else:
        notes.append(f"ranges of the boundaries: no value that moves them has a tolerance; examined at {degrees} degC")
    if "least_load_a" in names:
        notes.append(
            "clock, turn-off delay, blanking and minimum on-time have no tolerance in a case file and are taken as "
            "given: the least load is proportional to the square of the shortest pulse in discontinuous conduction"
        )
    if "continuous_limit_a" in names and not topology_of(case).devices.plain:
        notes.append(
            "continuous conduction ends where the first of the rectifiers stops within the period; at some tolerance "
            "ends that may be above every load of the case"
        )
    if not refused and not topology_of(case).devices.plain:
        notes.append("the largest load of a stage with several rectifiers: nominal parts, no tolerance ends")
    if case.specification.regulate == "current" and case.modulator.scheme == "peak current":
        notes.append(
            "the voltages between which the limits allow a current: nominal parts, no tolerance ends; stability is not "
            "examined"
        )
    return notes


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
    case: cases.Case, parts: Mapping[str, float], corners: Corners, listed: list[float]
) -> tuple[NDArray[np.float64] | None, tuple[OverloadCurve, ...]]:
    """Largest load (B,) that is regulated [A], and the output characteristic at the listed input voltages."""
    full = case.specification.output_current.highest
    items = np.flatnonzero(np.isin(corners.input_voltage, listed))
    if case.specification.regulate == "current":
        at = take(corners, items, len(corners))
        *others, highest = (_held(case, parts, at, level) for level in sorted(case.specification.output_current.values))
        return None, compliance_curves(highest, tuple(others), np.arange(len(at)))
    converter = solved(case, corners)[0]
    converter = replace(converter, load="voltage" if converter.load == "voltage" else "resistive")
    ceiling = Ceiling(converter=converter, bounds=bounds(case, corners))
    largest, duty = ceiling.largest_load(full)
    return largest, overload_curves(ceiling, items, largest, duty, full)


def _held(case: cases.Case, parts: Mapping[str, float], corners: Corners, level: float) -> HeldRange:
    """Find the voltages between which one regulated current [A] is held (B,)."""
    at = replace(corners, load_current=np.full(len(corners), level))

    def close(items: NDArray[np.intp]) -> tuple[Element, ...]:
        return compensation(case, parts, take(at, items, len(at)))

    return held_range(solved(case, at)[0], bounds(case, at), close if parts else None)
