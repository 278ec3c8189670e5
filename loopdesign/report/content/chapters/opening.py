"""What a reader meets first: what fails, warnings, proposals, cautions, and what was asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.basics.exact import exact_text
from loopdesign.report.basics.tables import Column, Table, limits_table
from loopdesign.report.content.blocks import Bullets, Note, Paragraph, SectionHeading, TableBlock
from loopdesign.report.steps.start import start_verdict
from loopdesign.report.steps.surges import exceeded, surges

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings

CAUTIONS = (
    (
        "Capacitors store energy after the power is off. Discharge them and measure that they are discharged before "
        "touching the circuit; observe the creepage and isolation of the real assembly."
    ),
    (
        "Measurements on a live converter, the injection of a test signal included, are for qualified persons with "
        "equipment rated for the voltages present."
    ),
    (
        "A model is no substitute for a measured loop. Measure the loop of the built converter at its corners before "
        "release."
    ),
    "Local codes, product safety standards and the rules of licensed practice hold whatever this report says.",
)
"""What must stand in every report."""
STEPS = "Currents on the way of the load and line steps, told in a chapter of their own and no part of the verdict"
START = "Start-up and line drop-out, told in a chapter of their own and no part of the verdict"


def opening(findings: Findings) -> tuple[Block, ...]:
    """Say what fails, what to know, and what was asked.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    tuple of Block
        Notes, cautions, and the chapter on what was asked.
    """
    found = findings.check
    notes = [line for line in found.case.notes.strip().splitlines() if line.strip()]
    filters = () if findings.input_filter is None else findings.input_filter.warnings
    told: list[Block] = [Bullets(title="Notes of the case file:", items=tuple(notes))] if notes else []
    told += _note("What fails", found.reasons)
    if (starts := findings.starts) is not None:
        told += _note(START, starts.reasons or (start_verdict(starts),))
    if (steps := findings.steps) is not None:
        told += _note(STEPS, (*exceeded(steps), *surges(steps)))
    told += _note("Warnings", (*found.warnings, *filters))
    told += _note("Proposals", findings.curves.proposals)
    told += [Note(title="Before anyone acts on this", items=CAUTIONS)]
    return (*told, *asked(found))


def _note(title: str, items: Sequence[str]) -> list[Block]:
    return [Note(title=title, items=tuple(items))] if items else []


def asked(found: CheckResult) -> tuple[Block, ...]:
    """List what the converter has to do, and every limit with where it comes from.

    Parameters
    ----------
    found
        The check.

    Returns
    -------
    tuple of Block
        A chapter.
    """
    limits = [TableBlock(table=limits_table(found))] if found.margins else []
    return (
        SectionHeading(text="What was asked"),
        Paragraph(
            text="The operating points of this report are every input voltage with every load current listed here; "
            "these are its nominal corners."
        ),
        TableBlock(table=_specification(found)),
        *limits,
    )


def _specification(found: CheckResult) -> Table:
    """List what the converter has to do."""
    s, c = found.case.specification, found.case.converter

    def listed(values: Sequence[float], unit: str) -> str:
        return ", ".join(exact_text(float(v), unit) for v in values)

    scheme = found.case.modulator.scheme
    output = "average output voltage" if s.regulate == "voltage" else "output voltage at the highest current"
    rows = [
        ("topology", c.topology),
        ("switching frequency", listed([c.switching_frequency], "Hz")),
        ("rectifier", c.rectifier),
        ("modulator", "peak current mode" if scheme == "peak current" else "voltage mode"),
        ("regulated", s.regulate),
        ("input voltage", listed(s.input_voltage.values, "V")),
        (output, listed([s.output_voltage], "V")),
        ("load current", listed(s.output_current.values, "A") + f" ({s.load} load)"),
    ]
    if s.temperature is not None:
        rows.append(("temperature", listed(s.temperature.values, "degC")))
    for name, step, unit in (("load step", s.load_step, "A"), ("line step", s.line_step, "V")):
        if step is not None:
            rows.append((name, f"{exact_text(step.from_, unit)} to {exact_text(step.to, unit)} and back"))
    return Table(title="Specification", columns=(Column(heading="what"), Column(heading="value")), rows=tuple(rows))
