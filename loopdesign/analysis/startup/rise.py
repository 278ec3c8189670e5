"""Start-up of a case at every input voltage and load, and a drop-out of its line.

A start begins with every capacitor discharged and every inductor without current; the controller has been awake for a
period, so that a clamp has set its pin. At time zero the line is there and the controller begins to switch; the
reference rises in a straight line over ``soft_start``, or is there at once. The limits of amplifier, clamp and current
are at work all along. Parts keep the values they have at the operating point that the start leads to.

A resistive load is a resistor throughout, a load with a drop draws nothing below it, a current sink is a resistor below
a tenth of the output. A constant power is no load for an output without voltage: a resistor of the same current at the
full output takes its place, and that of current sinks at further outputs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import given_parts
from loopdesign.analysis.startup.plan import RiseKind, planned
from loopdesign.analysis.startup.record import Record, recorded_run
from loopdesign.corners.controller import bounds, limits_at
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.corners.power_stage import inductors, sensed_element
from loopdesign.corners.trouble import names_file, traced
from loopdesign.errors import NumericalError
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import verdicts
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.network.converter import Converter

MOST_CYCLES = 20_000
"""Most cycles of a run."""
AFTER = 200
"""Fewest cycles after the reference or the line has come to its final value."""
LOADS = {
    "resistive": "the load is a resistor at every output voltage",
    "current": "the load is a current sink, and below a tenth of the output a resistor of the same current there",
    "power": "the load of constant power is taken for a resistor of the same current at the full output: it draws less "
    "on the way than a converter would that starts below the full output",
    "voltage": "the load draws nothing below its drop",
}
"""What a run makes of each kind of load."""
WORDS = {"start": "start", "dropout": "line drop-out"}
STILL = 0.02
"""Share of what is missing by which the output must change over the last tenth of a run not to be called latched."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rise:
    """One start-up, or one drop-out of the line.

    Attributes
    ----------
    kind
        ``start`` or ``dropout``.
    input_voltage, load_current
        The corner [V], [A].
    record
        The run.
    target_v
        Output at the regulated operating point [V].
    return_time_s
        After which the line of a drop-out returns [s]; of a start zero.
    band_v
        Settling band around the regulated output, half of its width; of a regulated current what it makes in the
        resistance of the load [V].
    overshoot_v
        Largest mean of a cycle above the regulated output [V]; of a drop-out, after the line has returned.
    lowest_output_v
        Lowest mean of a cycle [V]; of a start None.
    settling_time_s
        Time after which the mean stays in the settling band, from the start, or from the return of the line [s]; None
        where it does not.
    peak_current_a
        Largest current of the sensed element on the way [A].
    load_peak_a
        Largest current of the load on the way [A].
    output_peaks_v
        Highest voltage on the way of each output that is not regulated, by name [V].
    limited_cycles
        Cycles whose on-time the current limit ended [unitless].
    latched
        Whether the output stays away from its target without rising further.
    stable
        Whether the output comes to a regulated operating point that is stable by its multipliers and held.
    reason
        Why not, as a sentence; empty where stable.
    """

    kind: RiseKind
    input_voltage: float
    load_current: float
    record: Record
    target_v: float
    band_v: float
    return_time_s: float
    overshoot_v: float
    lowest_output_v: float | None
    settling_time_s: float | None
    peak_current_a: float
    load_peak_a: float
    output_peaks_v: Mapping[str, float]
    limited_cycles: int
    latched: bool
    stable: bool
    reason: str

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Middle of each cycle (N,) [s]."""
        middle: NDArray[np.float64] = (np.arange(len(self.record.mean), dtype=np.float64) + 0.5) * self.record.period
        return middle

    @property
    def output_voltage_v(self) -> NDArray[np.float64]:
        """Mean output of each cycle (N,) [V]."""
        return self.record.mean

    def to_dict(self) -> dict[str, Any]:
        """Turn the run into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            What was read, and output and control voltage over time.
        """
        names = (
            "kind", "input_voltage", "load_current", "stable", "latched", "reason", "overshoot_v", "lowest_output_v",
            "settling_time_s", "peak_current_a", "load_peak_a", "limited_cycles",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names} | {
            "inductor_peaks_a": {p[2:-1]: value for p, value in self.record.peaks.items() if p.startswith("i(")},
            "output_peaks_v": dict(self.output_peaks_v),
            "energy": self.record.energy.to_dict(),
            "time_s": [float(v) for v in self.time_s],
            "output_voltage_v": [float(v) for v in self.record.mean],
            "sensed_peak_a": [float(v) for v in self.record.sensed],
            "control_voltage_v": [float(v) for v in self.record.control],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseStudy:
    """Every start-up of a case, and every drop-out of its line.

    Attributes
    ----------
    case
        The case.
    results
        One for each input voltage and load current; starts first.
    notes
        What is taken for granted, one sentence each.
    not_made
        Runs that could not be made and why, one sentence each.
    """

    case: cases.Case
    results: tuple[Rise, ...]
    notes: tuple[str, ...]
    not_made: tuple[str, ...] = ()

    @property
    def stable(self) -> bool:
        """Whether every run was made and comes to a stable regulated operating point."""
        return not self.not_made and all(r.stable for r in self.results)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Every run not made or not coming to regulation, and every peak above its rating, one sentence each."""
        told = [
            f"{WORDS[r.kind]} at {r.input_voltage:.4g} V, {r.load_current:.3g} A: {r.reason}"
            for r in self.results
            if not r.stable
        ]
        return (*self.not_made, *told, *_over_ratings(self))


