"""Everything a check says about a case: operating points, plant, loop, margins and verdict at every corner."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.findings.clamp import ClampStudy, clamp_study, clamp_warnings
from loopdesign.analysis.findings.corner import corner_name, corner_results, instabilities, no_crossover
from loopdesign.analysis.findings.direct_path import direct_path_too_fast
from loopdesign.analysis.findings.held import not_held, with_regimes
from loopdesign.analysis.findings.ratings import Stress, overstressed, stresses
from loopdesign.analysis.findings.worst import Examined, nominal_worst
from loopdesign.analysis.given import has_loop
from loopdesign.analysis.grids import NEAR_DC_SHARE, band
from loopdesign.analysis.limits import Limits, conflicts, hardly_regulated, limits_of, missed_limits
from loopdesign.analysis.outputs.cross import CrossRegulation, cross_regulation
from loopdesign.analysis.readings import readings_of
from loopdesign.analysis.regimes.least import light_loads
from loopdesign.compensation.state_space import Compensator
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import amplifier, compensation, divider, line_load_corners, network_parts, solved
from loopdesign.corners.effective import beyond_current_curves, beyond_curves, effective_values
from loopdesign.corners.trouble import named, traced
from loopdesign.margins.closed_loop import closed_loop_margins
from loopdesign.models.insight import plants
from loopdesign.models.switched import SwitchedModel, linearise, loop_gain
from loopdesign.models.verdict import Verdict, verdicts
from loopdesign.orbit.operating_point import operating_point, within_the_largest_duty
from loopdesign.orbit.waveforms import Waveforms, waveforms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.findings.corner import CornerResult
    from loopdesign.analysis.findings.step import StepDeviation
    from loopdesign.analysis.findings.worst import Beyond, WorstReading
    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.effective import EffectiveValue
    from loopdesign.margins.margins import LoopMargins
    from loopdesign.models.insight import Plant
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.operating_point import Guess
    from loopdesign.orbit.problem import OperatingPoint

GRID = 160
"""Points of the grid a plotted loop gain begins with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExaminedStage:
    """The power stage at a batch of corners, before any loop is closed.

    Attributes
    ----------
    conditions, converter, point, model, plants
        Conditions, network, operating points, switched models, and poles, zeros and features.
    waves
        One period of every current and voltage.
    warnings
        Corners whose rectifier does not do what the model assumes, and parts beyond their curves, one sentence each.
    """

    conditions: Corners
    converter: Converter
    point: OperatingPoint
    model: SwitchedModel
    plants: tuple[Plant, ...]
    waves: Waveforms
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """A case with given parts, examined at every corner.

    Attributes
    ----------
    case, parts
        The case and the compensation parts by name; parts are empty where the case has no loop.
    stage
        Open-loop operating points, switched models and plants, one per corner.
    closed_loop
        Closed-loop switched model; None where the case has no loop.
    margins, verdicts
        One per corner; margins are empty where the case has no loop. A margin is only ever shown beside its verdict.
    limits
        What was asked, each with its source.
    reasons
        Every target or verdict that fails, one sentence each; empty where none does.
    light_loads : tuple of LightLoad or None
        What the converter does at corners whose load needs less than a pulse every period; empty without a loop.
    step_deviation : StepDeviation or None
        Largest departure at the load step; None where the case has no target for it.
    output_ripple : WorstReading or None
        Largest ripple of the output, peak to peak [V]; None where the case has no target for it.
    beyond : Beyond or None
        What temperatures and tolerance ends show besides; None where only nominal parts were examined.
    clamp : ClampStudy or None
        Leakage and clamp at every corner, and the highest at tolerance ends; None without a leakage.
    """

    case: cases.Case
    parts: Mapping[str, float]
    stage: ExaminedStage
    closed_loop: SwitchedModel | None
    margins: tuple[LoopMargins, ...]
    verdicts: tuple[Verdict, ...]
    limits: Limits
    reasons: tuple[str, ...] = field(default_factory=tuple)
    beyond: Beyond | None = None
    step_deviation: StepDeviation | None = None
    output_ripple: WorstReading | None = None
    light_loads: tuple[LightLoad | None, ...] = ()
    clamp: ClampStudy | None = None

    @property
    def conditions(self) -> Corners:
        """Line, load and temperature of every corner."""
        return self.stage.conditions

    @property
    def corners(self) -> tuple[CornerResult, ...]:
        """Findings of each corner, in the order of the conditions."""
        return corner_results(
            self.conditions, self.stage.point, self.stage.plants, self.verdicts, self.margins, self.compensator,
            self.light_loads,
        )  # fmt: skip

    @property
    def compensator(self) -> Compensator | None:
        """What closes the loop, with nominal parts; None without a loop."""
        if self.closed_loop is None:
            return None
        case, fitted = self.case, network_parts(self.case, self.parts)
        return Compensator(amplifier=amplifier(case), divider=divider(case), network_parts=fitted)

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the check into one row per corner, ready for a data frame.

        Returns
        -------
        list of dict
            Keys and values of the corners in ``check --json``.
        """
        return [corner.to_dict() for corner in self.corners]

    @property
    def stable(self) -> bool:
        """Whether everything examined is stable by the multipliers, and held by its controller."""
        return all(v.stable for v in self.verdicts) and (self.beyond is None or self.beyond.stable)

    @property
    def worst(self) -> Mapping[str, WorstReading | None]:
        """The worst of each reading over everything examined, and what makes it; None where there is none."""
        beyond = self.beyond
        told = nominal_worst(self.conditions, self.margins, self.verdicts) if beyond is None else beyond.worst
        return told if self.output_ripple is None else {**told, "output_ripple_v": self.output_ripple}

    @property
    def examined(self) -> Examined:
        """What the check covers."""
        if self.beyond is not None:
            return self.beyond.examined
        return Examined(corners=(n := len(self.conditions)), temperatures=1, tolerance_ends=False, points=n)

    @property
    def effective(self) -> tuple[EffectiveValue, ...]:
        """Every part value that is not the given one at every corner: bias, current, temperature, parts in parallel."""
        return effective_values(self.case, self.conditions, self.stage.point)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Warnings about the case file, its operating points and its loop."""
        readings = readings_of(self.margins, self.verdicts) if self.margins and self.targets_met else None
        slow = () if readings is None else hardly_regulated(self.limits, readings.crossover_hz)
        conflict = tuple(f"{told}: no loop meets both" for told in conflicts(self.case, self.limits))
        step, limit = self.step_deviation, self.case.targets.step_deviation
        back = () if step is None or limit is None else step.warnings(limit)
        stage = tuple(told for told in self.stage.warnings if told not in self.reasons)
        return (*self.case.warnings, *stage, *conflict, *slow, *back)

    @property
    def stresses(self) -> tuple[Stress, ...]:
        """What the parts carry at each corner against the ratings that the case file gives."""
        return stresses(self.case, self.stage.waves)

    @property
    def cross_regulation(self) -> CrossRegulation | None:
        """Further outputs over line and all loads; None where the stage has none."""
        return cross_regulation(self.case)

    @property
    def targets_met(self) -> bool:
        """Whether no target and no verdict fails."""
        return not self.reasons

    def limit(self, name: str) -> float:
        """Return the value of one limit, in the unit of its reading; raises KeyError where there is none."""
        return self.limits.value(name)


