"""Load and line steps of a case, at every input voltage, and the start of trouble.

A load step is a current sink added at a clock edge to the load as it is at ``from``, as an electronic load makes it; the
step back takes the sink away again. A line step changes the source at a clock edge. Every run begins on the periodic
operating point, whose reference is trimmed so that the average output is the specified one. Capacitors keep the value
they have at their bias before the step.

Soft start and current limit are not modelled.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.converter import operating_point, problem, sink_current
from loopdesign.corners import compensation, one_corner, solved
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.responses import given_parts
from loopdesign.steady import Guess, solve
from loopdesign.step_estimate import estimate
from loopdesign.stepping import ControlLimits, CycleStepper
from loopdesign.switched import SwitchedModel, input_impedance, line_to_output, linearise, output_impedance
from loopdesign.transient import (
    GrowthRun,
    Ringing,
    Run,
    Traces,
    disturb,
    final_model,
    from_point,
    ringing,
    run,
    settling_time,
    traces,
)
from loopdesign.verdict import Mode, worst_modes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.converter import Converter
    from loopdesign.steady import OperatingPoint

Kind = Literal["load", "load back", "line", "line back"]
LEAST_CYCLES, MOST_CYCLES = 1000, 10000
"""Cycles of a run whose number is not given: it ends at rest, within these."""
UNSTABLE_CYCLES = 2000
ZOOM_BEFORE, ZOOM_AFTER = 3, 9
"""Cycles drawn singly before and after a step."""
POINTS = 150
"""Frequencies of the closed-loop responses."""
ESTIMATED = 160
"""Instants at which the prediction from the impedance is evaluated."""
NOT_MODELLED = "soft start and current limit are not modelled"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """One step at one input voltage.

    Attributes
    ----------
    kind
        ``load`` and ``line`` as the case gives them, ``... back`` the way back.
    input_voltage, line_to
        Input voltage before and after [V].
    load_from, load_to
        Load current before and after, at the specified output [A].
    before, after
        Average output before the step, and at the operating point after it [V]; None where there is none.
    run
        Every cycle after the step.
    zoom
        Waveforms inside the cycles around the step; the step is at time zero.
    peak_deviation_v
        Largest departure of the cycle mean from its value before the step [V].
    raw_deviation_v
        Largest departure of the output itself, ripple included, from the mean before the step [V].
    settling_time_s
        Time after which the cycle mean stays within the band around its final value [s]; None where it does not.
    worst
        Worst mode of the operating point after the step; None where there is none.
    ringing
        What the tail of the run shows of it.
    estimated_v
        Deviation that the closed-loop impedance (line: rejection) at the operating points before and after predicts
        [V]; None where it is unstable or absent.
    stable
        Whether the operating point after the step is stable by its multipliers and the run came to it.
    reason
        Why not, as a sentence; empty where stable.
    """

    kind: Kind
    input_voltage: float
    line_to: float
    load_from: float
    load_to: float
    before: float
    after: float | None
    run: Run
    zoom: Traces
    peak_deviation_v: float
    raw_deviation_v: float
    settling_time_s: float | None
    worst: Mode | None
    ringing: Ringing | None
    estimated_v: tuple[float | None, float | None]
    stable: bool
    reason: str

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Middle of each cycle (N,) [s]."""
        return self.run.time_s

    @property
    def output_voltage_v(self) -> NDArray[np.float64]:
        """Mean output of each cycle (N,) [V]."""
        return self.run.mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Impedances:
    """Closed-loop responses of the switched model at one operating point, over frequencies (F,) [Hz].

    ``output`` and ``input`` are impedances [ohm], ``line`` is the output per volt of input [V/V]; complex (F,).
    """

    input_voltage: float
    load_current: float
    stable: bool
    frequencies_hz: NDArray[np.float64]
    output: NDArray[np.complex128]
    line: NDArray[np.complex128]
    input: NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStudy:
    """Every step of a case.

    Attributes
    ----------
    case
        The case.
    results
        One per kind and input voltage; ``load`` first.
    impedances
        Closed-loop responses at every operating point that a step begins from.
    growth
        A small disturbance at the operating point with the largest and the smallest worst multiplier.
    band_v
        Settling band [V].
    notes
        What else there is to tell, one sentence each; what is not modelled among it.
    """

    case: cases.Case
    results: tuple[StepResult, ...]
    impedances: tuple[Impedances, ...]
    growth: tuple[GrowthRun, ...]
    band_v: float
    notes: tuple[str, ...]

    @property
    def stable(self) -> bool:
        """Whether every step ends at a stable operating point."""
        return all(r.stable for r in self.results)

    def of(self, kind: Kind) -> tuple[StepResult, ...]:
        """Steps of one kind, by rising input voltage as the case lists it."""
        return tuple(r for r in self.results if r.kind == kind)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    """A closed loop at rest before a step, and the inputs of the step."""

    kind: Kind
    converter: Converter
    opened: Converter
    point: OperatingPoint
    model: SwitchedModel
    limits: ControlLimits
    changes: Mapping[str, float]
    line: tuple[float, float]
    load: tuple[float, float]


