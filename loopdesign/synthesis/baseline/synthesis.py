"""The K-factor baseline: choose a crossover, place zero and pole, round, verify everywhere, step back.

What an engineer does by hand, and what the robust choice (package ``choice``) must beat or equal; its placements are
where a search in blocks begins. The compensation is placed at the corner whose plant has the most gain at the wanted
crossover, since no other corner then crosses higher; the parts are rounded to their series and every corner is examined
with the exact loop gain and the multipliers. Where a corner fails, the phase asked for rises or the crossover falls,
until all corners pass.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import islice, product
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import CheckResult, ExaminedStage, examine, examine_stage
from loopdesign.analysis.limits import limits_of
from loopdesign.analysis.readings import readings_of
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import Compensation
from loopdesign.corners.converters import amplifier, divider
from loopdesign.corners.trouble import names_file
from loopdesign.errors import LoopDesignError, NoDesignError
from loopdesign.models.switched import control_to_output
from loopdesign.synthesis.baseline.placement import PlacementError, parts_for_target
from loopdesign.synthesis.cures.current_loop import damper_sentence, refuse_unstable_current_loop
from loopdesign.synthesis.cures.damping import propose_damper
from loopdesign.units.preferred import round_to
from loopdesign.units.quantities import hertz

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.limits import Limits
    from loopdesign.compensation.compensator import NetworkParts
    from loopdesign.synthesis.baseline.placement import Method


STEP_BACK = 0.82
"""Each crossover tried is this share of the one before: finer than the margin it buys is worth."""
STEPS = 16
RESISTORS = (100.0, 1e6)
"""Smallest and largest compensation resistor one would fit [ohm]: below, amplifiers run out of current; above, leakage
and noise set the limit (common practice)."""
CAPACITORS = (10e-12, 1e-6)
"""Smallest and largest compensation capacitor one would fit [F]: below, strays count; above, start-up is slow (common
practice)."""
FEW, MANY = 4, 32
"""Placements judged together at first, and at most."""
CLEARLY = 0.02
"""Miss of a limit from which a placement is left out without a closer look [unitless]."""
CERTAINLY = 1e-3
"""Room to every limit from which a placement meets them without a closer look, and miss of one from which it does not:
above the accuracy of a judgement."""
EXTRA_PHASE_DEG = (2.0, 8.0, 15.0, 24.0, 32.0)
"""Phase added at the worst corner, for rounding and for the corners that cross lower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rounded:
    """What placing and rounding found.

    Attributes
    ----------
    check
        The case with the chosen parts, examined at every corner.
    chosen
        Names of the parts that were open, with the values chosen, in SI units.
    method
        How they were found, a sentence.
    """

    check: CheckResult
    chosen: dict[str, float]
    method: str


