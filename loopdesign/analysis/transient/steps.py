"""Load and line steps of a case, at every input voltage, and the growth of small disturbances.

A load step is a current sink added at a clock edge to the load as it is at ``from``, as an electronic load makes it;
the step back takes the sink away again. A line step changes the source at a clock edge. Every run begins on the
periodic operating point, whose reference is trimmed so that the average output is the specified one. Capacitors keep
the value they have at their bias before the step.

Every step begins in regulation; start-ups are the business of `loopdesign.analysis.startup`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.analysis.given import given_parts
from loopdesign.analysis.transient.after import begun, mean_output, model_after
from loopdesign.analysis.transient.currents import CurrentPeak, current_peaks
from loopdesign.analysis.transient.estimate import predicted_departures
from loopdesign.analysis.transient.outcome import cut_short, growth_words, left_out, verdict
from loopdesign.analysis.transient.ringing import GrowthRun, Ringing, disturb, extremes_of, ringing
from loopdesign.analysis.transient.run import Run, Traces, from_point, run_cycles, settling_time, traces, traces_of
from loopdesign.analysis.transient.start import (
    Staged,
    StepKind,
    StepPlan,
    StepStart,
    stages,
    step_plan,
    stepper_of,
)
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError
from loopdesign.models.verdict import Mode, worst_modes
from loopdesign.network.batch import joined

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.models.switched import SwitchedModel
    from loopdesign.orbit.stepping.devices import Segment

LEAST_CYCLES, MOST_CYCLES = 1000, 10000
"""Least and most cycles of a run whose number is not given; it ends once the output has settled."""
MOST_ASKED = 200_000
"""Most cycles of a run that a caller may ask for; a run of so many takes about a minute."""
UNSTABLE_CYCLES = 2000
ZOOM_BEFORE, ZOOM_AFTER = 3, 9
"""Cycles drawn singly before and after a step."""
ESTIMATED = 160
"""Instants at which the prediction from the impedance is evaluated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """One step at one input voltage.

    Attributes
    ----------
    kind
        ``load`` and ``line`` as the case gives them, ``... back`` the way back.
    input_voltage, input_voltage_to
        Input voltage before and after [V].
    load_from, load_to
        Load current before and after, at the specified output [A].
    output_before_v, output_after_v
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
    worst_mode
        Worst mode of the operating point after the step, held or not; None where there is none.
    ringing
        What the tail of the run shows of it.
    predicted_deviation_v
        Deviation that the closed-loop impedance (line: rejection) at the operating points before and after predicts
        [V]; None where it is unstable or absent.
    stable
        Whether the operating point after the step is stable by its multipliers and the run came or was coming to it.
    cut
        Whether the run ended before it settled; settling time and deviation are then not the whole story.
    reason
        Why not, as a sentence; empty where stable.
    held
        What keeps the controller from staying at the operating point after the step; None where nothing does.
    current_peaks
        Largest current of every inductor, switch and rectifier and of what is sensed, beside that at rest [A].

    Examples
    --------
    >>> import loopdesign as ld
    >>> step = ld.step("cases/tide_gauge_sepic_undamped.toml", cycles=20).corners[1]
    >>> type(step) is ld.StepResult, step.input_voltage, step.load_from, step.load_to, step.output_voltage_v.shape
    (True, 13.0, 0.4, 1.2, (20,))
    """

    kind: StepKind
    input_voltage: float
    input_voltage_to: float
    load_from: float
    load_to: float
    output_before_v: float
    output_after_v: float | None
    run: Run
    zoom: Traces
    peak_deviation_v: float
    raw_deviation_v: float
    settling_time_s: float | None
    worst_mode: Mode | None
    ringing: Ringing | None
    predicted_deviation_v: tuple[float | None, float | None]
    stable: bool
    reason: str
    cut: bool = False
    held: str | None = None
    current_peaks: tuple[CurrentPeak, ...] = ()

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Middle of each cycle (N,) [s]."""
        return self.run.time_s

    @property
    def output_voltage_v(self) -> NDArray[np.float64]:
        """Mean output of each cycle (N,) [V]."""
        return self.run.mean


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStudy:
    """Every step of a case.

    Attributes
    ----------
    case
        The case.
    results
        One per kind and input voltage; ``load`` first.
    growth
        A small disturbance at the operating point with the largest and the smallest worst multiplier.
    band_v
        Settling band [V].
    not_made
        Steps that could not be made and why, one sentence each.
    notes
        What is not modelled, one sentence each.
    """

    case: cases.Case
    results: tuple[StepResult, ...]
    growth: tuple[GrowthRun, ...]
    band_v: float
    not_made: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def stable(self) -> bool:
        """Whether every step was made and ends at a stable operating point."""
        return not self.not_made and all(r.stable for r in self.results)

    def of(self, kind: StepKind) -> tuple[StepResult, ...]:
        """Pick the steps of one kind, by rising input voltage as the case lists it."""
        return tuple(r for r in self.results if r.kind == kind)


StepOutcome: TypeAlias = "tuple[StepStart | None, StepResult | None, str]"
"""A step's beginning and what came of it; None and why, where it cannot be made."""


