"""What load, source and filters see: impedances, steps in time, input and output filter, spread."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.content.blocks import Attachment, Bullets, Figure, Paragraph, SectionHeading, TableBlock
from loopdesign.report.content.pictures import drawn_by

if TYPE_CHECKING:
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.analysis.impedances import Impedances
    from loopdesign.analysis.spread.envelope import Envelope
    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.analysis.startup.rise import RiseStudy
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.explore.sensitivity import Sensitivities
    from loopdesign.report.content.blocks import Block


def impedances_chapter(study: Impedances | None) -> tuple[Block, ...]:
    """Describe output impedance, line rejection and input impedance; nothing where they were not computed."""
    from loopdesign.report.impedances import plots  # noqa: PLC0415  (where needed, here and below)
    from loopdesign.report.impedances.section import impedance_paragraphs, impedance_table  # noqa: PLC0415

    if study is None:
        return ()
    return (
        SectionHeading(text=plots.TITLE),
        *(Paragraph(text=p) for p in impedance_paragraphs(study)),
        TableBlock(table=impedance_table(study)),
        Figure(
            name="impedances",
            picture=drawn_by(plots.impedances_figure, study),
            size=plots.impedances_layout(study).size,
            caption=plots.impedances_caption(study),
        ),
    )


def steps_chapter(study: StepStudy | None) -> tuple[Block, ...]:
    """Describe the load and line steps; nothing where none were made."""
    from loopdesign.report.steps.text import step_paragraphs, step_tables  # noqa: PLC0415

    if study is None:
        return ()
    return (
        SectionHeading(text="Load and line steps"),
        *(Paragraph(text=p) for p in step_paragraphs(study)),
        *(TableBlock(table=t) for t in step_tables(study)),
        *step_figures(study),
    )


def step_figures(study: StepStudy) -> tuple[Figure, ...]:
    """Draw the load and line steps."""
    from loopdesign.report.steps.plots import step_sheets  # noqa: PLC0415

    return tuple(
        Figure(name=s.name, picture=drawn_by(s.plot, *s.results), size=s.layout.size, caption=s.caption)
        for s in step_sheets(study)
    )


def start_chapter(study: RiseStudy | None) -> tuple[Block, ...]:
    """Describe start-ups and line drop-outs; nothing where none were made."""
    from loopdesign.report.steps.start import start_table, start_verdict  # noqa: PLC0415

    if study is None:
        return ()
    figures = start_figures(study)
    return (
        SectionHeading(text="Start-up and line drop-out" if len(figures) > 1 else "Start-up"),
        Paragraph(text=start_verdict(study)),
        TableBlock(table=start_table(study)),
        *figures,
        Bullets(items=tuple(f"{note[0].upper()}{note[1:]}." for note in study.notes)),
    )


def start_figures(study: RiseStudy) -> tuple[Figure, ...]:
    """Draw start-ups and line drop-outs, each kind by itself."""
    from loopdesign.report.steps.start_plots import LAYOUT, start_caption, start_figure  # noqa: PLC0415

    kinds = dict.fromkeys(r.kind for r in study.results)
    return tuple(
        Figure(
            name=f"start_{k}",
            picture=drawn_by(start_figure, study, k),
            size=LAYOUT.size,
            caption=start_caption(study, k),
        )
        for k in kinds
    )


def filters_chapter(before: FilterStudy | None, behind: OutputFilterStudy | None) -> tuple[Block, ...]:
    """Describe what the filters ahead of and behind the converter do to the loop; nothing where there are none."""
    told: list[Block] = [] if before is None else list(_input_filter(before))
    if behind is not None:
        from loopdesign.analysis.filter_study.output import output_filter_sentences  # noqa: PLC0415  (where needed)

        told.append(SectionHeading(text="Output filter", level=2))
        told.append(Bullets(items=output_filter_sentences(behind)))
    return (SectionHeading(text="Filters"), *told) if told else ()


def _input_filter(study: FilterStudy) -> tuple[Block, ...]:
    from loopdesign.report.filter import plots  # noqa: PLC0415
    from loopdesign.report.filter.section import damper_table, filter_sentences, filter_table  # noqa: PLC0415

    dampers = damper_table(study)
    figures = [
        Figure(
            name="filter_impedances",
            picture=drawn_by(plots.impedance_figure, study),
            size=plots.filter_layout(study, impedances=True).size,
            caption=plots.filter_impedances_caption(study),
        )
    ]
    if study.closed:
        figures.append(
            Figure(
                name="filter_loop_change",
                picture=drawn_by(plots.loop_change_figure, study),
                size=plots.filter_layout(study, impedances=False).size,
                caption=plots.loop_change_caption(study),
            )
        )
    return (
        SectionHeading(text="Input filter", level=2),
        Bullets(items=filter_sentences(study)),
        TableBlock(table=filter_table(study)),
        *([] if dampers is None else [TableBlock(table=dampers)]),
        *figures,
    )


def spread_chapter(found: SpreadResult | None, band: Envelope | None, worst_case: str = "") -> tuple[Block, ...]:
    """Describe the spread over tolerances; nothing where no samples were drawn.

    Parameters
    ----------
    found
        Samples.
    band
        Band of the loop gains at one condition.
    worst_case
        The worst sample as the text of a case file; empty where it is not handed over.

    Returns
    -------
    tuple of Block
        A chapter.
    """
    if found is None or band is None:
        return ()
    from loopdesign.report.spread import plots  # noqa: PLC0415
    from loopdesign.report.spread.text import spread_sentences, spread_tables  # noqa: PLC0415

    return (
        SectionHeading(text="Spread over tolerances"),
        Bullets(items=spread_sentences(found)),
        *(TableBlock(table=t) for t in spread_tables(found)),
        Figure(
            name="histograms",
            picture=drawn_by(plots.histogram_figure, found),
            caption=plots.histogram_caption(found),
        ),
        Figure(
            name="envelope",
            picture=drawn_by(plots.envelope_figure, found, band),
            caption=plots.envelope_caption(found, band),
        ),
        *([Attachment(name="worst_sample.toml", text=worst_case)] if worst_case else []),
    )


def sensitivity_chapter(found: Sensitivities | None) -> tuple[Block, ...]:
    """Describe what each value does to each margin; nothing where that was not asked for."""
    if found is None:
        return ()
    from loopdesign.report.explore.sensitivity_text import (  # noqa: PLC0415
        sensitivity_figure,
        sensitivity_sentences,
        sensitivity_table,
        strongest,
    )

    return (
        SectionHeading(text="What each value does to each margin"),
        Paragraph(text=f"{strongest(found)}."),
        Bullets(items=sensitivity_sentences(found)),
        Figure(
            name="sensitivity",
            picture=drawn_by(sensitivity_figure, found),
            caption="Change of each reading for ten percent more of each value. To see: which few values decide.",
        ),
        TableBlock(table=sensitivity_table(found), folded=True),
    )