@names_file("no start-up")
def rises(case: cases.Case, *, progress: Callable[[int, int], None] | None = None) -> RiseStudy:
    """Start a case at every input voltage and load, and interrupt its line where the case asks for it.

    Parameters
    ----------
    case : Case
        A case whose compensation parts are given.
    progress : callable, optional
        Called with the number of runs done and in all.

    Returns
    -------
    RiseStudy
        Every run.

    Raises
    ------
    DataError
        Where the case has no loop.
    UnreachableOutputError
        Where the output is out of reach.
    """
    given = case.specification
    whole, parts = case, given_parts(case)
    case = _resistive_further(case)
    corners = [(v, i) for v in given.input_voltage.values for i in given.output_current.values]
    kinds: list[RiseKind] = ["start"] if given.line_dropout is None else ["start", "dropout"]
    results, missed = [], []
    for done, (kind, (line, load)) in enumerate((k, c) for k in kinds for c in corners):
        if progress is not None:
            progress(done, len(kinds) * len(corners))
        try:
            results.append(_rise(case, parts, kind, line, load))
        except (NumericalError, *BREAKDOWN) as fault:
            why = str(fault) if isinstance(fault, NumericalError) else "its numbers become too large to compute with"
            missed.append(f"{WORDS[kind]} at {line:.4g} V, {load:.3g} A was not made: {why}")
    if progress is not None:
        progress(len(kinds) * len(corners), len(kinds) * len(corners))
    return RiseStudy(case=case, results=tuple(results), notes=_notes(whole), not_made=tuple(missed))


def _resistive_further(case: cases.Case) -> cases.Case:
    """Give further outputs a resistor in place of a current sink."""
    outputs = getattr(case.stage, "outputs", ())
    if all(output.load == "resistive" for output in outputs):
        return case
    eased = tuple(output.model_copy(update={"load": "resistive"}) for output in outputs)
    return case.model_copy(update={"stage": case.stage.model_copy(update={"outputs": eased})})


def _notes(case: cases.Case) -> tuple[str, ...]:
    """Say what the runs take for granted."""
    told = ["the line and the controller are there at time zero", LOADS[case.specification.load]]
    if any(output.load == "current" for output in getattr(case.stage, "outputs", ())):
        told.append("further outputs with a current sink carry a resistor of the same current at their voltage instead")
    if not getattr(case.error_amplifier, "soft_start", 0.0):
        told.append("no soft_start is given: the reference is there at once")
    amplifier = case.error_amplifier
    if amplifier is not None and amplifier.kind != "shunt optocoupler" and amplifier.clamp is None:
        told.append("no clamp is given: the control voltage may leave the range of a real amplifier and return late")
    told.append("parts have the values of the operating point that the start leads to")
    return tuple(told)


