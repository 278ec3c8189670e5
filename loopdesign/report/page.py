"""The report as Markdown. Text from the case file is neutralised: it shows as it was written and can do nothing."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.printable import printable
from loopdesign.report.basics import tables
from loopdesign.report.basics.status import verdict_sentence
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.loop.given import given_table
from loopdesign.report.loop.worst import effective_table, worst_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.curves import Difference, ReportData

TEMPLATE = Path(__file__).with_name("report.md.j2")
EXPECTED = {"CCM": (0.25, 1.5), "DCM": (0.5, 3.0)}
"""Disagreement of the averaged model that is to be expected in the compared band [dB], [deg]."""
_ACTIVE = re.compile(r"([\\`*_\[\]|~$^{}#])")
_LINE_START = re.compile(r"^(\d*)(?=[-+=.)])([-+=.)])(?=[-=\s]|$)")


def neutral(text: str) -> str:
    """Make one line of text inert in Markdown: no markup, no HTML, no link, no list, no control character.

    Parameters
    ----------
    text
        Any text; line breaks become blanks, other control characters escapes.

    Returns
    -------
    str
        Markdown that shows the text as it was written.
    """
    line = printable(" ".join(text.split()))
    line = _ACTIVE.sub(r"\\\1", line).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    line = line.replace("://", "\\://").replace("www.", "www\\.").replace("@", "\\@")
    return _LINE_START.sub(r"\1\\\2", line)


def quoted(text: str) -> str:
    """Make text of several lines an inert block quotation; empty where there is none."""
    lines = [neutral(line) for line in text.strip().splitlines()]
    return "\n".join(f"> {line}".rstrip() for line in lines)


def markdown_table(table: Table) -> str:
    """Write a table in Markdown, numbers to the right."""
    head = " | ".join(neutral(c.heading) for c in table.columns)
    rule = " | ".join("---:" if c.numeric else ":---" for c in table.columns)
    rows = [" | ".join(neutral(text) if text != "-" else "-" for text in row) for row in table.cells()]
    return "\n".join(f"| {line} |" for line in (head, rule, *rows)).replace("| UNSTABLE |", "| **UNSTABLE** |")


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


def page(
    assessment: CheckResult,
    data: ReportData,
    *,
    plots: Sequence[str],
    chosen: Mapping[str, float] | None = None,
    chosen_case: str | None = None,
    sections: Sequence[str] = (),
) -> str:
    """Write the report.

    Parameters
    ----------
    assessment
        What a check found.
    data
        What `report_data` made of it.
    plots
        Names of the plot files beside the page, without their endings.
    chosen
        What design chose, by name, in SI units.
    chosen_case
        Name of the case file with the chosen parts beside the page, where there is one.
    sections
        Markdown of further sections.

    Returns
    -------
    str
        Markdown, the verdict first.
    """
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415  (only a report needs it)

    environment = Environment(
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
        autoescape=False,  # noqa: S701  (the output is Markdown; `neutral` takes the part of escaping)
    )  # fmt: skip
    environment.filters |= {"neutral": neutral, "quoted": quoted, "table": _lean_table}
    template = environment.from_string(TEMPLATE.read_text(encoding="utf-8"))
    context = _context(assessment, data, plots=plots, chosen_case=chosen_case)
    context["parts"] = tables.parts_table(assessment, chosen or {})
    return template.render(context | {"sections": sections})


def _lean_table(table: Table) -> str:
    return markdown_table(tables.without_empty(table))


def _context(found: CheckResult, data: ReportData, *, plots: Sequence[str], chosen_case: str | None) -> dict[str, Any]:
    case = found.case
    return {
        "case": case,
        "verdict": verdict_sentence(found),
        "failing": found.reasons,
        "warnings": found.warnings,
        "proposals": data.proposals,
        "has_loop": bool(found.margins),
        "specification": _specification(found),
        "given": given_table(case),
        "limits": tables.limits_table(found),
        "network": tables.network_table(found),
        "margins": tables.margins_table(found),
        "reasons_for_none": _reasons_for_none(found),
        "worst": worst_table(found),
        "effective": effective_table(found),
        "stability": tables.stability_table(found),
        "operating": tables.operating_table(found, data.continuous_limit),
        "stress": tables.stress_table(found),
        "zeros": tables.zero_table(found),
        "roots_summary": tables.roots_summary(found),
        "roots": tables.roots_table(found),
        "plant_agreement": agreement_table(found, data.plant_differences, "Averaged plant against switched plant"),
        "loop_agreement": agreement_table(found, data.loop_differences, "Product against injection"),
        "agreement_remarks": agreement_remarks(data),
        "plots": plots,
        "chosen_case": chosen_case,
    }


def _reasons_for_none(found: CheckResult) -> tuple[str, ...]:
    """Say why a margin does not exist, corner by corner."""
    words = {"crossover_hz": "crossover", "phase_margin_deg": "phase margin", "gain_margin_db": "gain margin"}
    return tuple(
        f"no {words.get(key, key)} at {corner_name(found.conditions, item)}: {reason}"
        for item, m in enumerate(found.margins)
        for key, reason in m.reasons.items()
    )


def _specification(found: CheckResult) -> Table:
    """List what the converter has to do."""
    s, c = found.case.specification, found.case.converter

    def listed(values: Sequence[float], unit: str) -> str:
        return ", ".join(tables.cell(float(v), Column(heading="", unit=unit)) for v in values)

    scheme = found.case.modulator.scheme
    rows = (
        ("topology", c.topology),
        ("switching frequency", listed([c.switching_frequency], "Hz")),
        ("rectifier", c.rectifier),
        ("modulator", "peak current mode" if scheme == "peak current" else "voltage mode"),
        ("input voltage", listed(s.input_voltage.values, "V")),
        ("output voltage", listed([s.output_voltage], "V")),
        ("load current", listed(s.output_current.values, "A") + f" ({s.load})"),
    )
    return Table(title="Specification", columns=(Column(heading="what"), Column(heading="value")), rows=rows)
