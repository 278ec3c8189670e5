"""A report as blocks, gathered once; Markdown, page and document are written from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import loopdesign
from loopdesign.report.basics.status import verdict_sentence
from loopdesign.report.content.blocks import Code, Content, Paragraph, SectionHeading
from loopdesign.report.content.chapters import dynamics
from loopdesign.report.content.chapters.bench import bench_chapter
from loopdesign.report.content.chapters.drawing import schematic_chapter
from loopdesign.report.content.chapters.inputs import inputs_chapter
from loopdesign.report.content.chapters.loop import margins_chapter
from loopdesign.report.content.chapters.method import method_chapter
from loopdesign.report.content.chapters.opening import opening
from loopdesign.report.content.chapters.parts import parts_chapter
from loopdesign.report.content.chapters.power import plant_chapter, power_chapter

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopdesign.case import Case, CaseFile
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings


def gather(findings: Findings) -> Content:
    """Gather a report: every sentence, table and figure of it, each once; the pictures are still to be drawn.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    Content
        Title block, verdict, and chapters in reading order.
    """
    found = findings.check
    return Content(
        title=" ".join(found.case.title.split()),
        front=front_lines(found.case, findings.given, findings.date),
        verdict=verdict_sentence(found),
        good=found.targets_met,
        running=running_lines(found.case, findings.given, findings.date),
        blocks=tuple(block for chapter in CHAPTERS for block in chapter(findings)),
    )


def _studies(findings: Findings) -> tuple[Block, ...]:
    """Write about filters, single values and spread."""
    return (
        *dynamics.filters_chapter(findings.input_filter, findings.output_filter),
        *dynamics.sensitivity_chapter(findings.sensitivities),
        *dynamics.spread_chapter(findings.spread, findings.band),
    )


def front_lines(case: Case, given: CaseFile, date: str) -> tuple[tuple[str, str], ...]:
    """Return the lines of the title block: what the report is about, from which file, by which version, by whom."""
    document = case.document
    lines = (
        ("converter", f"{case.converter.topology}, {case.modulator.scheme}"),
        ("case file", given.name),
        ("SHA-256 of the case file", given.sha256),
        ("made by", f"loopdesign {loopdesign.__version__}"),
        ("date", date),
        ("revision", document.revision or "-"),
        ("prepared by", document.prepared_by or "-"),
        ("reviewed by", document.reviewed_by or "-"),
    )
    return tuple((what, " ".join(value.split())) for what, value in lines)


def running_lines(case: Case, given: CaseFile, date: str) -> tuple[str, str]:
    """Return what every page of a document says at its head and at its foot."""
    revision = " ".join(case.document.revision.split())
    head = f"revision {revision}, {date}" if revision else date
    return head, f"{given.name}, SHA-256 {given.sha256[:16]}..., loopdesign {loopdesign.__version__}"


def _case_chapter(findings: Findings) -> tuple[Block, ...]:
    """Print the case file in full, with what was chosen in it."""
    given, text = findings.given, findings.chosen_text
    told = (
        f"The text of {given.name} in full."
        if text == given.text
        else f"The text of {given.name} in full, the chosen parts written into it; it lies beside this report as "
        "case.toml. The SHA-256 of the title block is that of the file before."
    )
    return (SectionHeading(text="The case file"), Paragraph(text=told), Code(text=text))


CHAPTERS: tuple[Callable[[Findings], tuple[Block, ...]], ...] = (
    opening,
    schematic_chapter,
    lambda findings: inputs_chapter(findings.check.case),
    parts_chapter,
    margins_chapter,
    power_chapter,
    plant_chapter,
    lambda findings: dynamics.impedances_chapter(findings.impedances),
    lambda findings: dynamics.steps_chapter(findings.steps),
    lambda findings: dynamics.start_chapter(findings.starts),
    _studies,
    bench_chapter,
    method_chapter,
    _case_chapter,
)
"""The chapters of a report in reading order."""
