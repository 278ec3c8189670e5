"""Where a step ends: the operating point after it, and what keeps the controller from holding one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.transient.start import start_of
from loopdesign.errors import LoopDesignError, UnreachableOutputError
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import ON
from loopdesign.orbit.holding import WORDS, Bounds, held
from loopdesign.orbit.operating_point import Guess, operating_point
from loopdesign.orbit.periodic import solve
from loopdesign.orbit.waveforms import average_probe

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.transient.start import Staged, StepPlan, StepStart
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.devices import ControlLimits

REFERENCE_MATCH = 1e-11
"""Difference of the solved reference from the given one, relative to it, that counts as zero."""


NO_LOAD = "no load is left after the step: the converter skips pulses and has no periodic operating point"
LARGEST_DUTY = "largest duty"
"""What an operating point needs more of than the clock allows."""


def not_kept(start: StepStart, model: SwitchedModel | None = None) -> str | None:
    """Name the limit of the controller that an operating point would not respect; None where there is none.

    Parameters
    ----------
    start : StepStart
        Where the step begins.
    model : SwitchedModel, optional
        The operating point in question; that before the step unless given.

    Returns
    -------
    str or None
        ``largest duty``, or one of the words of `orbit.holding`.
    """
    point = start.point if model is None else model.point
    if float(point.duty[0]) > start.converter.max_duty:
        return LARGEST_DUTY
    return WORDS[int(held(point, _bounds(start))[0])]


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
    limits, duty, word = start.limits, float(point.duty[0]), not_kept(start, model)
    if word == LARGEST_DUTY:
        return f"it needs a duty of {duty:.4g}, above max_duty of {start.converter.max_duty:g}"
    if word == "clamp":
        return _beyond_the_clamp(_control_voltage(point), limits)
    if word == "minimum on-time":
        shortest = max(limits.min_on_time, start.converter.blanking + start.converter.turn_off_delay)
        return f"it needs an on-time of {duty * start.converter.period:.3g} s, below the shortest of {shortest:.3g} s"
    if word == "current limit":
        return f"its sensed peak is above the current limit of {limits.current_limit:.4g} V"
    return "" if word is None else "the comparator trips before its on-time is over"


def _beyond_the_clamp(control: float, limits: ControlLimits) -> str:
    """Say which limit of its clamp a control voltage [V] exceeds."""
    if limits.highest is not None and control > limits.highest:
        return f"it needs a control voltage of {control:.4g} V, above the clamp at {limits.highest:.4g} V"
    if limits.lowest is not None and control < limits.lowest:
        return f"it needs a control voltage of {control:.4g} V, below the clamp at {limits.lowest:.4g} V"
    return f"the ripple of its control voltage about {control:.4g} V reaches the clamp"


def _bounds(start: StepStart) -> Bounds:
    """Gather what bounds the controller, as the orbit knows it."""
    limits, converter = start.limits, start.converter
    armed = max(converter.blanking, limits.min_on_time - converter.turn_off_delay, 0.0) / converter.period
    return Bounds(lowest=limits.lowest, highest=limits.highest, current_limit=limits.current_limit, armed=armed)


def begun(
    case: cases.Case, parts: Mapping[str, float], planned: StepPlan, staged: Staged | None
) -> tuple[StepStart | None, str]:
    """Solve where a step begins, or say why it cannot; a step back may be possible where the step itself is not.

    Parameters
    ----------
    case
        The case.
    parts
        Compensation parts by designator [ohm], [F].
    planned
        The step.
    staged
        What it shares with other steps; None where that is to be solved.

    Returns
    -------
    tuple of StepStart or None and str
        The beginning, and nothing; or None, and why.

    Raises
    ------
    UnreachableOutputError
        Where the operating point before a step, not a step back, is out of reach.
    """
    try:
        start = start_of(case, parts, *planned, staged)
    except UnreachableOutputError as error:
        if not planned[0].endswith("back"):
            raise
        return None, str(error)
    told = obstacle(start)
    return (None, told) if told else (start, "")


def mean_output(start: StepStart, point: OperatingPoint) -> float:
    """Average voltage across the load at an operating point before or after a step.

    Parameters
    ----------
    start : StepStart
        Where the step begins.
    point : OperatingPoint
        A batch of one.

    Returns
    -------
    float
        Average [V]; the regulated one where the feedback senses the load itself.
    """
    converter = start.converter
    if converter.current_sense is None and converter.regulated_node == converter.load_node:
        return float(point.problem.target[0])
    return float(average_probe(point, "v(out)")[0])


def _control_voltage(point: OperatingPoint) -> float:
    """Control voltage where the switch opens [V]."""
    k, on = point.network.output_index("v(control)"), point.network.configurations[ON]
    return float(on.C[0, k] @ point.at_duty[0] + on.D[0, k] @ point.inputs[0])


def model_after(start: StepStart) -> tuple[SwitchedModel | None, str, str | None]:
    """Operating point after the step, and why the controller cannot hold it where it cannot.

    Parameters
    ----------
    start : StepStart
        Where the step begins.

    Returns
    -------
    tuple of SwitchedModel or None, str, and str or None
        The model, why there is none or it is not held, and the limit of the controller that keeps it from being held.
    """
    total = start.load[1]
    if total <= 0.0 and not start.converter.synchronous:
        return None, NO_LOAD, None
    stage = replace(start.opened, load_current=np.array([max(total, 1e-6)]), input_voltage=np.array([start.line[1]]))
    if "reference" not in start.changes:  # what the step adds is no part of the stage's own load
        stage = replace(stage, load="resistive")
    try:
        edges = operating_point(stage).sequence if start.after is None else start.after
    except LoopDesignError as error:
        return None, str(error), None
    model, reason = final_model(start.point, start.changes, edges)
    if model is not None:
        told = obstacle(start, model)
        if told:
            return model, f"the operating point after the step cannot be held: {told}", not_kept(start, model)
    return model, reason, None


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
    network, reference = point.network, changes.get("reference", float(point.trim[0]))
    inputs = point.inputs.copy()
    for name, value in changes.items():
        if name != "reference":
            inputs[:, network.input_index(name)] = value
    slope = float(point.trim[0]) / float(point.problem.target[0])
    # near the new level, not at the old one, where the sequence of the guess may have no orbit
    target = point.problem.target + (reference - float(point.trim[0])) / slope
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
