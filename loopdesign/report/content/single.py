"""The report of one study by itself: load and line steps, a spread over tolerances, or a sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.content.blocks import Bullets, Code, Content, Figure, Note, Paragraph, SectionHeading, TableBlock
from loopdesign.report.content.chapters import dynamics
from loopdesign.report.content.chapters.inputs import inputs_chapter
from loopdesign.report.content.chapters.opening import CAUTIONS
from loopdesign.report.content.gather import front_lines, running_lines
from loopdesign.report.content.pictures import drawn_by
from loopdesign.report.explore.size_text import size_covered, size_notes, size_table, size_verdict
from loopdesign.report.explore.sweep_text import quantity_name, sweep_sentences, sweep_table
from loopdesign.report.loads.tables import below_table, boundary_table, ends_table, levels_table, overload_table
from loopdesign.report.loads.text import curve_sentence, loads_verdict
from loopdesign.report.spread.text import spread_sentences
from loopdesign.report.steps.start import start_verdict
from loopdesign.report.steps.surges import exceeded
from loopdesign.report.steps.text import step_verdict

if TYPE_CHECKING:
    from loopdesign.analysis.loads.result import LoadsResult
    from loopdesign.analysis.spread.envelope import Envelope
    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.analysis.startup.rise import RiseStudy
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.case import Case, CaseFile
    from loopdesign.explore.size import SizeResult
    from loopdesign.explore.sweep import SweepResult
    from loopdesign.report.content.blocks import Block


REGIMES = "Where conduction and regulation change. Stability is not examined here: run check for it."
"""Caption of the picture of loads over input voltage."""
LIMITED = (
    "Where conduction and regulation change. Stability is examined at most at the limit itself, at the listed input "
    "voltages: run check for the loads of the case."
)
"""The same with a limit."""


def steps_content(study: StepStudy, given: CaseFile, date: str) -> Content:
    """Gather the report of ``loopdesign step``.

    Parameters
    ----------
    study
        The steps.
    given
        The case file as it was read.
    date
        What the report is dated.

    Returns
    -------
    Content
        Title block, verdict, steps, and what was given.
    """
    good = study.stable and not exceeded(study)
    return _single(study.case, given, date, (step_verdict(study), good), dynamics.steps_chapter(study))


def start_content(study: RiseStudy, given: CaseFile, date: str) -> Content:
    """Gather the report of ``loopdesign step --start``.

    Parameters
    ----------
    study
        Every run.
    given
        The case file as it was read.
    date
        What the report is dated.

    Returns
    -------
    Content
        Title block, verdict, runs, and what was given.
    """
    verdict = start_verdict(study)
    return _single(study.case, given, date, (verdict, not study.reasons), dynamics.start_chapter(study))


def spread_content(found: SpreadResult, band: Envelope, worst_case: str, given: CaseFile, date: str) -> Content:
    """Gather the report of ``loopdesign spread``.

    Parameters
    ----------
    found
        Samples.
    band
        Band of the loop gains at one condition.
    worst_case
        The worst sample as the text of a case file.
    given
        The case file as it was read.
    date
        What the report is dated.

    Returns
    -------
    Content
        Title block, verdict, spread, and what was given.
    """
    verdict = (spread_sentences(found)[-1], not found.unstable.count and not found.off_target.count)
    return _single(found.case, given, date, verdict, dynamics.spread_chapter(found, band, worst_case))


def sweep_content(swept: SweepResult, case: Case, given: CaseFile, date: str) -> Content:
    """Gather the report of ``loopdesign sweep``.

    Parameters
    ----------
    swept
        Every point.
    case
        The case as its file has it.
    given
        The case file as it was read.
    date
        What the report is dated.

    Returns
    -------
    Content
        Title block, verdict, picture, points, and what was given.
    """
    from loopdesign.report.explore.sweep_plots import sweep_figure  # noqa: PLC0415  (loads matplotlib)

    verdict, *notes = sweep_sentences(swept)
    names = " and ".join(quantity_name(q.key) for q in swept.varied)
    blocks = (
        SectionHeading(text=f"Sweep over {names}"),
        Bullets(items=tuple(notes)),
        Figure(name="sweep", picture=drawn_by(sweep_figure, swept), caption=f"Margins and stability over {names}."),
        TableBlock(table=sweep_table(swept), folded=True),
    )
    return _single(case, given, date, (verdict, all(p.stable for p in swept.points)), blocks)


def size_content(found: SizeResult, case: Case, given: CaseFile, date: str) -> Content:
    """Gather the report of ``loopdesign size``.

    Parameters
    ----------
    found
        Every combination examined.
    case
        The case as its file has it.
    given
        The case file as it was read.
    date
        What the report is dated.

    Returns
    -------
    Content
        Title block, verdict, picture, combinations, and what was given.
    """
    from loopdesign.report.explore.size_plot import size_figure  # noqa: PLC0415  (loads matplotlib)

    caption = f"Total {found.weighed_by} against step deviation of every combination."
    blocks = (
        SectionHeading(text="The smallest parts"),
        Bullets(items=(*size_notes(found), size_covered(found))),
        Figure(name="size", picture=drawn_by(size_figure, found), caption=caption),
        TableBlock(table=size_table(found)),
    )
    return _single(case, given, date, (size_verdict(found), found.smallest is not None), blocks)


def loads_content(found: LoadsResult, given: CaseFile, date: str) -> Content:
    """Gather the report of ``loopdesign loads``.

    Parameters
    ----------
    found
        The loads.
    given
        The case file as it was read.
    date
        What the report is dated.

    Returns
    -------
    Content
        Title block, verdict, boundaries, light load, overload, and what was given.
    """
    from loopdesign.report.loads.plots import overload_figure, regimes_figure  # noqa: PLC0415  (loads matplotlib)

    caption = REGIMES if found.largest_load_a is None else LIMITED
    blocks: list[Block] = [
        SectionHeading(text="Loads over input voltage"),
        Figure(name="loads", picture=drawn_by(regimes_figure, found), caption=caption),
        TableBlock(table=boundary_table(found)),
    ]
    if (ends := ends_table(found)).rows:
        blocks.append(TableBlock(table=ends))
    if found.below:
        blocks.append(TableBlock(table=below_table(found)))
    if any(c.points for c in found.overload):
        caption = (
            "Output voltage against current with the controller at its limit; stability before the limit is not "
            "examined. Where a curve ends inside the picture, the text under Overload says why, and what the converter "
            "does beyond."
        )
        if found.case.specification.regulate == "current":
            caption = (
                "Voltage of the load against its current: upright where the controller's limits allow the largest "
                "current (stability not examined), above it with the controller at its limit, below it with the "
                "shortest pulse."
            )
        blocks += [
            SectionHeading(text="Overload"),
            Bullets(items=tuple(curve_sentence(c) for c in found.overload)),
            *([TableBlock(table=levels_table(found))] if any(c.levels for c in found.overload) else []),
            Figure(name="overload", picture=drawn_by(overload_figure, found), caption=caption),
            *(TableBlock(table=overload_table(c), folded=True) for c in found.overload if c.points),
        ]
    blocks.append(Bullets(items=found.notes))
    return _single(found.case, given, date, (loads_verdict(found), not found.reasons), tuple(blocks))


def _single(case: Case, given: CaseFile, date: str, verdict: tuple[str, bool], blocks: tuple[Block, ...]) -> Content:
    """Put title block, cautions and inputs around one chapter."""
    warned = [Note(title="Warnings", items=case.warnings)] if case.warnings else []
    return Content(
        title=" ".join(case.title.split()),
        front=front_lines(case, given, date),
        verdict=verdict[0],
        good=verdict[1],
        running=running_lines(case, given, date),
        blocks=(
            *warned,
            Note(title="Before anyone acts on this", items=CAUTIONS),
            *blocks,
            *inputs_chapter(case),
            SectionHeading(text="The case file"),
            Paragraph(text=f"The text of {given.name} in full."),
            Code(text=given.text),
        ),
    )
