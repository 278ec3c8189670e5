"""Measurements beside their prediction as the content of a report, with pictures, the fitted case and the guide."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.report.bench.guide import bench_guide
from loopdesign.report.bench.plots import bench_figures
from loopdesign.report.bench.step import step_notes, step_overlay_figure, step_parts_table, step_readings_table
from loopdesign.report.bench.text import bench_facts, bench_notes, bench_tables
from loopdesign.report.content.blocks import (
    Attachment,
    Bullets,
    Content,
    Figure,
    Note,
    Paragraph,
    SectionHeading,
    TableBlock,
)
from loopdesign.report.content.chapters.inputs import inputs_chapter
from loopdesign.report.content.chapters.opening import CAUTIONS
from loopdesign.report.content.gather import front_lines, running_lines
from loopdesign.report.content.pictures import svg_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.bench.result import BenchResult
    from loopdesign.bench.steps.hold import StepComparison
    from loopdesign.case import CaseFile
    from loopdesign.report.content.blocks import Block

CAPTIONS = {
    "overlay": "Measured points over the curve of the exact model. To see: where the points leave the curve, "
    "and whether "
    "the fitted values bring it back to them.",
    "difference": "Measured less predicted. To see: a difference that grows or falls smoothly is a part that "
    "is off; one "
    "that jumps from point to point is noise.",
}


def bench_content(
    found: Sequence[BenchResult], given: CaseFile, date: str, files: Mapping[str, str] | None = None
) -> Content:
    """Gather the report of a comparison with measurements.

    Parameters
    ----------
    found : sequence of BenchResult
        One for each file.
    given : CaseFile
        The case file as it was read.
    date : str
        What the report is dated.
    files : mapping of str to str, optional
        Further files by name, such as the case with the fitted values.

    Returns
    -------
    Content
        Sentences, tables and pictures, how to measure, and what was given.
    """
    case, several = found[0].case, len(found) > 1
    blocks: list[Block] = [Note(title="Before anyone acts on this", items=CAUTIONS)]
    for number, held in enumerate(found, 1):
        blocks += _measurement(held, number if several else None)
    blocks += [Attachment(name=name, text=text) for name, text in (files or {}).items()]
    blocks.append(SectionHeading(text="How to measure the loop"))
    blocks += [Bullets(title=heading, items=(text,)) for heading, text in bench_guide(case)]
    board = found[0].board
    return Content(
        title=" ".join(case.title.split()),
        front=front_lines(case, given, date),
        verdict=found[0].sentence,
        good=all(h.stable for h in found) and (board is None or (board.check is not None and board.check.targets_met)),
        running=running_lines(case, given, date),
        blocks=(*blocks, *inputs_chapter(case)),
    )


def step_report(held: StepComparison, given: CaseFile, date: str, files: Mapping[str, str] | None = None) -> Content:
    """Gather the report of a comparison with a measured load step.

    Parameters
    ----------
    held : StepComparison
        The comparison.
    given : CaseFile
        The case file as it was read.
    date : str
        What the report is dated.
    files : mapping of str to str, optional
        Further files by name.

    Returns
    -------
    Content
        Sentences, tables, the picture, and what was given.
    """
    case, board, parts = held.case, held.board, step_parts_table(held)
    caption = "The record over the step of the model. To see: depth and duration of the dip, and what is left below."
    blocks: list[Block] = [
        Note(title="Before anyone acts on this", items=CAUTIONS),
        SectionHeading(text="A measured load step"),
        Paragraph(text=held.sentence),
        TableBlock(table=step_readings_table(held)),
        *([] if parts is None else [TableBlock(table=parts)]),
        *([Bullets(title="Notes", items=step_notes(held))] if step_notes(held) else []),
        Figure(name="step_overlay", picture=svg_of(step_overlay_figure(held)), caption=caption),
        *(Attachment(name=name, text=text) for name, text in (files or {}).items()),
    ]
    return Content(
        title=" ".join(case.title.split()),
        front=front_lines(case, given, date),
        verdict=held.sentence,
        good=board is None or (board.check is not None and board.check.targets_met),
        running=running_lines(case, given, date),
        blocks=(*blocks, *inputs_chapter(case)),
    )


def _measurement(held: BenchResult, number: int | None) -> list[Block]:
    """Describe one file."""
    title = "From the bench" if number is None else f"From the bench, file {number}"
    pictures = [
        Figure(name=name, picture=svg_of(figure), caption=CAPTIONS[name.partition("_")[0]])
        for name, figure in bench_figures(held, number).items()
    ]
    return [
        SectionHeading(text=title),
        Paragraph(text=held.sentence),
        Bullets(items=bench_facts(held)),
        *(TableBlock(table=table) for table in bench_tables(held)),
        *([Bullets(title="Notes", items=bench_notes(held))] if bench_notes(held) else []),
        *pictures,
    ]


def bench_answer(found: Sequence[BenchResult]) -> dict[str, Any]:
    """Return everything a machine may want of a comparison: the answers, and the verdict with the fitted values.

    Parameters
    ----------
    found : sequence of BenchResult
        One for each file.

    Returns
    -------
    dict
        ``measurements``, and ``board`` where values were fitted.
    """
    board = found[0].board
    told: dict[str, Any] = {"measurements": [held.to_dict() for held in found]}
    return told if board is None else told | {"board": board.to_dict()}
