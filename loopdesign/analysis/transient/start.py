"""Where a step begins and ends: the plan of a case, operating points before and after, and what limits forbid."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from loopdesign.corners.controller import control_limits
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.corners.trouble import traced
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.network.batch import joined, take
from loopdesign.network.converter import sink_current
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import Guess, operating_point
from loopdesign.orbit.periodic import solve
from loopdesign.orbit.problem import pose
from loopdesign.orbit.stepping.cycle import CycleStepper

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.devices import ControlLimits

StepKind = Literal["load", "load back", "line", "line back"]
StepPlan: TypeAlias = "tuple[StepKind, tuple[float, float], tuple[float, float]]"
"""Kind of a step; input voltage before and after it [V]; load current before and after it [A]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Staged:
    """What several steps of a plan share: the power stage, loop open, and edges before and after a step.

    ``level`` is the stage at the level after it with its edges, where a regulated current steps.
    """

    opened: Converter
    before: Guess
    after: Guess | None
    level: tuple[Converter, Guess] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStart:
    """A closed loop in steady state before a step, and the inputs of the step."""

    kind: StepKind
    converter: Converter
    opened: Converter
    point: OperatingPoint
    model: SwitchedModel
    limits: ControlLimits
    changes: Mapping[str, float]
    line: tuple[float, float]
    load: tuple[float, float]
    after: Guess | None = None


def step_plan(case: cases.Case) -> list[StepPlan]:
    """List kind, input voltage before and after, load before and after of every step.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    list of tuple
        ``(kind, (before, after), (before, after))``: input voltages [V], load currents [A].
    """
    s = case.specification
    if s.load_step is None and s.line_step is None:
        raise DataError(
            f"{case.where('specification')}: there is no step to make: give load_step or line_step, "
            'such as load_step = { from = "0.5 A", to = "1.5 A" }'
        )
    plan: list[StepPlan] = []
    if s.load_step is not None:
        low, high = s.load_step.from_, s.load_step.to
        _refuse_no_load(case, low, high)
        for kind, load in (("load", (low, high)), ("load back", (high, low))):
            if load[0] > 0.0:
                plan += [(kind, (v, v), load) for v in s.input_voltage.values]  # type: ignore[misc]
    if s.line_step is not None:
        a, b = s.line_step.from_, s.line_step.to
        for current in s.output_current.values:
            if current > 0.0:
                plan += [("line", (a, b), (current, current)), ("line back", (b, a), (current, current))]
    return plan


def _refuse_no_load(case: cases.Case, before: float, after: float) -> None:
    """Refuse steps that leave nothing to regulate."""
    if case.specification.load == "current" and after == 0.0:
        raise DataError(
            f"{case.where('specification.load_step.to')}: a current load of 0 A draws nothing, so nothing discharges "
            "the output and there is no operating point after the step; give a small current, or a resistive load"
        )
    if before == 0.0:
        raise DataError(
            f"{case.where('specification.load_step.from')}: without a load there is no operating point to step from; "
            "give the smallest load current"
        )


def stages(case: cases.Case, plan: list[StepPlan]) -> list[Staged | None]:
    """Solve the power stages of a plan once each, and the edges at all their loads together.

    Parameters
    ----------
    case : Case
        The case.
    plan : list of tuple
        Every step.

    Returns
    -------
    list of Staged or None
        One for each step; None where a step has to be solved on its own, which tells what is in its way.
    """
    corners = [_corner(case, *step) for step in plan]
    if case.current_sense is not None:  # each level has a load of its own
        return _levels(case, plan, corners)
    single = {_place(corner): corner for corner in corners}
    number = {place: k for k, place in enumerate(single)}
    wanted = [
        [(number[_place(corner)], *level) for level in zip(line, load, strict=True)]
        for (_, line, load), corner in zip(plan, corners, strict=True)
    ]
    levels = {level: k for k, level in enumerate(dict.fromkeys(w for pair in wanted for w in pair if w[2] > 0.0))}
    try:
        whole, point = solved(case, joined(list(single.values())))
        edges = _edges(whole, point.sequence, list(levels))
    except (LoopDesignError, *BREAKDOWN):
        return [None] * len(plan)
    told: list[Staged | None] = []
    for before, after in wanted:
        begun, ended = (edges.take(np.array([levels[w]])) if w in levels else None for w in (before, after))
        opened = take(whole, np.array([before[0]]), len(single))
        told.append(None if begun is None else Staged(opened=opened, before=begun, after=ended))
    return told


def _levels(case: cases.Case, plan: list[StepPlan], corners: list[Corners]) -> list[Staged | None]:
    """Solve the power stages of a plan whose steps are of the current that is regulated."""
    places = {_place(corner): corner for corner in corners}
    for _, line, load in plan:
        for volts, amperes in ((line[0], load[1]), (line[1], load[1])):
            if amperes > 0.0:
                places.setdefault((volts, amperes), one_corner(case, volts, amperes))
    number = {place: np.array([k]) for k, place in enumerate(places)}
    try:
        whole, point = solved(case, joined(list(places.values())))
    except (LoopDesignError, *BREAKDOWN):
        return [None] * len(plan)
    told: list[Staged | None] = []
    for _, line, load in plan:
        here, level, after = ((line[0], load[0]), (line[0], load[1]), (line[1], load[1]))
        if not all(place in number for place in (here, level, after)):
            told.append(None)
            continue
        opened, reached = (take(whole, number[place], len(places)) for place in (here, level))
        before, risen, later = (point.sequence.take(number[place]) for place in (here, level, after))
        told.append(Staged(opened=opened, before=before, after=later, level=(reached, risen)))
    return told