def examine_stage(case: cases.Case, corners: Corners | None = None, guess: Guess | None = None) -> ExaminedStage:
    """Solve and linearise the power stage at every corner.

    Parameters
    ----------
    case : Case
        The case.
    corners : Corners, optional
        Conditions (B,); every listed line and load with nominal parts unless given.
    guess : Guess, optional
        Where their solutions may lie (B,), such as those at another temperature; looked for unless given.

    Returns
    -------
    ExaminedStage
        Operating points, switched models, plants and waveforms (B,).

    Raises
    ------
    UnreachableOutputError, NumericalError
        Naming file and corner, where losses keep the output below its target or the arithmetic breaks down.
    """
    corners = line_load_corners(case) if corners is None else corners
    what = "no operating point"
    return traced(
        lambda some: _examined_stage(case, some, guess if some is corners else None), case, corners, what=what
    )


def _examined_stage(case: cases.Case, corners: Corners, guess: Guess | None = None) -> ExaminedStage:
    converter, point = within_the_largest_duty(*solved(case, corners, guess))
    waves = waveforms(converter, point)
    return ExaminedStage(
        conditions=corners, converter=converter, point=point, model=linearise(point), plants=plants(converter, point),
        waves=waves,
        warnings=(*beyond_curves(case, point, waves), *clamp_warnings(case, corners, converter, point, waves)),
    )  # fmt: skip