@names_file("no step")
def step(
    case: cases.Case,
    *,
    cycles: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    executor: Executor | None = None,
    begun: Iterable[StepOutcome] | None = None,
) -> StepStudy:
    """Make every step of a case at every input voltage.

    Parameters
    ----------
    case
        A case whose compensation parts are given.
    cycles
        Cycles of each run [unitless]; None runs until the output has settled.
    progress
        Called with the number of runs done and in all.
    executor
        Who makes the steps; this process unless given.
    begun
        Outcomes of `step_calls` for this very case, where somebody makes them already.

    Returns
    -------
    StepStudy
        Load steps, steps back and line steps, and the growth of small disturbances.

    Raises
    ------
    DataError
        Where the case gives no step or no compensation parts, the step starts or ends without a load to hold, or the
        number of cycles is not from 1 to `MOST_ASKED`.
    UnreachableOutputError
        Where the operating point before a step is out of reach.
    """
    if cycles is not None and not 1 <= cycles <= MOST_ASKED:
        raise DataError(f"the number of cycles is {cycles}; it must be from 1 to {MOST_ASKED:,}")
    plan = step_plan(case)
    results, missed, starts = [], [], {}
    share = map if executor is None else executor.map
    if progress is not None:
        progress(0, len(plan))
    outcomes = share(*step_calls(case, cycles)) if begun is None else begun
    for done, ((kind, line, load), (start, made, told)) in enumerate(zip(plan, outcomes, strict=True), start=1):
        if start is None or made is None:
            missed.append(f"{_words(kind)} at {line[0]:.4g} V, {load[0]:.3g} A was not made: {told}")
        else:
            starts[line[0], load[0]] = start
            results.append(made)
        if progress is not None and done < len(plan):
            progress(done, len(plan))
    growth = tuple(share(_growth, extremes_of(list(starts.values()))))
    if progress is not None:
        progress(len(plan), len(plan))
    band = case.targets.settling_band * case.specification.output_voltage
    return StepStudy(
        case=case, results=tuple(results), growth=growth, band_v=band, not_made=tuple(missed), notes=left_out(case)
    )


def step_calls(
    case: cases.Case, cycles: int | None = None, staged: list[Staged | None] | None = None
) -> tuple[Callable[[StepPlan, Staged | None], StepOutcome], list[StepPlan], list[Staged | None]]:
    """List the calls that make the steps of a case, for an executor's ``map``.

    Parameters
    ----------
    case, cycles, staged
        As `step` takes them [unitless]; what `stages` returns for the case, where it is known.

    Returns
    -------
    tuple of callable, list and list
        What to call, and its arguments by step.

    Raises
    ------
    DataError
        As `step`.
    """
    parts, plan = given_parts(case), step_plan(case)
    return partial(_made, case, parts, cycles), plan, stages(case, plan) if staged is None else staged


def _made(
    case: cases.Case, parts: Mapping[str, float], cycles: int | None, planned: StepPlan, staged: Staged | None
) -> StepOutcome:
    """Make one step of the plan, or say why it cannot be made."""
    start, told = begun(case, parts, planned, staged)
    return start, None if start is None else _step(start, cycles, case), told


