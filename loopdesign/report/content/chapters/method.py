"""How the numbers were found, how far the two models agree, what is not modelled, and the sources."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.content.blocks import Bullets, Paragraph, SectionHeading, TableBlock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.curves import Difference, ReportData
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings

EXPECTED = {"CCM": (0.25, 1.5), "DCM": (0.5, 3.0)}
"""Disagreement of the averaged model that is to be expected in the compared band [dB], [deg]."""
METHOD = (
    (
        "Network: resistances, inductors, capacitors, sources and switches are written as a netlist; modified nodal "
        "analysis gives the state equations for every combination of conducting devices."
    ),
    (
        "Operating point: the periodic steady state of the switching network, found with matrix exponentials and "
        "Newton's method; the conduction mode is found and not assumed."
    ),
    (
        "Verdict: the characteristic multipliers of the closed loop from one switching period to the next. The "
        "operating point is stable where all of them are below 1 in magnitude (Floquet)."
    ),
    (
        "Margins: the loop gain as an analyser reads it by injection between output and divider (Middlebrook), "
        "computed from the switching model in closed form up to half the switching frequency; every crossing is looked "
        "for."
    ),
    (
        "Poles, zeros and their names: the averaged model (Middlebrook and Cuk), in peak current mode with the "
        "sampling gain (Ridley). It explains; it decides nothing."
    ),
    "Steps: the same matrices, followed edge by edge.",
)
"""How the numbers are found."""
LIMITS = (
    (
        "Small signals around a periodic operating point, with one controlled switch. Start-up, soft start and pulse "
        "skipping are not in margins and verdict. Where a stage has several periodic operating points with one mean "
        "output, as it may where it rings hard within a period, one of them is examined."
    ),
    (
        "The switch and the rectifier change state in no time: no switching loss, no reverse recovery. No capacitance "
        "of windings or devices, so no ringing; no leakage inductance but a flyback's where the case gives it with its "
        "clamp, all of it on the primary side. The comparator has no noise."
    ),
    (
        "A switch is a resistance, a diode a constant drop in series with a resistance; a capacitor has one series "
        "resistance and keeps the value that it has at the bias of the operating point."
    ),
    "The layout is not modelled: the sensing of current and output is taken as ideal.",
    (
        "Tolerances are examined at their ends; what lies between them is sampled by a spread and proven by none. "
        "Effects that the case file does not give (temperature coefficients, tolerances, curves) are taken as absent."
    ),
)
"""What the model leaves out."""
SOURCES = (
    'R. D. Middlebrook, S. Cuk, "A general unified approach to modelling switching-converter power stages", 1976.',
    (
        'R. D. Middlebrook, "Measurement of loop gain in feedback systems", 1975; "Input filter considerations in '
        'design and application of switching regulators", 1976.'
    ),
    'R. B. Ridley, "A new, continuous-time model for current-mode control", 1991.',
    "G. Floquet, on linear differential equations with periodic coefficients, 1883.",
    "IEC 60063, preferred number series for resistors and capacitors.",
)
"""Sources of the methods."""


def agreement_table(found: CheckResult, rows_of: Sequence[Difference], title: str) -> Table:
    """Largest differences of two responses, corner by corner."""
    columns = (
        Column(heading="input", unit="V"), Column(heading="load", unit="A"), Column(heading="mode"),
        Column(heading="below", unit="Hz"), Column(heading="magnitude", unit="dB", digits=2),
        Column(heading="magnitude at", unit="Hz"), Column(heading="phase", unit="deg", digits=2),
        Column(heading="phase at", unit="Hz"),
    )  # fmt: skip
    discontinuous = found.stage.point.discontinuous
    rows = tuple(
        (
            float(found.conditions.input_voltage[i]), float(found.conditions.load_current[i]),
            "DCM" if discontinuous[i] else "CCM",
            d.below_hz, d.magnitude_db, d.magnitude_hz, d.phase_deg, d.phase_hz,
        )
        for i, d in enumerate(rows_of)
    )  # fmt: skip
    return Table(title=title, columns=columns, rows=rows)


def agreement_remarks(data: ReportData) -> tuple[str, ...]:
    """Name the corners where the models differ by more than is to be expected."""
    found, told = data.check, []
    for item, d in enumerate(data.plant_differences):
        db, deg = EXPECTED["DCM" if found.stage.point.discontinuous[item] else "CCM"]
        if d.magnitude_db > db or d.phase_deg > deg:
            told.append(
                f"at {corner_name(found.conditions, item)} the averaged plant differs by up to {d.magnitude_db:.2g} dB "
                f"and {d.phase_deg:.2g} degrees, more than the {db:g} dB and {deg:g} degrees to be expected: "
                "trust the switched model there"
            )
    return tuple(told)


def method_chapter(findings: Findings) -> tuple[Block, ...]:
    """Say how the numbers were found, how far the models agree, and what is not modelled.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    tuple of Block
        A chapter.
    """
    return (
        SectionHeading(text="Method, limits and sources"),
        Bullets(items=METHOD),
        *_agreement(findings),
        SectionHeading(text="Limits of the model", level=2),
        Bullets(items=LIMITS),
        SectionHeading(text="Sources", level=2),
        Bullets(items=SOURCES),
    )


def _agreement(findings: Findings) -> tuple[Block, ...]:
    found, data = findings.check, findings.curves
    told: list[Block] = [
        SectionHeading(text="How far the models agree", level=2),
        Paragraph(
            text="Averaged plant against switched plant, largest difference in the band, and where. The band ends at a "
            "tenth of the switching frequency, at a twentieth in discontinuous conduction. To be expected: 0.25 dB and "
            "1.5 degrees in continuous conduction, 0.5 dB and 3 degrees in discontinuous conduction."
        ),
        TableBlock(table=agreement_table(found, data.plant_differences, "Averaged plant against switched plant")),
    ]
    if data.loop is not None:
        told.append(
            Paragraph(
                text="Plant times compensator against the loop gain by injection. The product leaves out the ripple "
                "that reaches the comparator; the margins of this report are those by injection."
            )
        )
        told.append(TableBlock(table=agreement_table(found, data.loop_differences, "Product against injection")))
    remarks = agreement_remarks(data)
    return (*told, Bullets(items=remarks)) if remarks else tuple(told)
