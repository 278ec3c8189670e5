"""Where a step begins and ends: the plan of a case, operating points before and after, and what limits forbid."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.corners.controller import control_limits
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.corners.trouble import traced
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.models.switched import SwitchedModel, linearise
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
REFERENCE_MATCH = 1e-11
"""Difference of the solved reference from the given one, relative to it, that counts as none."""


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


def step_plan(case: cases.Case) -> list[tuple[StepKind, tuple[float, float], tuple[float, float]]]:
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
    plan: list[tuple[StepKind, tuple[float, float], tuple[float, float]]] = []
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


def start_of(
    case: cases.Case, parts: Mapping[str, float], kind: StepKind, line: tuple[float, float], load: tuple[float, float]
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

    Returns
    -------
    StepStart
        The closed loop in steady state before the step.

    Raises
    ------
    UnreachableOutputError, NumericalError
        Naming file and corner, where there is none.
    """
    first = load[1] if kind == "load back" else load[0]  # the load's netlist is that of the step's own beginning
    corner = one_corner(case, line[0], first if first > 0.0 else load[0])
    return traced(
        lambda some: _start_at(case, parts, kind, line, load, some),
        case,
        corner,
        what="no operating point to step from",
    )


def _start_at(
    case: cases.Case,
    parts: Mapping[str, float],
    kind: StepKind,
    line: tuple[float, float],
    load: tuple[float, float],
    corner: Corners,
) -> StepStart:
    opened, _ = solved(case, corner)
    converter = opened.closed(compensation(case, parts, corner))
    sink = float(np.ravel(sink_current(converter))[0])
    low = float(corner.load_current[0])
    edges = operating_point(replace(opened, load="resistive", load_current=np.array([load[0]])))
    point = _closed_point(converter, sink + load[0] - low, edges.sequence)
    changes = {"load": sink + load[1] - low, "line": line[1]}
    return StepStart(
        kind=kind, converter=converter, opened=opened, point=point, model=linearise(point),
        limits=control_limits(case), changes=changes, line=line, load=load,
    )  # fmt: skip


def _closed_point(converter: Converter, sink: float, guess: Guess) -> OperatingPoint:
    """Solve the closed loop at the specified output with a given current of the load's sink [A]."""
    posed = pose(converter)
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


def obstacle(start: StepStart, model: SwitchedModel | None = None) -> str:
    """Say which limit of the controller an operating point would not respect; empty where none.

    Parameters
    ----------
    start : StepStart
        Where the step begins.
    model : SwitchedModel, optional
        The operating point in question; that before the step unless given.

    Returns
    -------
    str
        A sentence, or nothing.
    """
    point = start.point if model is None else model.point
    k = point.network.output_index("v(control)")
    on = point.network.configurations[0]
    control = float(on.C[0, k] @ point.at_duty[0] + on.D[0, k] @ point.inputs[0])
    limits, duty = start.limits, float(point.duty[0])
    if limits.highest is not None and control > limits.highest:
        return f"it needs a control voltage of {control:.4g} V, above the clamp at {limits.highest:.4g} V"
    if limits.lowest is not None and control < limits.lowest:
        return f"it needs a control voltage of {control:.4g} V, below the clamp at {limits.lowest:.4g} V"
    if duty > start.converter.max_duty:
        return f"it needs a duty of {duty:.4g}, above max_duty of {start.converter.max_duty:g}"
    if duty * start.converter.period < limits.min_on_time:
        needed = duty * start.converter.period
        return f"it needs an on-time of {needed:.3g} s, below min_on_time of {limits.min_on_time:.3g} s"
    return ""


def model_after(start: StepStart) -> tuple[SwitchedModel | None, str]:
    """Operating point after the step, or why there is none that the controller can hold.

    Parameters
    ----------
    start : StepStart
        Where the step begins.

    Returns
    -------
    tuple of SwitchedModel or None, and str
        The model, and why there is none.
    """
    total = start.load[1]
    if total <= 0.0 and not start.converter.synchronous:
        return None, "no load is left after the step: the converter skips pulses and has no periodic operating point"
    try:
        edges = operating_point(
            replace(
                start.opened, load="resistive", load_current=np.array([max(total, 1e-6)]),
                input_voltage=np.array([start.line[1]]),
            )
        )  # fmt: skip
    except LoopDesignError as error:
        return None, str(error)
    model, reason = final_model(start.point, start.changes, edges.sequence)
    if model is not None:
        told = obstacle(start, model)
        if told:
            return None, f"the operating point after the step cannot be held: {told}"
    return model, reason


def moved_point(point: OperatingPoint, changes: Mapping[str, float], guess: Guess) -> OperatingPoint:
    """Solve the operating point that the same reference holds once inputs have changed.

    Parameters
    ----------
    point
        Closed-loop operating point before the change, a batch of one; its reference stays.
    changes
        New values of inputs by name: ``load`` [A], ``line`` [V].
    guess
        Edges near the new operating point.

    Returns
    -------
    OperatingPoint
        With the average output that the finite gain of the amplifier leaves.

    Raises
    ------
    ConvergenceError
        Where there is none.
    """
    network, reference = point.network, float(point.trim[0])
    inputs = point.inputs.copy()
    for name, value in changes.items():
        inputs[:, network.input_index(name)] = value
    target = point.problem.target.copy()
    slope = reference / float(target[0])
    last: tuple[float, float] | None = None
    found = solve(replace(point.problem, inputs=inputs, target=target), guess)
    for _ in range(12):
        miss = float(found.trim[0]) - reference
        if abs(miss) < REFERENCE_MATCH * abs(reference):
            break
        if last is not None and last[0] != float(target[0]):
            slope = (miss - last[1]) / (float(target[0]) - last[0])
        last = (float(target[0]), miss)
        target = target - miss / slope
        found = solve(replace(point.problem, inputs=inputs, target=target), found.sequence)
    return found


def final_model(point: OperatingPoint, changes: Mapping[str, float], guess: Guess) -> tuple[SwitchedModel | None, str]:
    """Linearise the operating point after a step, or say why there is none.

    Parameters
    ----------
    point : OperatingPoint
        A batch of one, before the step.
    changes : mapping of str to float
        Inputs that move, with their values after the step [V], [A].
    guess : Guess
        Edges to begin from.

    Returns
    -------
    tuple of SwitchedModel or None, and str
        The model, and why there is none.
    """
    try:
        return linearise(moved_point(point, changes, guess)), ""
    except (LoopDesignError, *BREAKDOWN) as error:
        return None, str(error)