def _cycles(model: SwitchedModel | None, cycles: int | None) -> tuple[int, int | None]:
    """Most and least cycles of a run."""
    if cycles is not None:
        return cycles, None
    stable = model is not None and worst_modes(model)[0].stable
    return (MOST_CYCLES if stable else UNSTABLE_CYCLES), LEAST_CYCLES


def _step(start: StepStart, cycles: int | None, case: cases.Case) -> StepResult:
    """Make one step and evaluate it."""
    output = case.specification.output_voltage
    band = case.targets.settling_band * output
    stepper = stepper_of(start)
    x, devices = from_point(start.point)
    lead = traces(stepper, x, devices, cycles=ZOOM_BEFORE, first=-ZOOM_BEFORE)
    before = mean_output(start, start.point)
    reached, reason, held = model_after(start)
    model = reached if held is None else None
    stepper.set_inputs(**start.changes)
    most, least = _cycles(model, cycles)
    motions: list[list[Segment]] = []
    followed = ZOOM_AFTER if most >= ZOOM_AFTER else 0
    sequence = run_cycles(stepper, x, devices, cycles=most, at_least=least, motions=motions, followed=followed)
    near = traces_of(stepper, motions) if followed else traces(stepper, x, devices, cycles=ZOOM_AFTER)
    zoom = joined([lead, near])
    worst = None if model is None else worst_modes(model)[0]
    after = None if model is None else mean_output(start, model.point)
    there = None if reached is None else worst_modes(reached)[0]
    if held is not None and there is not None and not there.stable:
        reason += f"; it is unstable besides: {growth_words(there)}"
    stable, reason = verdict(sequence, after, worst, band, reason)
    cut = stable and cut_short(sequence, after, worst, band)
    final = after if after is not None else float(sequence.mean[-len(sequence.mean) // 10 :].mean())
    raw = max(float(sequence.highest.max()) - before, before - float(sequence.lowest.min()))
    heard = None if worst is None or after is None else ringing(
        sequence.mean - after, sequence.period, expected=worst
    )  # fmt: skip
    return StepResult(
        kind=start.kind, input_voltage=start.line[0], input_voltage_to=start.line[1], load_from=start.load[0],
        load_to=start.load[1], output_before_v=before, output_after_v=after, run=sequence, zoom=zoom,
        peak_deviation_v=float(np.abs(sequence.mean - before).max()), raw_deviation_v=raw,
        settling_time_s=settling_time(sequence, final, band) if stable and not cut else None,
        worst_mode=there, ringing=heard,
        predicted_deviation_v=_estimated(start, model, sequence),
        stable=stable, reason=reason, cut=cut, held=held,
        current_peaks=current_peaks(stepper, sequence, lead, near, followed=ZOOM_AFTER, settled=stable and not cut),
    )  # fmt: skip


def _estimated(start: StepStart, after: SwitchedModel | None, sequence: Run) -> tuple[float | None, float | None]:
    """Deviation predicted from the closed-loop response at the operating points before and after a step."""
    told: list[float | None] = [None, None]
    sound = {k: m for k, m in enumerate((start.model, after)) if m is not None and worst_modes(m)[0].stable}
    if sound:
        load = start.kind.startswith("load")
        size = start.load[1] - start.load[0] if load else start.line[1] - start.line[0]
        count = len(sequence.mean)
        times = sequence.time_s[np.unique(np.geomspace(1, count, min(count, ESTIMATED)).astype(int) - 1)]
        departures = predicted_departures(list(sound.values()), "load" if load else "line", times)
        for k, departure in zip(sound, departures, strict=True):
            told[k] = abs(size) * float(np.abs(departure).max())
    return told[0], told[1]


def _growth(start: StepStart) -> GrowthRun:
    found = disturb(stepper_of(start), start.model)
    return replace(found, load_current=start.load[0])


def _words(kind: StepKind) -> str:
    """Name a step in a sentence, such as "load step back"."""
    what, _, back = kind.partition(" ")
    return f"{what} step {back}".rstrip()
