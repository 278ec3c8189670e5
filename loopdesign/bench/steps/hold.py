"""Hold the load step of the exact model against a record of an oscilloscope: the whole way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import given_parts, require_slope, with_parts
from loopdesign.bench.board import board_of
from loopdesign.bench.keys import asked_keys
from loopdesign.bench.point import measured_point
from loopdesign.bench.reading.scope import read_record
from loopdesign.bench.steps.compare import cycle_means, place_step, readings
from loopdesign.bench.steps.fit import fit_step
from loopdesign.bench.steps.model import levels_of, step_curve
from loopdesign.bench.words import board_sentence
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.bench.board import Board
    from loopdesign.bench.fitting.result import FittedPart
    from loopdesign.bench.point import MeasuredPoint
    from loopdesign.bench.reading.table import Dropped
    from loopdesign.bench.steps.compare import Placed, StepReading
    from loopdesign.bench.steps.model import StepCurve, Way
    from loopdesign.synthesis.choice.result import Choice

    Real = NDArray[np.float64]

MOST_CYCLES = 20_000
"""Most switching cycles that are followed."""
CLOSE = 0.1
"""Share of the deviation up to which two deviations are said to agree (common practice of a bench)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepComparison:
    """A measured load step held against that of the exact model.

    Attributes
    ----------
    source : str
        Name of the file.
    case : Case
        The case of the board as designed.
    way : str
        ``load`` for the step of the case, ``load back`` for the way back: whichever the record shows.
    point : MeasuredPoint
        Operating point, and how it is known.
    load_from, load_to : float
        Load current before and after [A].
    time_s : ndarray (N,)
        Instants after the step [s].
    measured_v, predicted_v : ndarray (N,)
        Cycle means of the record, and of the model with the offset of the record [V].
    fitted_v : ndarray (N,) or None
        The same of the model with the fitted values, where a fit was asked for [V].
    placed, fitted_placed : Placed
        Where the step lies in the record, and what it is off by; with the fitted values, None without a fit.
    measured, predicted : StepReading
        Deviation and settling of each.
    band_v : float
        Half of the settling band [V].
    dropped : tuple of Dropped
        Rows without a value.
    parts : mapping of str to FittedPart, or None
        Refined values by dotted key, where asked for.
    correlated : tuple of tuple of str
        Pairs that act alike.
    board : Board or None
        The design examined with the refined values.
    redesign : Choice or None
        New compensation for the board as the fit found it, where asked for.
    """

    source: str
    case: cases.Case
    way: Way
    point: MeasuredPoint
    load_from: float
    load_to: float
    time_s: Real
    measured_v: Real
    predicted_v: Real
    fitted_v: Real | None
    placed: Placed
    fitted_placed: Placed | None
    measured: StepReading
    predicted: StepReading
    band_v: float
    dropped: tuple[Dropped, ...]
    parts: Mapping[str, FittedPart] | None
    correlated: tuple[tuple[str, str], ...]
    board: Board | None
    redesign: Choice | None = None

    @property
    def fitted(self) -> dict[str, float]:
        """Values that the fit found by dotted key, those that the record does not show left out."""
        return {} if self.parts is None else {k: p.value for k, p in self.parts.items() if p.seen}

    @property
    def sentence(self) -> str:
        """How the two steps compare, and what a fit changes, in words."""
        return _sentence(self)

    def to_dict(self) -> dict[str, Any]:
        """Turn the comparison into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            The object of ``bench --step --json``.
        """
        left = self.measured_v - self.predicted_v
        at = int(np.argmax(np.abs(left)))
        fit = None
        if self.parts is not None and self.fitted_placed is not None:
            fit = {
                "parts": {key: part.to_dict() for key, part in self.parts.items()},
                "correlated": [list(pair) for pair in self.correlated],
                "difference": {"rms_v": self.fitted_placed.rms_v},
            }
        return {
            "points": len(self.time_s),
            "dropped": [row.to_dict() for row in self.dropped],
            "input_voltage": self.point.input_voltage,
            "load_from": self.load_from,
            "load_to": self.load_to,
            "measured": self.measured.to_dict(),
            "predicted": self.predicted.to_dict(),
            "difference": {"rms_v": self.placed.rms_v, "largest_v": float(left[at]), "at_s": float(self.time_s[at])},
            "fit": fit,
            "sentence": self.sentence,
        }