def _rise(case: cases.Case, parts: Mapping[str, float], kind: RiseKind, line: float, load: float) -> Rise:
    """Make one run and read it."""
    corner = one_corner(case, line, load)
    opened, found = traced(lambda at: solved(case, at), case, corner, what="no operating point")
    opened = replace(opened, load="resistive") if opened.load == "power" else opened
    closed = opened.closed(compensation(case, parts, corner))
    point = operating_point(closed, found.sequence)
    verdict = verdicts(linearise(found), linearise(point), bounds(case, corner))[0]
    further = {name: f"v({a},{b})" for name, (a, b) in closed.topology.outputs.items()}
    probes = (f"i({sensed_element(case)})", *(f"i({name})" for name in inductors(case)), *further.values())
    probes = tuple(dict.fromkeys(probes))
    target = float(np.ravel(closed.load_voltage)[0])
    band = case.targets.settling_band * (target if case.specification.regulate == "voltage" else _slack(closed))
    plan = planned(case, kind, closed, point, limits=limits_at(case, corner, 0), probes=probes)
    back = plan.changed
    record = recorded_run(
        plan.stepper, plan.begin, plan.profile, probes=probes, target=target, band=band, least=back + AFTER,
        most=max(MOST_CYCLES, 2 * back),
    )  # fmt: skip
    settled = _settled(record, target, band, back if kind == "dropout" else 0)
    latched = settled is None and _latched(record, target)
    stable = settled is not None and verdict.stable
    return Rise(
        kind=kind, input_voltage=line, load_current=load, record=record, target_v=target, band_v=band,
        return_time_s=back * record.period if kind == "dropout" else 0.0,
        overshoot_v=max(float(record.mean[back if kind == "dropout" else 0 :].max()) - target, 0.0),
        lowest_output_v=float(record.mean.min()) if kind == "dropout" else None,
        settling_time_s=settled, peak_current_a=record.peaks[probes[0]], load_peak_a=_load_peak(closed, record),
        output_peaks_v={name: record.peaks[probe] for name, probe in further.items()},
        limited_cycles=record.ended.count("current limit"), latched=latched, stable=bool(stable),
        reason="" if stable else _why(record, verdict.held, settled, latched=latched),
    )  # fmt: skip


def _load_peak(closed: Converter, record: Record) -> float:
    """Largest current of the load [A] at the highest voltage across it."""
    highest, current = float(record.highest.max()), float(np.ravel(closed.load_current)[0])
    if closed.load == "voltage":
        resistance = float(np.ravel(closed.load_resistance)[0])
        return max(highest - float(np.ravel(closed.load_drop)[0]), 0.0) / resistance
    return current if closed.load == "current" else current * highest / float(np.ravel(closed.load_voltage)[0])


def _slack(closed: Converter) -> float:
    """Voltage of a load with a drop that its resistance makes, to which the band of a regulated current belongs [V]."""
    return float(np.ravel(closed.load_current)[0]) * float(np.ravel(closed.load_resistance)[0])


def _settled(record: Record, target: float, band: float, begin: int) -> float | None:
    """Time from a cycle on after which the mean stays in the band [s]; None where it does not."""
    if not record.rested:
        return None
    outside = np.flatnonzero(np.abs(record.mean[begin:] - target) > band)
    return 0.0 if not len(outside) else float(outside[-1] + 1) * record.period


def _latched(record: Record, target: float) -> bool:
    """Whether the output stays below its target, neither rising nor still falling from an overshoot."""
    tenth = max(len(record.mean) // 10, 1)
    end, before = record.mean[-tenth:].mean(), record.mean[-2 * tenth : -tenth].mean()
    return bool(end < target and abs(end - before) < STILL * (target - end))


def _why(record: Record, held: str | None, settled: float | None, *, latched: bool) -> str:
    """Say why a run does not come to a stable regulated output."""
    tenth = max(len(record.mean) // 10, 1)
    end = float(record.mean[-tenth:].mean())
    mostly = max(set(record.ended[-tenth:]), key=record.ended[-tenth:].count)
    if latched:
        how = "are skipped" if mostly == "skipped" else f"are ended by the {mostly}"
        return f"it stays at {end:.4g} V; most of the last pulses {how}"
    if held is not None:
        return f"the converter does not stay at its operating point ({held})"
    if settled is None:
        return f"it has not come to rest after {len(record.mean)} cycles, at {end:.4g} V"
    return "the operating point it comes to is unstable"


def _over_ratings(study: RiseStudy) -> tuple[str, ...]:
    """Hold the largest currents against the ratings of their parts."""
    given = {"switch": study.case.ratings.switch_current, "L1": study.case.ratings.L1_current}
    given["L2"] = study.case.ratings.L2_current
    for entry in getattr(study.case.stage, "elements", ()):
        given[entry.name] = getattr(entry, "rated_current", None) or given.get(entry.name)
    told = []
    for name, rating in given.items():
        reached = [(r.record.peaks.get(f"i({name})", 0.0), r) for r in study.results]
        if rating is None or not reached:
            continue
        most, worst = max(reached, key=lambda pair: pair[0])
        allowed = rating * (1.0 - study.case.ratings.derating)
        if most > allowed:
            told.append(
                f"{name} current {most:.4g} A on the way at {worst.input_voltage:.4g} V, {worst.load_current:.3g} A is "
                f"above {allowed:.4g} A (its rating less derating)"
            )
    return tuple(told)