@names_file("no placement of parts")
def place_and_round(case: cases.Case, stage: ExaminedStage | None = None) -> Rounded:
    """Choose the open compensation parts of a case by placing, rounding and stepping back.

    Parameters
    ----------
    case
        Case with an error amplifier and a divider; a slope left open counts as zero.
    stage
        Its power stage at every corner of line and load, nominal parts, where it is examined already.

    Returns
    -------
    Rounded
        The first parts that meet every target at every corner of line and load, nominal parts.

    Raises
    ------
    NoDesignError
        Where no choice meets the targets; carries the nearest miss and what stands in the way.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    compensation = _network(case)
    stage = examine_stage(case) if stage is None else stage
    fixed = {k: v for k, v in compensation.parts.items() if v is not None}
    if not compensation.open_parts:
        return Rounded(check=examine(case, fixed, stage), chosen={}, method="all parts were given")
    refuse_unstable_current_loop(stage)
    limits = limits_of(case, stage)
    nearest: CheckResult | None = None
    complaints: list[str] = []
    for parts, method, _ in _promising(case, stage, limits, placements(case, stage, limits, complaints)):
        check = examine(case, parts, stage, limits)
        if check.targets_met:
            chosen = {k: v for k, v in parts.items() if k not in fixed}
            return Rounded(check=check, chosen=chosen, method=method)
        if nearest is None or miss(check) < miss(nearest):
            nearest = check
    raise NoDesignError(
        "no choice of parts meets the targets at every corner",
        nearest={} if nearest is None else {"parts": dict(nearest.parts), "reasons": list(nearest.reasons)},
        obstacles=obstacles(stage, nearest, complaints),
    )


def first_placed(case: cases.Case, stage: ExaminedStage, limits: Limits) -> dict[str, float] | None:
    """Find parts as `place_and_round` does, without all that a check tells of them.

    Only parts near a limit are checked: those that keep every limit clearly are taken without a check, and those that
    miss one clearly are left out, whatever else a check would have found.

    Parameters
    ----------
    case, stage, limits
        Case with a network of open parts, its power stage at every corner of line and load, and its limits.

    Returns
    -------
    dict of str to float or None
        Values by designator [ohm], [F]; None where no placement meets every limit.
    """
    for parts, missed in _briefly(case, stage, limits, placements(case, stage, limits, [])):
        if missed <= -CERTAINLY or (missed < CERTAINLY and examine(case, parts, stage, limits).targets_met):
            return parts
    return None


def placed_to_begin_with(case: cases.Case, stage: ExaminedStage, limits: Limits) -> dict[str, float]:
    """Find parts as `first_placed` does for a search to begin at; none where there are none or one would be zero."""
    try:
        parts = first_placed(case, stage, limits) or {}
    except LoopDesignError:
        return {}
    return parts if all(parts.values()) else {}


def _briefly(
    case: cases.Case, stage: ExaminedStage, limits: Limits, placed: Iterator[tuple[dict[str, float], str]]
) -> Iterator[tuple[dict[str, float], float]]:
    """Judge placements; one that fails where earlier ones failed most is judged at no other corners, nor yielded."""
    telling, together = np.empty(0, np.intp), FEW
    while batch := [parts for parts, _ in islice(placed, together)]:
        count, together = len(batch), min(2 * together, MANY)
        if len(telling):
            there = _misses(case, stage, limits, batch, telling).max(axis=1)
            batch, count = [parts for parts, miss_ in zip(batch, there, strict=True) if miss_ < CERTAINLY], 1
        while batch:
            some, batch, count = batch[:count], batch[count:], 2 * count
            misses = _misses(case, stage, limits, some)
            yield from zip(some, misses.max(axis=1).tolist(), strict=True)
            telling = np.union1d(telling, misses.argmax(axis=1)[misses.max(axis=1) >= CERTAINLY])


def _promising(
    case: cases.Case, stage: ExaminedStage, limits: Limits, placed: Iterator[tuple[dict[str, float], str]]
) -> Iterator[tuple[dict[str, float], str, float]]:
    """Judge placements together, and leave out those that miss a limit clearly; the least miss stands for them all.

    Yields parts, how they were placed, and their largest miss of any limit.
    """
    together, nearest = FEW, None
    while batch := list(islice(placed, together)):
        misses = _misses(case, stage, limits, [parts for parts, _ in batch]).max(axis=1)
        for miss_, (parts, method) in zip(misses.tolist(), batch, strict=True):
            if miss_ <= CLEARLY:
                yield parts, method, miss_
            elif nearest is None or miss_ < nearest[2]:
                nearest = parts, method, miss_
        together = min(2 * together, MANY)
    if nearest is not None:
        yield nearest


def _misses(
    case: cases.Case, stage: ExaminedStage, limits: Limits, batch: list[dict[str, float]],
    corners: NDArray[np.intp] | None = None,
) -> NDArray[np.float64]:  # fmt: skip
    """Largest miss (N,B) of any limit at all corners or some, by the exact loop; none where a part is not fitted."""
    at = np.arange(len(stage.conditions)) if corners is None else corners
    if not all(value > 0.0 for parts in batch for value in parts.values()):
        return np.zeros((len(batch), len(at)))
    count, first = len(at), batch[0]
    condition = np.tile(at, len(batch))
    some = stage.conditions.take(condition)
    factors = {
        f"compensation.{name}": np.repeat([parts[name] / value for parts in batch], count)
        for name, value in first.items()
    }
    judged = judge(base_of(case, first, stage), replace(some, factors={**some.factors, **factors}), condition)
    return np.asarray(limits.shortfall(judged).reshape(len(batch), count))


def placements(
    case: cases.Case, stage: ExaminedStage, limits: Limits, complaints: list[str]
) -> Iterator[tuple[dict[str, float], str]]:
    """Yield rounded parts with how they were placed, from the highest crossover down.

    Parameters
    ----------
    case, stage
        The case, and its power stage at every corner.
    limits
        Limits of the case.
    complaints
        What could not be placed is added here, a sentence each.

    Yields
    ------
    parts, method
        Values by name, rounded to the series; a sentence.
    """
    start = limits.crossover_limit_hz
    steps = STEPS if case.targets.crossover is None else 4
    seen: set[tuple[float, ...]] = set()
    crossovers = np.array([0.97 * start * STEP_BACK**k for k in range(steps)])
    gains = control_to_output(stage.model, crossovers)
    largest = np.take_along_axis(gains, np.argmax(np.abs(gains), axis=0)[None], axis=0)[0]
    methods = _methods(stage)
    for k, extra in product(range(steps), EXTRA_PHASE_DEG):
        crossover, plant = float(crossovers[k]), complex(largest[k])
        phase = case.targets.phase_margin + extra
        for method, pole in methods:
            try:
                ideal = parts_for_target(
                    amplifier(case), divider(case), _network(case).network, crossover_hz=crossover,
                    plant_gain=plant, phase_margin_deg=phase, method=method, pole_hz=pole,
                )  # fmt: skip
            except PlacementError as fault:
                complaints.append(str(fault))
                continue
            parts = rounded(case, ideal)
            key = tuple(parts.values())
            outside = _outside(parts)
            if outside:
                complaints.append(outside)
            elif key not in seen:
                seen.add(key)
                yield parts, f"{method} at {hertz(crossover)} with {phase:.4g} deg, rounded to the series"


def _outside(parts: dict[str, float]) -> str:
    """Name the first part beyond what one would fit; empty where all are sensible."""
    for name, value in parts.items():
        low, high = RESISTORS if name.startswith("R") else CAPACITORS
        if value and not low <= value <= high:
            unit = "ohm" if name.startswith("R") else "F"
            return f"{name} would be {value:.3g} {unit}, outside {low:g} to {high:g} {unit}"
    return ""


def _network(case: cases.Case) -> Compensation:
    """Compensation of the case; type II with every part open unless given."""
    return case.compensation or Compensation()


def _methods(stage: ExaminedStage) -> tuple[tuple[Method, float | None], ...]:
    """How zero and pole are placed, each with its fixed pole [Hz]."""
    return (("k factor", None), ("zero and pole", _high_pole(stage)))


def _high_pole(stage: ExaminedStage) -> float:
    """Where a compensator pole belongs: at the ESR zero or the right-half-plane zero, whichever is lower [Hz]."""
    poles = [float(stage.point.network.period[0]) ** -1 / 2.0]
    for plant in stage.plants:
        poles += [
            f.frequency_hz
            for f in plant.features
            if f.frequency_hz is not None and f.name.startswith(("output capacitor ESR", "right-half-plane zero"))
        ]
    return min(poles)


def rounded(case: cases.Case, ideal: NetworkParts) -> dict[str, float]:
    """Round ideal parts to the case's series; given parts stay as they are."""
    values: dict[str, float] = {}
    for name, given in _network(case).parts.items():
        value = float(getattr(ideal, name))
        series = case.targets.resistor_series if name.startswith("R") else case.targets.capacitor_series
        if given is not None:
            values[name] = given
        else:
            values[name] = float(round_to(series, value)) if value > 0.0 else 0.0
    return values