def _place(corner: Corners) -> tuple[float, float]:
    """Input voltage [V] and load current [A] of a batch of one."""
    return float(corner.input_voltage[0]), float(corner.load_current[0])


def _edges(opened: Converter, known: Guess, levels: list[tuple[int, float, float]]) -> Guess:
    """Find the edges of some power stages of a batch, each at an input voltage [V] and a load [A], from known ones."""
    place, line, load = (np.array(column) for column in zip(*levels, strict=True))
    whole = replace(take(opened, place, len(known)), load="resistive", input_voltage=line, load_current=load)
    return operating_point(whole, known.take(place)).sequence


def _corner(case: cases.Case, kind: StepKind, line: tuple[float, float], load: tuple[float, float]) -> Corners:
    """Say where the load's netlist is that of the step's own beginning; a regulated current has one for each level."""
    first = load[1] if kind == "load back" and case.current_sense is None else load[0]
    return one_corner(case, line[0], first if first > 0.0 else load[0])


def start_of(
    case: cases.Case,
    parts: Mapping[str, float],
    kind: StepKind,
    line: tuple[float, float],
    load: tuple[float, float],
    staged: Staged | None = None,
) -> StepStart:
    """Solve the operating point before a step.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].
    kind : StepKind
        ``load``, ``line`` or their way back.
    line : tuple of float
        Input voltage before and after [V].
    load : tuple of float
        Load current before and after [A].
    staged : Staged, optional
        What the step shares with others; solved here unless given.

    Returns
    -------
    StepStart
        The closed loop in steady state before the step.

    Raises
    ------
    UnreachableOutputError, NumericalError
        Naming file and corner, where there is none.
    """

    def begun(corner: Corners) -> StepStart:
        if staged is None:
            return start_at(case, parts, (kind, line, load), corner, solved(case, corner)[0])
        start = start_at(case, parts, (kind, line, load), corner, staged.opened, staged)
        return replace(start, after=staged.after)

    return traced(
        begun,
        case,
        _corner(case, kind, line, load),
        what="no operating point to step from",
    )


def start_at(
    case: cases.Case, parts: Mapping[str, float], change: StepPlan, corner: Corners, opened: Converter,
    known: Staged | Guess | None = None,
) -> StepStart:  # fmt: skip
    """Solve the operating point before a step of one converter.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].
    change : StepPlan
        Kind of the step, input voltage and load current before and after it [V], [A].
    corner : Corners
        Line, load and temperature of the load's netlist, and factors on part values; a batch of one.
    opened : Converter
        The power stage there, loop open.
    known : Staged or Guess, optional
        The edges before and after the step as `stages` solved them, or edges to begin the solution before it from.

    Returns
    -------
    StepStart
        The closed loop in steady state before the step.
    """
    kind, line, load = change
    converter = opened.closed(compensation(case, parts, corner))
    sink = float(np.ravel(sink_current(converter))[0])
    low = float(corner.load_current[0])
    if isinstance(known, Staged):
        staged, begin = known, known.before
    else:
        staged = None
        begin = operating_point(replace(opened, load="resistive", load_current=np.array([load[0]])), known).sequence
    point = _closed_point(converter, sink + load[0] - low, begin)
    changes = {"load": sink + load[1] - low, "line": line[1]}
    if case.current_sense is not None:  # the level that is held steps, not a current drawn beside it
        level = one_corner(case, line[0], load[1])
        after, edges = (solved(case, level)[0], None) if staged is None or staged.level is None else staged.level
        reached = operating_point(after.closed(compensation(case, parts, level)), edges)
        changes = {"reference": float(reached.trim[0]), "line": line[1]}
    return StepStart(
        kind=kind, converter=converter, opened=opened, point=point, model=linearise(point),
        limits=_limits(case, corner), changes=changes, line=line, load=load,
    )  # fmt: skip


def _limits(case: cases.Case, corner: Corners) -> ControlLimits:
    """Bound the controller, its current limit at its tolerance."""
    limits, factor = control_limits(case), float(np.ravel(corner.factor("current_limit"))[0])
    return limits if limits.current_limit is None else replace(limits, current_limit=limits.current_limit * factor)


def _closed_point(converter: Converter, sink: float, guess: Guess) -> OperatingPoint:
    """Solve the closed loop at the specified output with a given current of the load's sink [A]."""
    # the operating point after the step may take any sequence
    posed = pose(converter, configurations=tuple(range(converter.topology.devices.places)))
    inputs = posed.inputs.copy()
    inputs[:, posed.network.input_index("load")] = sink
    return solve(replace(posed, inputs=inputs), guess)


def stepper_of(start: StepStart) -> CycleStepper:
    """Make a stepper with the inputs of the operating point before the step.

    Parameters
    ----------
    start : StepStart
        Where the step begins.

    Returns
    -------
    CycleStepper
        Ready to run.
    """
    point = start.point
    return CycleStepper(start.converter, dict(zip(point.network.inputs, point.inputs[0], strict=True)), start.limits)
