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
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.report.content.blocks import Block

STEP_CAPTIONS = {
    "cycles": "The same in single switching cycles around the step. To see: the ripple, and how the current responds "
    "within the first cycles.",
    "disturbance": "A small disturbance of the operating point, followed cycle by cycle beside the slope that the "
    "largest multiplier asks for. To see: that both fall, or grow, at the same rate.",
    "step": "Output, control voltage and inductor currents. To see: the largest departure of the cycle mean, the "
    "settling band around the final value, and whether the control voltage reaches a limit.",
}


def impedances_chapter(study: Impedances | None) -> tuple[Block, ...]:
    """Describe output impedance, line rejection and input impedance; nothing where they were not computed."""
    from loopdesign.report.impedances.section import (  # noqa: PLC0415  (loads matplotlib)
        TITLE,
        impedance_paragraphs,
        impedance_table,
        impedances_figure,
    )

    if study is None:
        return ()
    return (
        SectionHeading(text=TITLE),
        *(Paragraph(text=p) for p in impedance_paragraphs(study)),
        TableBlock(table=impedance_table(study)),
        Figure(
            name="impedances",
            svg=svg_of(impedances_figure(study)),
            caption="Output impedance, line to output and input impedance at every input voltage. To see: the peak of "
            "the output impedance near crossover, and the lowest input impedance, which a source or filter "
            "must stay below.",
        ),
    )


def steps_chapter(study: StepStudy | None) -> tuple[Block, ...]:
    """Describe the load and line steps; nothing where none were made."""
    from loopdesign.report.steps.plots import step_figures  # noqa: PLC0415  (loads matplotlib)
    from loopdesign.report.steps.text import step_paragraphs, step_tables  # noqa: PLC0415

    if study is None:
        return ()
    figures = [
        Figure(name=name, svg=svg_of(figure), caption=step_caption(name))
        for name, figure in step_figures(study).items()
    ]
    return (
        SectionHeading(text="Load and line steps"),
        *(Paragraph(text=p) for p in step_paragraphs(study)),
        *(TableBlock(table=t) for t in step_tables(study)),
        *figures,
    )


def step_caption(name: str) -> str:
    """Say what one figure of the steps shows, by the name of its file."""
    words = name.replace("_", " ").removeprefix("step ").removesuffix(" cycles")
    kind = next((k for k in ("cycles", "disturbance") if name.endswith(k)), "step")
    return STEP_CAPTIONS[kind] if kind == "disturbance" else f"Step: {words}. {STEP_CAPTIONS[kind]}"


def filters_chapter(before: FilterStudy | None, behind: OutputFilterStudy | None) -> tuple[Block, ...]:
    """Describe what the filters ahead of and behind the converter do to the loop; nothing where there are none."""
    told: list[Block] = [] if before is None else list(_input_filter(before))
    if behind is not None:
        from loopdesign.analysis.filter_study.output import output_filter_sentences  # noqa: PLC0415  (where needed)

        told.append(SectionHeading(text="Output filter", level=2))
        told.append(Bullets(items=output_filter_sentences(behind)))
    return (SectionHeading(text="Filters"), *told) if told else ()


def _input_filter(study: FilterStudy) -> tuple[Block, ...]:
    from loopdesign.report.filter.section import (  # noqa: PLC0415  (loads matplotlib)
        damper_table,
        filter_sentences,
        filter_table,
        impedance_figure,
        loop_change_figure,
    )

    dampers, change = damper_table(study), loop_change_figure(study)
    figures = [
        Figure(
            name="filter_impedances",
            svg=svg_of(impedance_figure(study)),
            caption="Output impedance of the input filter against the input impedance of the converter without it. To "
            "see: how far the filter stays below the converter, and where it comes nearest.",
        )
    ]
    if change is not None:
        figures.append(
            Figure(
                name="filter_loop_change",
                svg=svg_of(change),
                caption="What the filter does to the size of the loop gain. To see: that it is small around crossover.",
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
    from loopdesign.report.spread.plots import envelope_figure, histogram_figure  # noqa: PLC0415  (loads matplotlib)
    from loopdesign.report.spread.text import spread_sentences, spread_tables  # noqa: PLC0415

    if found is None or band is None:
        return ()
    return (
        SectionHeading(text="Spread over tolerances"),
        Bullets(items=spread_sentences(found)),
        *(TableBlock(table=t) for t in spread_tables(found)),
        Figure(
            name="histograms",
            svg=svg_of(histogram_figure(found)),
            caption="Worst reading of every sample over the operating points, with its limit. To see: the share beyond "
            "the dashed line, hatched.",
        ),
        Figure(
            name="envelope",
            svg=svg_of(envelope_figure(found, band)),
            caption="Loop gain of the samples at the operating point that is worst. To see: how wide the band is at "
            "crossover, and how near its phase comes to -180 degrees.",
        ),
        *([Attachment(name="worst_sample.toml", text=worst_case)] if worst_case else []),
    )
