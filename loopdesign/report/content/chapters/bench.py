"""The bench plan: where to inject, how much, what to expect, and a table to tick off."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.margins.margins import unwrapped_phase_deg
from loopdesign.report.basics.status import verdict_word
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.content.blocks import Bullets, Paragraph, SectionHeading, TableBlock
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.bench.plan import BenchPlan
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings

TO_FILL = "........"
"""An empty place to write a reading into."""
INJECTOR = 20.0
"""Resistor across which an injection transformer stands [ohm] (common practice)."""
QUIET_DB = -20.0
"""Loop gain below which a reading needs more averages [dB] (common practice)."""


def bench_chapter(findings: Findings) -> tuple[Block, ...]:
    """Say how the loop is measured, and tabulate what it should read.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    tuple of Block
        A chapter; without a plan, one sentence on why there is none; nothing without a loop.
    """
    found, plan = findings.check, findings.plan
    if not found.margins:
        return ()
    head = SectionHeading(text="Bench plan")
    if plan is None:
        return (
            head,
            Paragraph(
                text="No corner is stable and crosses over: there is no loop gain to measure. Do not inject into a "
                "converter that oscillates."
            ),
        )
    tables = tuple(TableBlock(table=_worksheet(findings, plan, k)) for k in range(len(plan.corners)))
    return (head, Bullets(items=instructions(findings, plan)), *tables)


def instructions(findings: Findings, plan: BenchPlan) -> tuple[str, ...]:
    """Say where and how much to inject, what spoils the reading, and how to connect.

    Parameters
    ----------
    findings
        What was computed.
    plan
        Its bench plan.

    Returns
    -------
    tuple of str
        One sentence or two each.
    """
    case = findings.check.case
    least = int(np.argmin(plan.most_injected_v))
    where = corner_name(findings.check.conditions, plan.corners[least][0])
    amplitude, at = (
        format_quantity(float(plan.most_injected_v[least]), "V", 2),
        format_quantity(float(plan.most_injected_hz[least]), "Hz", 2),
    )
    place = "the output and the upper divider resistor"
    if case.current_sense is not None:
        place = "the sense resistor and the amplifier's input"
    elif case.error_amplifier is not None and case.error_amplifier.kind == "shunt optocoupler":
        place = "the output and both the upper divider resistor and the LED resistor, so that either path is broken"
    return (
        (
            f"Where: break the feedback between {place}, bridge the gap with a resistor of about {INJECTOR:g} ohm, and "
            "inject across it with an isolating transformer. Reference channel: the side of the divider. Response "
            "channel: the side of the output. The loop gain T is the response over the reference, its sign turned."
        ),
        *_shift(findings),
        (
            f"How much: begin with a few millivolts and stay below {amplitude} of amplitude. That moves the control "
            f"voltage by 5 % of its value at {where} and {at}, where it moves most. Halve the amplitude: a reading "
            "that changes was not of small signals."
        ),
        *_spoiling(findings, plan),
        (
            "Grounds: both probes on one ground, at the lower end of the divider, with leads as short as they can be; "
            "no second ground by way of the mains. The transformer keeps the generator off the converter."
        ),
        (
            f"Averaging: where the predicted gain is below {QUIET_DB:g} dB, narrow the receiver's bandwidth or average "
            "at least 16 sweeps (common practice). The switching frequency and its multiples are not measured."
        ),
        (
            "Agreement to expect: within the tolerances of the parts. Further apart than that, measure the parts "
            "first: 'loopdesign bench' compares a measured file with this prediction and refines them."
        ),
    )


def _shift(findings: Findings) -> tuple[str, ...]:
    """Say by how much the bridging resistor moves the output."""
    case = findings.check.case
    if case.divider is None or case.error_amplifier is None:
        return ()
    moved = INJECTOR * case.error_amplifier.reference / case.divider.lower
    return (
        (
            f"The current of the divider raises the output by {format_quantity(moved, 'V', 2)} across {INJECTOR:g} "
            "ohm; remove the resistor after the measurement."
        ),
    )


def _spoiling(findings: Findings, plan: BenchPlan) -> tuple[str, ...]:
    """Say how far source and load of the injection spoil the reading."""
    ratio, error = plan.impedance_ratio, plan.error
    if not np.any(ratio > 0.0):
        return ("Impedances: the amplifier's input takes no current, so that the point of injection is not loaded.",)
    corner, at = (int(k) for k in np.unravel_index(int(np.argmax(error)), error.shape))
    where = corner_name(findings.check.conditions, plan.corners[corner][0])
    hz = format_quantity(float(plan.frequencies_hz[at]), "Hz", 2)
    share = float(error[corner, at])
    told = (
        f"Impedances at the point of injection: looking back over looking forward is at most {np.max(ratio):.1e}, so "
        f"that the voltages read the loop gain within {100.0 * share:.2g} % (at {where}, {hz}; Middlebrook)."
    )
    if share > 0.1:
        told += " Where the reading is off by more than 10 %, inject a current as well, or behind a buffer."
    return (told,)


def _beside_the_curve(findings: Findings, plan: BenchPlan, k: int) -> NDArray[np.float64]:
    """Phase of the predicted points (F,) [deg], by whole turns as the drawn curve has it."""
    item, angle, data = plan.corners[k][0], np.degrees(np.angle(plan.loop[k])), findings.curves
    if data.loop is None:
        return angle
    curve = unwrapped_phase_deg(data.loop[item : item + 1])[0]
    near = np.interp(np.log(plan.frequencies_hz), np.log(data.frequencies_hz[item]), curve)
    return np.asarray(angle + 360.0 * np.round((near - angle) / 360.0))


def _worksheet(findings: Findings, plan: BenchPlan, k: int) -> Table:
    """Predicted gain and phase of one corner with places for the readings."""
    item, reason = plan.corners[k]
    columns = (
        Column(heading="frequency", unit="Hz", digits=2, key=True, own_prefix=True),
        Column(heading="gain predicted", unit="dB", digits=3), Column(heading="gain measured [dB]"),
        Column(heading="phase of T predicted", unit="deg", digits=3), Column(heading="phase measured [deg]"),
        Column(heading="agrees"),
    )  # fmt: skip
    phase = _beside_the_curve(findings, plan, k)
    rows = tuple(
        (
            float(f), round(float(20.0 * np.log10(np.abs(T))), 1), TO_FILL, round(float(deg), 1), TO_FILL, "[   ]",
        )
        for f, T, deg in zip(plan.frequencies_hz, plan.loop[k], phase, strict=True)
    )  # fmt: skip
    m = findings.check.margins[item]
    crossover = "-" if m.crossover_hz is None else format_quantity(m.crossover_hz, "Hz")
    margin = "-" if m.phase_margin_deg is None else f"{m.phase_margin_deg:.1f} deg"
    return Table(
        title=f"To measure at {corner_name(findings.check.conditions, item)} ({reason}): crossover {crossover}, phase "
        f"margin {margin}, {verdict_word(findings.check.verdicts[item])} with nominal parts",
        columns=columns,
        rows=rows,
    )