def control_limits(case: cases.Case) -> ControlLimits:
    """Limits of the controller as the case gives them."""
    amplifier = case.error_amplifier
    clamp = None if amplifier is None else amplifier.clamp
    return ControlLimits(
        output_current=getattr(amplifier, "output_current_limit", None),
        lowest=None if clamp is None else clamp.min,
        highest=None if clamp is None else clamp.max,
        min_on_time=case.modulator.min_on_time,
    )


def step_results(
    case: cases.Case, *, cycles: int | None = None, progress: Callable[[int, int], None] | None = None
) -> StepStudy:
    """Make every step of a case at every input voltage.

    Parameters
    ----------
    case
        A case whose compensation parts are given.
    cycles
        Cycles of each run; None runs until the converter is at rest.
    progress
        Called with the number of runs done and in all.

    Returns
    -------
    StepStudy
        Load steps, steps back and line steps, and the growth of small disturbances.

    Raises
    ------
    DataError
        Where the case gives no step or no compensation parts, or the step starts or ends without a load to hold.
    UnreachableOutputError
        Where the operating point before a step is out of reach.
    """
    parts = given_parts(case)
    plan = _plan(case)
    results, notes = [], [NOT_MODELLED]
    starts = {}
    for done, (kind, line, load) in enumerate(plan):
        if progress is not None:
            progress(done, len(plan))
        start = _start(case, parts, kind, line, load)
        obstacle = _obstacle(start)
        if obstacle:
            notes.append(f"{kind} step at {line[0]:.4g} V, {load[0]:.3g} A not made: {obstacle}")
            continue
        starts[line[0], load[0]] = start
        results.append(_step(start, cycles, case))
    growth = tuple(_growth(s) for s in _extremes(list(starts.values())))
    if progress is not None:
        progress(len(plan), len(plan))
    band = case.targets.settling_band * case.specification.output_voltage
    return StepStudy(
        case=case, results=tuple(results), impedances=tuple(_impedances(s) for s in starts.values()), growth=growth,
        band_v=band, notes=tuple(notes),
    )  # fmt: skip


def _impedances(start: _Start) -> Impedances:
    fs = 1.0 / float(start.converter.period)
    f = np.geomspace(1e-4 * fs, 0.5 * fs, POINTS)
    return Impedances(
        input_voltage=start.line[0], load_current=start.load[0], stable=worst_modes(start.model)[0].stable,
        frequencies_hz=f, output=output_impedance(start.model, f)[0], line=line_to_output(start.model, f)[0],
        input=input_impedance(start.model, f)[0],
    )  # fmt: skip


