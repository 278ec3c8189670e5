"""Steps as tables, as text for the terminal, and as the machine-readable answer of ``loopdesign step``."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.findings.corner import number
from loopdesign.report.basics.layout import PIPE, Display, laid_out, lettered, paragraph
from loopdesign.report.basics.status import stable_word
from loopdesign.report.basics.tables import INPUT, LOAD, VERDICT, Column, Table, without_empty
from loopdesign.report.loop.terminal import bullets
from loopdesign.report.steps.surges import exceeded, surges
from loopdesign.report.steps.words import EVENTS, KINDS, outcome_word, outcomes
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loopdesign.analysis.transient.ringing import GrowthRun
    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.transient.steps import StepResult, StepStudy
    from loopdesign.report.basics.tables import CellValue

ESTIMATE = (
    "Deviation of the output averaged over each switching cycle, and with its ripple. The estimates are for a small "
    "step, from the closed-loop response at the operating points before and after."
)
NEVER_OUTSIDE = "within band"
_STEP = Column(heading="step", key=True)
_CONDITIONS = (
    INPUT, Column(heading="input after", unit="V", key=True), Column(heading="load from", unit="A", key=True),
    Column(heading="load to", unit="A", key=True),
)  # fmt: skip


def _conditions(r: StepResult) -> tuple[CellValue, ...]:
    return (
        r.input_voltage,
        r.input_voltage_to if r.input_voltage_to != r.input_voltage else None,
        r.load_from,
        r.load_to,
    )


def deviation_table(study: StepStudy, kind: StepKind) -> Table:
    """Deviation, settling and verdict of every step of one kind.

    Parameters
    ----------
    study
        The steps.
    kind
        ``load``, ``load back``, ``line`` or ``line back``.

    Returns
    -------
    Table
        One row per step; the predictions are those of the closed-loop response before and after the step.
    """
    columns = (
        *_CONDITIONS, VERDICT, Column(heading="deviation of mean", unit="V"),
        Column(heading="settled in", unit="s"), Column(heading="with ripple", unit="V"),
        Column(heading="estimate before", unit="V"), Column(heading="estimate after", unit="V"),
    )  # fmt: skip
    rows = tuple(
        (
            *_conditions(r), outcome_word(r), r.peak_deviation_v, _settled(r), r.raw_deviation_v,
            *r.predicted_deviation_v,
        )
        for r in study.of(kind)
    )  # fmt: skip
    return Table(title=KINDS[kind], columns=columns, rows=rows, note=ESTIMATE)


def _settled(r: StepResult) -> CellValue:
    """Settling time; words where the run was cut, or where the cycle mean was never outside the band."""
    if r.cut:
        return "cut short"
    return NEVER_OUTSIDE if r.settling_time_s == 0.0 else r.settling_time_s


def events_table(study: StepStudy) -> Table:
    """List what happened during each step: conduction modes, skipped and limited cycles, cycles at a clamp."""
    columns = (
        _STEP, *_CONDITIONS, Column(heading="conduction mode"), *(Column(heading=words) for _, words in EVENTS),
        Column(heading="cycles at a control limit"),
    )  # fmt: skip
    rows = []
    for r in study.results:
        counts = [str(r.run.count(key)) if r.run.count(key) else None for key, _ in EVENTS]  # type: ignore[arg-type]
        limited = int(r.run.limited.sum())
        rows.append((KINDS[r.kind].lower(), *_conditions(r), modes(r), *counts, str(limited) if limited else None))
    return Table(title="During the step", columns=columns, rows=tuple(rows))


def modes(r: StepResult) -> str:
    """Conduction modes in the order they were passed, such as "DCM, CCM from 45 µs"."""
    first = "CCM" if r.run.devices[0].diode else "DCM"
    changes = r.run.mode_changes()
    told = [f"{word} from {format_quantity(t, 's', 2)}" for t, word in changes[:2]]
    more = [f"{len(changes) - 2} more changes"] if len(changes) > 2 else []
    return ", ".join([first, *told, *more])


def ringing_table(study: StepStudy) -> Table:
    """Worst multiplier after each step beside what the tail of the run shows of it."""
    columns = (
        _STEP, *_CONDITIONS, Column(heading="mode"), Column(heading="largest multiplier", unit="", digits=5),
        Column(heading="observed multiplier", unit="", digits=5), Column(heading="mode frequency", unit="Hz"),
        Column(heading="observed frequency", unit="Hz"),
    )  # fmt: skip
    rows = []
    for r in study.results:
        if r.worst_mode is None or r.held is not None:
            continue
        heard = (None, None) if r.ringing is None else (abs(r.ringing.multiplier), r.ringing.frequency_hz)
        rows.append(
            (
                KINDS[r.kind].lower(), *_conditions(r), r.worst_mode.name, abs(r.worst_mode.multiplier), heard[0],
                r.worst_mode.frequency_hz, heard[1],
            )
        )  # fmt: skip
    return Table(
        title="Ringing after the step beside the characteristic multipliers", columns=columns, rows=tuple(rows)
    )


def growth_table(study: StepStudy) -> Table:
    """Growth of a small disturbance per cycle beside the multiplier."""
    columns = (
        INPUT, LOAD, VERDICT, Column(heading="mode"), Column(heading="largest multiplier", unit="", digits=6),
        Column(heading="observed growth per cycle", unit="", digits=6), Column(heading="mode frequency", unit="Hz"),
        Column(heading="observed frequency", unit="Hz"),
    )  # fmt: skip
    return Table(
        title="Growth of a small disturbance", columns=columns, rows=tuple(_growth_row(g) for g in study.growth)
    )


def _growth_row(g: GrowthRun) -> tuple[CellValue, ...]:
    read = (None, None) if g.measured is None else (abs(g.measured.multiplier), g.measured.frequency_hz)
    e = g.expected
    word = stable_word(e.stable)
    return g.input_voltage, g.load_current, word, e.name, abs(e.multiplier), read[0], e.frequency_hz, read[1]


def step_tables(study: StepStudy) -> tuple[Table, ...]:
    """Every table of the report's section, in its order; columns and tables without content are left out."""
    found = [deviation_table(study, kind) for kind in KINDS if study.of(kind)]
    return _with_content([*found, events_table(study), ringing_table(study), growth_table(study)])


