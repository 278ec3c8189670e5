"""Further sections of a report: how the parts were chosen, steps in time, the input filter, the spread."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from loopdesign.report.choice.text import choice_markdown
from loopdesign.report.page import markdown_table, neutral
from loopdesign.report.spread.text import spread_markdown
from loopdesign.report.steps.text import step_paragraphs, step_tables

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.figure import Figure

    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.spread.envelope import Envelope
    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.report.basics.tables import Table
    from loopdesign.synthesis.choice.choose import Choice


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSection:
    """One section of a report.

    Attributes
    ----------
    title, text
        Heading, and Markdown below it.
    figures
        Figures by the name of their file without ending.
    files
        Further text files by name.
    """

    title: str
    text: str
    figures: Mapping[str, Figure] = field(default_factory=dict)
    files: Mapping[str, str] = field(default_factory=dict)

    def markdown(self) -> str:
        """Write heading, text and pictures."""
        pictures = [f"![{self.title}: {name.replace('_', ' ')}]({name}.png)" for name in self.figures]
        further = [f"Beside this page: [{name}]({name})." for name in self.files]
        return "\n\n".join([f"## {self.title}", self.text.strip(), *pictures, *further]) + "\n"


def _titled(table: Table) -> str:
    return f"**{neutral(table.title)}**\n\n{markdown_table(table)}"


def choice_section(found: Choice) -> ReportSection:
    """Describe how the parts were chosen, and the next best."""
    return ReportSection(title="How the parts were chosen", text=choice_markdown(found))


def step_section(study: StepStudy) -> ReportSection:
    """Describe the load and line steps."""
    from loopdesign.report.steps.plots import step_figures  # noqa: PLC0415  (loads matplotlib)

    text = "\n\n".join([*(neutral(p) for p in step_paragraphs(study)), *(_titled(t) for t in step_tables(study))])
    return ReportSection(title="Load and line steps", text=text, figures=step_figures(study))


def filter_section(study: FilterStudy) -> ReportSection:
    """Describe what the input filter does to the loop."""
    from loopdesign.report.filter.section import (  # noqa: PLC0415  (loads matplotlib)
        damper_table,
        filter_sentences,
        filter_table,
        impedance_figure,
        loop_change_figure,
    )

    dampers = damper_table(study)
    tables = [filter_table(study), *([] if dampers is None else [dampers])]
    text = "\n\n".join([*(neutral(s) for s in filter_sentences(study)), *(_titled(t) for t in tables)])
    figures = {"filter_impedances": impedance_figure(study)}
    change = loop_change_figure(study)
    if change is not None:
        figures["filter_loop_change"] = change
    return ReportSection(title="Input filter", text=text, figures=figures)


def spread_section(found: SpreadResult, band: Envelope, worst_case: str) -> ReportSection:
    """Describe the spread over tolerances; ``worst_case`` is the worst sample as the text of a case file."""
    from loopdesign.report.spread.plots import envelope_figure, histogram_figure  # noqa: PLC0415  (loads matplotlib)

    return ReportSection(
        title="Spread over tolerances",
        text=spread_markdown(found),
        figures={"histograms": histogram_figure(found), "envelope": envelope_figure(found, band)},
        files={"worst_sample.toml": worst_case},
    )