@names_file("no comparison")
def compare_step(
    case: cases.Case,
    data: Path | str,
    *,
    input_voltage: float | str | None = None,
    fit: Sequence[str] | str = (),
    parts: Mapping[str, float | str] | None = None,
) -> StepComparison:
    """Hold the load step of the case against a record of an oscilloscope.

    Parameters
    ----------
    case : Case
        The case of the board as designed, with a load step.
    data : Path or str
        File of delimited text: time and output voltage.
    input_voltage : float or str, optional
        Input voltage; by the file's own words, else nominal, unless given [V].
    fit : sequence of str or str
        Dotted keys of the values to refine; none leaves the case as it is.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].

    Returns
    -------
    StepComparison
        Deviation and settling of both, and the fit.

    Raises
    ------
    DataError
        Where the file, a word or a value makes no sense, or the case has no load step.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    case = with_parts(case, parts)
    require_slope(case)
    given_parts(case)
    levels_of(case, "load")
    keys, tries = asked_keys(case, fit)
    if tries:
        raise DataError("fit: a step alone does not tell single causes apart; name the values, or fit a measured loop")
    period = 1.0 / case.converter.switching_frequency
    record = read_record(data, period)
    point = measured_point(case, record.words, input_voltage, None)
    time_s, mean_v = cycle_means(record.time_s, record.voltage_v, period)
    cycles = min(int(np.ptp(time_s) / period) + 4, MOST_CYCLES)
    way, curve, placed = _shown(case, point.input_voltage, cycles, (time_s, mean_v))
    band = case.targets.settling_band * case.specification.output_voltage
    both = readings(time_s, mean_v, curve, placed, band)
    found, refined = None, None
    pairs: tuple[tuple[str, str], ...] = ()
    if keys:
        found, pairs, refined = fit_step(case, way, point.input_voltage, keys, time_s, mean_v, placed)
    again = None if refined is None else place_step(time_s, mean_v, refined)
    told = {} if found is None else {k: p.value for k, p in found.items() if p.seen}
    load = levels_of(case, way)
    return StepComparison(
        source=record.source, case=case, way=way, point=point, load_from=load[0], load_to=load[1],
        time_s=time_s - placed.step_s, measured_v=mean_v, predicted_v=_laid(time_s, curve, placed),
        fitted_v=None if refined is None or again is None else _laid(time_s, refined, again),
        placed=placed, fitted_placed=again, measured=both[0], predicted=both[1], band_v=band, dropped=record.dropped,
        parts=found, correlated=pairs, board=board_of(case, told) if keys else None,
    )  # fmt: skip


def _shown(case: cases.Case, voltage: float, cycles: int, record: tuple[Real, Real]) -> tuple[Way, StepCurve, Placed]:
    """Choose the step or the way back, whichever the record shows."""
    found: list[tuple[Way, StepCurve, Placed]] = []
    ways: tuple[Way, Way] = ("load", "load back")
    for way in ways:
        if levels_of(case, way)[0] > 0.0:
            curve = step_curve(case, way, voltage, cycles)
            found.append((way, curve, place_step(*record, curve)))
    if not found:
        where = case.where("specification.load_step")
        raise DataError(f"{where}: there is no load to step from; give the smallest one")
    return min(found, key=lambda f: f[2].rms_v)


def _laid(time_s: Real, curve: StepCurve, placed: Placed) -> Real:
    """Lay a step of the model over the record (N,) [V]."""
    return curve.before_v + placed.offset_v + curve.at(time_s - placed.step_s)


def _sentence(held: StepComparison) -> str:
    """Say how the two steps compare."""
    a, b = held.measured.peak_deviation_v, held.predicted.peak_deviation_v
    near = abs(a - b) <= CLOSE * max(b, 1e-9)
    volts = [format_quantity(v, "V", 3) for v in (a, b)]
    times = [
        "not within the record" if r.settling_time_s is None else f"in {format_quantity(r.settling_time_s, 's', 3)}"
        for r in (held.measured, held.predicted)
    ]
    word = "agree within" if near else "differ by more than"
    said = (
        f"Measured and predicted deviation {word} {100.0 * CLOSE:.0f} %: {volts[0]} measured, {volts[1]} predicted; "
        f"settled within {format_quantity(held.band_v, 'V', 3)} {times[0]} measured, {times[1]} predicted; load step "
        f"from {held.load_from:.3g} A to {held.load_to:.3g} A at {held.point.input_voltage:.4g} V "
        f"({held.point.voltage_is})."
    )
    if abs(held.placed.offset_v) > 1e-4 * abs(held.case.specification.output_voltage):
        beside = format_quantity(held.placed.offset_v, "V", 3)
        said += f" The record lies {beside} beside the model; that was taken out."
    if held.fitted_placed is not None:
        before, after = (format_quantity(p.rms_v, "V", 2) for p in (held.placed, held.fitted_placed))
        said += f" With the fitted values the root mean square of the differences goes from {before} to {after}."
    return said if held.board is None else f"{said} {board_sentence(held.board, bool(held.fitted))}"
