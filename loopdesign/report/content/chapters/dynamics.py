"""What load, source and filters see: impedances, steps in time, input and output filter, spread."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.content.blocks import Attachment, Bullets, Figure, Paragraph, SectionHeading, TableBlock
from loopdesign.report.content.pictures import svg_of

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
    from loopdesign.report.impedances.plots import TITLE, impedances_caption, impedances_figure  # noqa: PLC0415
    from loopdesign.report.impedances.section import impedance_paragraphs, impedance_table  # noqa: PLC0415

    if study is None:
        return ()
    return (
        SectionHeading(text=TITLE),
        *(Paragraph(text=p) for p in impedance_paragraphs(study)),
        TableBlock(table=impedance_table(study)),
        Figure(
            name="impedances",
            svg=svg_of(impedances_figure(study)),
            caption=impedances_caption(study),
        ),
    )


def steps_chapter(study: StepStudy | None) -> tuple[Block, ...]:
    """Describe the load and line steps; nothing where none were made."""
    return (*steps_told(study), *steps_drawn(study))


def steps_told(study: StepStudy | None) -> tuple[Block, ...]:
    """Describe the load and line steps in words and tables."""
    from loopdesign.report.steps.text import step_paragraphs, step_tables  # noqa: PLC0415

    if study is None:
        return ()
    return (
        SectionHeading(text="Load and line steps"),
        *(Paragraph(text=p) for p in step_paragraphs(study)),
        *(TableBlock(table=t) for t in step_tables(study)),
    )


def steps_drawn(study: StepStudy | None, part: int = 0, parts: int = 1) -> tuple[Block, ...]:
    """Draw the load and line steps, all of them or one of equal parts."""
    from loopdesign.report.steps.plots import step_captions, step_figures  # noqa: PLC0415  (loads matplotlib)

    if study is None:
        return ()
    captions = step_captions(study)
    return tuple(
        Figure(name=name, svg=svg_of(figure), caption=captions[name])
        for name, figure in step_figures(study, part, parts).items()
    )


def start_chapter(study: RiseStudy | None) -> tuple[Block, ...]:
    """Describe start-ups and line drop-outs; nothing where none were made."""
    from loopdesign.report.steps.start import start_table, start_verdict  # noqa: PLC0415
    from loopdesign.report.steps.start_plots import start_caption, start_figure  # noqa: PLC0415  (loads matplotlib)

    if study is None:
        return ()
    kinds = tuple(dict.fromkeys(r.kind for r in study.results))
    figures = [
        Figure(name=f"start_{k}", svg=svg_of(start_figure(study, k)), caption=start_caption(study, k)) for k in kinds
    ]
    return (
        SectionHeading(text="Start-up and line drop-out" if len(kinds) > 1 else "Start-up"),
        Paragraph(text=start_verdict(study)),
        TableBlock(table=start_table(study)),
        *figures,
        Bullets(items=tuple(f"{note[0].upper()}{note[1:]}." for note in study.notes)),
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
    from loopdesign.report.filter import plots  # noqa: PLC0415  (loads matplotlib)
    from loopdesign.report.filter.section import damper_table, filter_sentences, filter_table  # noqa: PLC0415

    dampers, change = damper_table(study), plots.loop_change_figure(study)
    figures = [
        Figure(
            name="filter_impedances",
            svg=svg_of(plots.impedance_figure(study)),
            caption=plots.filter_impedances_caption(study),
        )
    ]
    if change is not None:
        figures.append(
            Figure(
                name="filter_loop_change",
                svg=svg_of(change),
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
    from loopdesign.report.spread import plots  # noqa: PLC0415  (loads matplotlib)
    from loopdesign.report.spread.text import spread_sentences, spread_tables  # noqa: PLC0415

    if found is None or band is None:
        return ()
    return (
        SectionHeading(text="Spread over tolerances"),
        Bullets(items=spread_sentences(found)),
        *(TableBlock(table=t) for t in spread_tables(found)),
        Figure(
            name="histograms",
            svg=svg_of(plots.histogram_figure(found)),
            caption=plots.histogram_caption(found),
        ),
        Figure(
            name="envelope",
            svg=svg_of(plots.envelope_figure(found, band)),
            caption=plots.envelope_caption(found, band),
        ),
        *([Attachment(name="worst_sample.toml", text=worst_case)] if worst_case else []),
    )


def sensitivity_chapter(found: Sensitivities | None) -> tuple[Block, ...]:
    """Describe what each value does to each margin; nothing where that was not asked for."""
    from loopdesign.report.explore.sensitivity_text import (  # noqa: PLC0415  (loads matplotlib)
        sensitivity_figure,
        sensitivity_sentences,
        sensitivity_table,
        strongest,
    )

    if found is None:
        return ()
    return (
        SectionHeading(text="What each value does to each margin"),
        Paragraph(text=f"{strongest(found)}."),
        Bullets(items=sensitivity_sentences(found)),
        Figure(
            name="sensitivity",
            svg=svg_of(sensitivity_figure(found)),
            caption="Change of each reading for ten percent more of each value. To see: which few values decide.",
        ),
        TableBlock(table=sensitivity_table(found), folded=True),
    )