def _plan(case: cases.Case) -> list[tuple[Kind, tuple[float, float], tuple[float, float]]]:
    """List kind, input voltage before and after, load before and after of every step."""
    s = case.specification
    if s.load_step is None and s.line_step is None:
        raise DataError(
            f"{case.source}: no step to make: give specification.load_step or specification.line_step, "
            'such as load_step = { from = "0.5 A", to = "1.5 A" }'
        )
    plan: list[tuple[Kind, tuple[float, float], tuple[float, float]]] = []
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
    where = f"{case.source}: specification.load_step"
    if case.specification.load == "current" and after == 0.0:
        raise DataError(
            f"{where}.to: a current load of 0 A draws nothing, so that nothing discharges the output and no operating "
            "point exists after the step; give a small current, or a resistive load"
        )
    if before == 0.0:
        raise DataError(
            f"{where}.from: without a load there is no operating point to step from; give the smallest load current"
        )


def _start(
    case: cases.Case, parts: Mapping[str, float], kind: Kind, line: tuple[float, float], load: tuple[float, float]
) -> _Start:
    """Solve the operating point before a step."""
    first = load[1] if kind == "load back" else load[0]  # the load's netlist is that of the step's own beginning
    corner = one_corner(case, line[0], first if first > 0.0 else load[0])
    opened, _ = solved(case, corner)
    converter = opened.closed(compensation(case, parts, corner))
    sink = float(np.ravel(sink_current(converter))[0])
    low = float(corner.load_current[0])
    edges = operating_point(replace(opened, load="resistive", load_current=np.array([load[0]])))
    point = _closed_point(converter, sink + load[0] - low, Guess.from_point(edges))
    changes = {"load": sink + load[1] - low, "line": line[1]}
    return _Start(
        kind=kind, converter=converter, opened=opened, point=point, model=linearise(point),
        limits=control_limits(case), changes=changes, line=line, load=load,
    )  # fmt: skip


def _closed_point(converter: Converter, sink: float, guess: Guess) -> OperatingPoint:
    """Solve the closed loop at the specified output with a given current of the load's sink [A]."""
    posed = problem(converter)
    inputs = posed.inputs.copy()
    inputs[:, posed.network.input_index("load")] = sink
    return solve(replace(posed, inputs=inputs), guess)


def _stepper(start: _Start) -> CycleStepper:
    point = start.point
    return CycleStepper(start.converter, dict(zip(point.network.inputs, point.inputs[0], strict=True)), start.limits)


def _obstacle(start: _Start, model: SwitchedModel | None = None) -> str:
    """Say which limit of the controller an operating point would not respect; empty where none."""
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
        return f"it needs a duty of {duty:.4g}, above the largest of {start.converter.max_duty:g}"
    if duty * start.converter.period < limits.min_on_time:
        return f"it needs an on-time of {duty * start.converter.period:.3g} s, below the shortest of {limits.min_on_time:.3g} s"
    return ""


def _after(start: _Start) -> tuple[SwitchedModel | None, str]:
    """Operating point after the step, or why there is none that the controller can hold."""
    total = start.load[1]
    if total <= 0.0 and not start.converter.synchronous:
        return None, "no load is left after the step: the converter skips pulses and does not come to a periodic rest"
    try:
        edges = operating_point(
            replace(
                start.opened, load="resistive", load_current=np.array([max(total, 1e-6)]),
                input_voltage=np.array([start.line[1]]),
            )
        )  # fmt: skip
    except LoopDesignError as error:
        return None, str(error)
    model, reason = final_model(start.point, start.changes, Guess.from_point(edges))
    if model is not None:
        obstacle = _obstacle(start, model)
        if obstacle:
            return None, f"the operating point after the step cannot be held: {obstacle}"
    return model, reason


def _cycles(model: SwitchedModel | None, cycles: int | None) -> tuple[int, int | None]:
    """Most and least cycles of a run."""
    if cycles is not None:
        return cycles, None
    stable = model is not None and worst_modes(model)[0].stable
    return (MOST_CYCLES if stable else UNSTABLE_CYCLES), LEAST_CYCLES


