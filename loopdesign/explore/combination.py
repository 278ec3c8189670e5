"""One combination of candidates: the case with these parts in its stage, given the best compensation, and examined.

What no compensation changes is looked at first: whether the output is reached, its ripple, and the ratings of the
parts. Where one of these fails, no compensation is looked for, since none can help.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.ratings import overstressed, stresses
from loopdesign.analysis.findings.worst import reading_place
from loopdesign.analysis.limits import UNSTABLE
from loopdesign.analysis.transient.deviation import step_deviation
from loopdesign.analysis.variants.extremes import at_temperatures
from loopdesign.analysis.variants.ripple import worst_ripple
from loopdesign.analysis.variants.solve import base_of
from loopdesign.analysis.worst import READ_AS, beyond_nominal, nominal_alone
from loopdesign.case.load import parse_document
from loopdesign.case.write import stage_entry
from loopdesign.errors import LoopDesignError, NoDesignError
from loopdesign.explore.point import read_point, reopened
from loopdesign.synthesis.choice import choose
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.readings import LoopFigures
    from loopdesign.case.locate import Places

READINGS = (
    "stable", "largest_multiplier", "phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz",
    "lowest_crossover_hz", "peak_deviation_v", "output_ripple_v",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Combination:
    """One combination of candidates with the best compensation for it, each reading the worst over all examined.

    Attributes
    ----------
    numbers : mapping of str to int
        Number of each candidate, counted from 0, by the designator whose place it takes.
    names : mapping of str to str
        What each candidate is called.
    cost : float
        Sum of their prices, or of their sizes, in the unit of the case file [unitless].
    stable : bool or None
        Whether everything examined is stable and held; None where no compensation was looked for or none exists.
    largest_multiplier, phase_margin_deg, gain_margin_db, modulus_margin : float or None
        Readings [unitless], [deg], [dB], [unitless]; None where there is none.
    crossover_hz, lowest_crossover_hz : float or None
        Highest and lowest crossover [Hz]; None where there is none.
    peak_deviation_v, output_ripple_v : float or None
        Largest departure at the load step, and largest ripple peak to peak [V]; None where there is none.
    parts : mapping of str to float
        What was chosen besides, by name [ohm], [F]; where targets are missed, the nearest.
    targets_met : bool
        Whether no target and no verdict fails.
    miss : float or None
        Largest miss of any target, relative to it, 0 where all are met [unitless]; None where it is not known.
    stage_fails : bool
        Whether the stage alone fails, with any compensation, so that none was looked for [unitless].
    reasons : tuple of str
        What fails, one sentence each.
    """

    numbers: Mapping[str, int]
    names: Mapping[str, str]
    cost: float
    stable: bool | None = None
    largest_multiplier: float | None = None
    phase_margin_deg: float | None = None
    gain_margin_db: float | None = None
    modulus_margin: float | None = None
    crossover_hz: float | None = None
    lowest_crossover_hz: float | None = None
    peak_deviation_v: float | None = None
    output_ripple_v: float | None = None
    parts: Mapping[str, float] = field(default_factory=dict)
    targets_met: bool = False
    miss: float | None = None
    stage_fails: bool = False
    reasons: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Turn the combination into plain values, ready for JSON.

        Returns
        -------
        dict
            Names of the candidates by designator, then the attributes by name.
        """
        return {
            "candidates": dict(self.names),
            "cost": self.cost,
            "targets_met": self.targets_met,
            **{name: getattr(self, name) for name in READINGS},
            "parts": dict(self.parts),
            "miss": self.miss,
            "stage_fails": self.stage_fails,
            "reasons": list(self.reasons),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class CombinationTask:
    """What every combination shares.

    Attributes
    ----------
    document, text, name, places
        The case file as read, its text, its name, and where its keys stand.
    nominal
        Whether temperatures and tolerance ends are left out.
    """

    document: dict[str, Any]
    text: str
    name: str
    places: Places
    nominal: bool = False

    def case(self, numbers: Mapping[str, int]) -> cases.Case:
        """Validate the case with some candidates in its stage; raises CaseError where they make it impossible."""
        entries = {name: stage_entry(self.document, name, k) for name, k in numbers.items()}
        changed = {**self.document, "stage": {**self.document["stage"], **entries}}
        return reopened(parse_document(changed, self.text, self.name, self.places))


def examined_combination(task: CombinationTask, blank: Combination) -> Combination:
    """Examine one combination with the best compensation for it.

    Parameters
    ----------
    task : CombinationTask
        What every combination shares.
    blank : Combination
        Its candidates and what they cost.

    Returns
    -------
    Combination
        With its readings, and with what fails.
    """
    told: dict[str, Any] = {"numbers": blank.numbers, "names": blank.names, "cost": blank.cost}
    try:
        case = task.case(blank.numbers)
        ripple, failing = _stage_alone(case, tolerances=not task.nominal)
        if failing:
            limit = case.targets.output_ripple
            miss = None if ripple is None or limit is None or ripple <= limit else ripple / limit - 1.0
            return Combination(**told, output_ripple_v=ripple, stage_fails=True, miss=miss, reasons=failing)
        found, chosen, failing = _designed(case, tolerances=not task.nominal)
        departure = None if found is None else _departure(found, tolerances=not task.nominal)
    except LoopDesignError as error:
        return Combination(**told, reasons=tuple(str(error).splitlines()[:1]))
    if found is None:
        return Combination(**told, output_ripple_v=ripple, reasons=failing)
    if ripple is None and found.output_ripple is not None:
        ripple = found.output_ripple.value
    point = read_point(found, (), None, departure)
    readings = {n: getattr(point, n) for n in READINGS if n != "output_ripple_v"}
    met = found.targets_met and not failing
    return Combination(
        **told, **readings, output_ripple_v=ripple, parts=chosen, targets_met=met,
        miss=0.0 if met else _largest_miss(found), reasons=(*failing, *found.reasons),
    )  # fmt: skip


def _stage_alone(case: cases.Case, *, tolerances: bool) -> tuple[float | None, tuple[str, ...]]:
    """Ripple of the output [V], and what fails with any compensation; nothing where the slope is still to be chosen."""
    if case.modulator.scheme == "peak current" and case.modulator.slope is None:
        return None, ()
    stage = examine_stage(case)
    names = [corner_name(stage.conditions, k) for k in range(len(stage.conditions))]
    failing = overstressed(stresses(case, stage.waves), names)
    base, limit = base_of(case, {}, stage), case.targets.output_ripple
    worst = worst_ripple(at_temperatures(base) if tolerances else base, tolerances=tolerances, verdict=False)
    if worst is None:
        return None, failing
    if limit is not None and worst.value > limit:
        reached, asked = (format_quantity(v, "V", 4) for v in (worst.value, limit))
        failing += (f"output ripple {reached} at {reading_place(worst)} is above {asked}",)
    return worst.value, failing


def _designed(case: cases.Case, *, tolerances: bool) -> tuple[CheckResult | None, Mapping[str, float], tuple[str, ...]]:
    """Choose the compensation and check the choice; where none meets the targets, the nearest, and why none does."""
    try:
        choice = choose(case, tolerances=tolerances, advise=False)
    except NoDesignError as error:
        nearest, why = error.nearest.get("parts"), (str(error).splitlines()[0], *error.obstacles[:1])
        if not isinstance(nearest, dict):
            return None, {}, why
        try:
            found = examine(case, nearest)
            return (beyond_nominal(found) if tolerances else nominal_alone(found)), nearest, why
        except LoopDesignError:
            return None, nearest, why
    found = beyond_nominal(choice.check, choice.extremes) if tolerances else nominal_alone(choice.check)
    return found, {**choice.chosen, **choice.check.parts}, ()


def _departure(found: CheckResult, *, tolerances: bool) -> float | None:
    """Largest departure at the load step of the case [V]; None where it has none, or none can be made."""
    told = found.step_deviation
    if (
        told is None
        and found.case.specification.load_step is not None
        and found.case.specification.regulate == "voltage"
    ):
        told = step_deviation(found.case, found.parts, tolerances=tolerances)
    return None if told is None else told.peak_deviation_v


def _largest_miss(found: CheckResult) -> float | None:
    """Largest miss of any limit, relative to it; above all others where the converter is unstable."""
    if not found.stable:
        largest = found.worst["largest_multiplier"]
        return UNSTABLE if largest is None else UNSTABLE + largest.value
    misses = []
    for row in found.limits:
        reading = found.worst.get(READ_AS.get(row.name, row.reading))
        value = np.nan if reading is None else reading.value
        if row.name == "step_deviation" and found.step_deviation is not None:
            value = found.step_deviation.peak_deviation_v or np.nan
        misses.append(float(row.miss(cast("LoopFigures", SimpleNamespace(**{row.reading: np.array(value)})))))
    largest_miss = max(misses)
    return largest_miss if math.isfinite(largest_miss) and largest_miss > 0.0 else None