def miss(check: CheckResult) -> float:
    """Return the largest shortfall at any corner; instability outweighs every margin [unitless]."""
    return float(check.limits.shortfall(readings_of(check.margins, check.verdicts)).max())


def obstacles(stage: ExaminedStage, nearest: CheckResult | None, complaints: list[str]) -> tuple[str, ...]:
    """Say what prevents a design, the most important first."""
    told: list[str] = []
    lowest = min((z for p in stage.plants if (z := p.right_half_plane_zero_hz) is not None), default=None)
    if lowest is not None:
        told.append(
            f"the lowest right-half-plane zero, at {hertz(lowest)}, costs phase from a tenth of its frequency upwards"
        )
    values = stage.converter.stage
    sharp = [
        f
        for p in stage.plants
        for f in p.features
        if f.name.startswith("coupling-capacitor resonance") and f.quality is not None and abs(f.quality) > 3.0
    ]
    if sharp and values.damper is None and values.Cs is not None:
        worst = max(sharp, key=lambda f: abs(f.quality or 0.0))
        told.append(
            f"the coupling-capacitor resonance at {hertz(worst.frequency_hz or 0.0)} "
            f"has a Q of {abs(worst.quality or 0.0):.3g}; " + damper_sentence(propose_damper(stage))
        )
    if complaints:
        told.append(f"the network cannot give the phase: {complaints[0]}")
    if nearest is not None:
        told += [f"nearest miss: {r}" for r in nearest.reasons]
    return tuple(dict.fromkeys(told))