def closed_model(case: cases.Case, stage: ExaminedStage, parts: Mapping[str, float]) -> SwitchedModel:
    """Close the loop with given parts and linearise it at every corner of the stage.

    Parameters
    ----------
    case : Case
        The case.
    stage : ExaminedStage
        The power stage at its conditions.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].

    Returns
    -------
    SwitchedModel
        The closed loop (B,), its compensation network among the states; a NumericalError names file and corner.
    """

    def close(some: Corners) -> SwitchedModel:
        opened = stage if some is stage.conditions else _examined_stage(case, some)
        closed = opened.converter.closed(compensation(case, parts, some))
        return linearise(operating_point(closed, opened.point.sequence))

    return traced(close, case, stage.conditions, what="no operating point of the closed loop")


def loop_margins(model: SwitchedModel) -> tuple[LoopMargins, ...]:
    """Find the margins of the exact loop gain at every corner, up to half the switching frequency.

    Parameters
    ----------
    model : SwitchedModel
        The closed loop (B,).

    Returns
    -------
    tuple of LoopMargins
        One per item.
    """
    switching = 1.0 / float(model.point.network.period[0])
    gain, low_hz, lowest_hz = partial(loop_gain, model), band(switching)[0], NEAR_DC_SHARE * switching
    return closed_loop_margins(gain, model.multipliers, switching_hz=switching, low_hz=low_hz, lowest_hz=lowest_hz)


def examine(
    case: cases.Case, parts: Mapping[str, float], stage: ExaminedStage | None = None, limits: Limits | None = None
) -> CheckResult:
    """Examine a case with given compensation parts at every corner.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float
        Values by designator, 0.0 where not fitted [ohm], [F]; ignored where the case has no error amplifier.
    stage : ExaminedStage, optional
        The power stage, where it is already examined.
    limits : Limits, optional
        Limits of the case, where they are known.

    Returns
    -------
    CheckResult
        With every failing target in ``reasons``.
    """
    stage = examine_stage(case) if stage is None else stage
    limits = limits_of(case, stage) if limits is None else limits
    if not has_loop(case):
        judged = verdicts(stage.model, None, bounds(case, stage.conditions))
        told = "the case has no error amplifier, feedback and compensation: only the current loop was examined"
        return CheckResult(
            case=case, parts={}, stage=stage, closed_loop=None, margins=(), verdicts=judged, limits=limits,
            clamp=clamp_study(case, stage, ends=False),
            reasons=(
                told, *not_held(case, stage.conditions, stage.converter, stage.point, judged),
                *instabilities(stage.conditions, judged), *_overstressed(case, stage),
                *beyond_current_curves(case, stage.waves),
            ),
        )  # fmt: skip
    loop = closed_model(case, stage, parts)
    with named(case, what="no margins"):
        margins = loop_margins(loop)
        judged = verdicts(stage.model, loop, bounds(case, stage.conditions))
        light = light_loads(case, stage.conditions, stage.converter, loop.point, judged, parts)
    readings = readings_of(margins, judged)
    missing = missed_limits(limits, readings, _names(stage.conditions))
    missing += no_crossover(stage.conditions, margins, judged)
    if (readings.crossover_hz > limits.crossover_limit_hz).any():
        missing += direct_path_too_fast(case, stage.conditions, stage.converter, stage.point, limits.crossover_limit_hz)
    return CheckResult(
        case=case, parts=dict(parts), stage=stage, closed_loop=loop, margins=margins, limits=limits,
        verdicts=with_regimes(judged, light), light_loads=light, clamp=clamp_study(case, stage, ends=False),
        reasons=(
            *not_held(case, stage.conditions, stage.converter, loop.point, judged, parts, found=light),
            *instabilities(stage.conditions, judged), *missing, *_overstressed(case, stage),
            *beyond_current_curves(case, stage.waves),
        ),
    )  # fmt: skip


def _names(corners: Corners) -> list[str]:
    return [corner_name(corners, item) for item in range(len(corners))]


def _overstressed(case: cases.Case, stage: ExaminedStage) -> tuple[str, ...]:
    return overstressed(stresses(case, stage.waves), _names(stage.conditions))