def _with_content(found: Sequence[Table]) -> tuple[Table, ...]:
    return tuple(without_empty(t, keep=("verdict",)) for t in found if t.rows)


def step_paragraphs(study: StepStudy) -> tuple[str, ...]:
    """Say what was done, what fails and what is not modelled; the verdict first."""
    band = f"{100.0 * study.case.targets.settling_band:g} % of the output"
    return (
        step_verdict(study),
        (
            "Each step is made at a clock edge, from the periodic operating point, and followed cycle by cycle "
            "with every edge exact. A load step is a current sink added to the load as it is before it. The "
            "deviation of the mean is that of the output averaged over each switching cycle; the one with ripple "
            f"is that of the output itself, both from the average before the step. Settled means within {band} "
            "around the final value. The predictions are for a small step, from the closed-loop output impedance "
            "(line step: from the line rejection) before and after it; where the two differ, the step is large "
            "enough to change the loop."
        ),
        *failures(study),
        *(f"Warning: {told}." for told in surges(study)),
        *(note[0].upper() + note[1:] + "." for note in study.notes),
    )


def failures(study: StepStudy) -> tuple[str, ...]:
    """Write one sentence for each step that does not end stable or could not be made, and for each rating exceeded."""
    unstable = tuple(
        f"{KINDS[r.kind]} at {r.input_voltage:.4g} V, {r.load_from:.3g} A: {r.reason}"
        for r in study.results
        if not r.stable
    )
    return unstable + study.not_made + exceeded(study)


def step_verdict(study: StepStudy) -> str:
    """Put the outcome of all steps in one sentence: how many settle, and what becomes of the others."""
    bad = [r for r in study.results if not r.stable]
    count = len(study.results) + len(study.not_made)
    if not bad and not study.not_made:
        cut = sum(r.cut for r in study.results)
        if cut:
            return (
                f"All {count} steps end at a stable operating point, but {cut} of the runs were cut short before the "
                "output had settled: their deviation and settling time may be larger than shown."
            )
        over = " Ratings are EXCEEDED on the way." if exceeded(study) else ""
        return f"The output settles after all {count} steps. {_largest(study)}{over}"
    others = ", ".join(f"{number_of} {words}" for number_of, words in outcomes(study))
    return f"The output settles after {len(study.results) - len(bad)} of {count} steps; {others}."


def _largest(study: StepStudy) -> str:
    """Say how far the mean went at most, and how long the slowest step took to settle."""
    worst = max(study.results, key=lambda r: r.peak_deviation_v)
    deviation = format_quantity(worst.peak_deviation_v, "V", 3)
    slowest = max((r.settling_time_s for r in study.results if r.settling_time_s is not None), default=0.0)
    settled = f"the slowest settles in {format_quantity(slowest, 's', 3)}" if slowest else "no step leaves the band"
    where = f"{KINDS[worst.kind].lower()} at {worst.input_voltage:.4g} V"
    return f"The largest deviation of the mean is {deviation}, {where}; {settled}."