def _step(start: _Start, cycles: int | None, case: cases.Case) -> StepResult:
    """Make one step and read it."""
    output = case.specification.output_voltage
    band = case.targets.settling_band * output
    stepper = _stepper(start)
    x, devices = from_point(start.point)
    lead = traces(stepper, x, devices, cycles=ZOOM_BEFORE, first=-ZOOM_BEFORE)
    before = float(start.point.problem.target[0])
    model, reason = _after(start)
    stepper.set_inputs(**start.changes)
    most, least = _cycles(model, cycles)
    sequence = run(stepper, x, devices, cycles=most, at_least=least)
    zoom = _joined(lead, traces(stepper, x, devices, cycles=ZOOM_AFTER))
    worst = None if model is None else worst_modes(model)[0]
    after = None if model is None else float(model.point.problem.target[0])
    stable, reason = _judge(sequence, after, worst, band, reason)
    final = after if after is not None else float(sequence.mean[-len(sequence.mean) // 10 :].mean())
    raw = max(float(sequence.highest.max()) - before, before - float(sequence.lowest.min()))
    heard = None if worst is None or after is None else ringing(
        sequence.mean - after, sequence.period, expected=worst
    )  # fmt: skip
    return StepResult(
        kind=start.kind, input_voltage=start.line[0], line_to=start.line[1], load_from=start.load[0],
        load_to=start.load[1], before=before, after=after, run=sequence, zoom=zoom,
        peak_deviation_v=float(np.abs(sequence.mean - before).max()), raw_deviation_v=raw,
        settling_time_s=settling_time(sequence, final, band) if stable else None, worst=worst, ringing=heard,
        estimated_v=(_estimated(start, start.model, sequence), _estimated(start, model, sequence)),
        stable=stable, reason=reason,
    )  # fmt: skip


def _judge(sequence: Run, after: float | None, worst: Mode | None, band: float, reason: str) -> tuple[bool, str]:
    """Judge a step by the multipliers after it and by whether the run came there."""
    if worst is None or after is None:
        return False, reason
    if not worst.stable:
        return False, (
            f"unstable after the step: {worst.name} at {worst.frequency_hz:.4g} Hz grows {worst.growth_per_s:.3g} per "
            f"second (largest multiplier {abs(worst.multiplier):.4f})"
        )
    tail = sequence.mean[-max(10, len(sequence.mean) // 20) :]
    if float(np.abs(tail - after).max()) > band:
        return False, "the run did not come to the operating point after the step, although that is stable"
    return True, ""


def _estimated(start: _Start, model: SwitchedModel | None, sequence: Run) -> float | None:
    """Deviation predicted from a closed-loop response at one operating point."""
    if model is None or not worst_modes(model)[0].stable:
        return None
    load = start.kind.startswith("load")
    size = start.load[1] - start.load[0] if load else start.line[1] - start.line[0]
    count = len(sequence.mean)
    times = sequence.time_s[np.unique(np.geomspace(1, count, min(count, ESTIMATED)).astype(int) - 1)]
    return abs(size) * float(np.abs(estimate(model, "load" if load else "line", times)).max())


def _joined(lead: Traces, rest: Traces) -> Traces:
    return Traces(
        time_s=np.concatenate([lead.time_s, rest.time_s]),
        output=np.concatenate([lead.output, rest.output]),
        control=np.concatenate([lead.control, rest.control]),
        currents={k: np.concatenate([v, rest.currents[k]]) for k, v in lead.currents.items()},
    )


def _extremes(starts: list[_Start]) -> list[_Start]:
    """Operating points with the largest and the smallest worst multiplier."""
    ranked = sorted(starts, key=lambda s: abs(worst_modes(s.model)[0].multiplier))
    return [ranked[-1], ranked[0]] if len(ranked) > 1 else ranked


def _growth(start: _Start) -> GrowthRun:
    found = disturb(_stepper(start), start.model)
    return replace(found, load_current=start.load[0])