def step_text(study: StepStudy, *, report: str = "", display: Display = PIPE) -> str:
    """Lay the steps out for the terminal.

    Parameters
    ----------
    study
        The steps.
    report
        Name of the report that was written.
    display
        What it is shown on; its details add what happened during the steps, and the ringing after them.

    Returns
    -------
    str
        The verdict, then the deviations; the last paragraph says what was done.
    """
    blocks = [f"{' '.join(study.case.title.split())} ({study.case.converter.topology}): load and line steps"]
    blocks.append(step_headline(study))
    blocks += [bullets("What fails", failures(study), display)] if failures(study) else []
    shown = step_tables(study) if display.details else _with_content([deviation_table(study, k) for k in KINDS])
    blocks += [laid_out(t if k == 0 else replace(t, note=""), display) for k, t in enumerate(shown)]
    told = [f"warning: {w}" for w in (*surges(study), *study.case.warnings)]
    told += [f"note: {n}" for n in study.notes]
    told += [f"report: {report}"] if report else []
    told += [] if display.details else ["--details adds: modes and limits during the steps, ringing after them"]
    blocks += ["\n".join(paragraph(x, display, hanging="    ") for x in told)] if told else []
    return lettered("\n\n".join([*blocks, paragraph(step_verdict(study), display)]), display)


def step_headline(study: StepStudy) -> str:
    """Say the verdict over all steps in a few words."""
    if study.stable:
        over = ", but ratings are EXCEEDED on the way" if exceeded(study) else ""
        return f"Verdict: stable after every step{over}"
    (count, words), *_ = outcomes(study)
    of = f" of {len(study.results) + len(study.not_made)} steps"
    if " after the step" in words:
        return f"Verdict: {words.partition(' after the step')[0]} after {count}{of}"
    return f"Verdict: {count}{of} {words}"


def step_answer(study: StepStudy) -> dict[str, Any]:
    """Turn the steps into the object that ``--json`` prints.

    Parameters
    ----------
    study
        The steps.

    Returns
    -------
    dict
        ``corners`` holds the load step of the case, one entry per input voltage; ``others`` the steps back and the line
        steps in the same form.
    """
    return {
        "title": study.case.title,
        "topology": study.case.converter.topology,
        "corners": [_corner(r) for r in study.results if r.kind == "load"],
        "others": [_corner(r) for r in study.results if r.kind != "load"],
        "disturbances": [_disturbance(g) for g in study.growth],
        "verdict": {"stable": study.stable, "reasons": list(failures(study))},
        "notes": list(study.notes),
        "warnings": [*study.case.warnings, *surges(study)],
    }


def _floats(values: NDArray[np.float64]) -> list[float]:
    return [float(v) for v in values.tolist()]


def _corner(r: StepResult) -> dict[str, Any]:
    heard = r.ringing
    return {
        "kind": r.kind,
        "input_voltage": r.input_voltage,
        "input_voltage_to": r.input_voltage_to,
        "load_from": r.load_from,
        "load_to": r.load_to,
        "stable": r.stable,
        "held": r.held,
        "reason": r.reason,
        "peak_deviation_v": r.peak_deviation_v,
        "raw_deviation_v": r.raw_deviation_v,
        "settling_time_s": number(r.settling_time_s),
        "output_before_v": r.output_before_v,
        "output_after_v": number(r.output_after_v),
        "predicted_deviation_v": {
            "before": number(r.predicted_deviation_v[0]),
            "after": number(r.predicted_deviation_v[1]),
        },
        "largest_multiplier": None if r.worst_mode is None else abs(r.worst_mode.multiplier),
        "worst_mode": None if r.worst_mode is None else r.worst_mode.to_dict(),
        "ringing": None
        if heard is None
        else {
            "multiplier": abs(heard.multiplier),
            "frequency_hz": heard.frequency_hz,
            "growth_per_s": heard.growth_per_s,
        },
        "current_peaks": [peak.to_dict() for peak in r.current_peaks],
        "mode_changes": [[t, word] for t, word in r.run.mode_changes()],
        "skipped_pulses": r.run.count("skipped"),
        "shortest_pulses": r.run.count("minimum on-time"),
        "largest_duty_cycles": r.run.count("largest duty"),
        "limited_cycles": int(r.run.limited.sum()),
        "time_s": _floats(r.time_s),
        "output_voltage_v": _floats(r.output_voltage_v),
        "control_voltage_v": _floats(r.run.control),
        "duty": _floats(r.run.duty),
        "inductor_currents_a": {name: _floats(v) for name, v in r.run.currents.items()},
    }


def _disturbance(g: GrowthRun) -> dict[str, Any]:
    return {
        "input_voltage": g.input_voltage,
        "load_current": g.load_current,
        "stable": g.expected.stable,
        "largest_multiplier": abs(g.expected.multiplier),
        "growth_per_cycle": None if g.measured is None else abs(g.measured.multiplier),
        "worst_mode": g.expected.to_dict(),
        "time_s": _floats(g.time_s),
        "departure_v": _floats(g.departure),
    }
