"""The loop: margins nominal and worst, and what the plots of it show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.report.basics import tables
from loopdesign.report.content.blocks import Bullets, Figure, Paragraph, SectionHeading, TableBlock
from loopdesign.report.content.pictures import drawn_by
from loopdesign.report.loop import overview, plots
from loopdesign.report.loop.worst import worst_table

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings

WORDS_OF_NONE = {"crossover_hz": "crossover", "phase_margin_deg": "phase margin", "gain_margin_db": "gain margin"}


def margins_chapter(findings: Findings) -> tuple[Block, ...]:
    """Show verdict and margins of every corner, the worst of everything, and the multipliers.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    tuple of Block
        A chapter.
    """
    found = findings.check
    told: list[Block] = [
        SectionHeading(text="Verdict and margins"),
        Paragraph(
            text="The verdict comes from the characteristic multipliers of the switching model, never from a plot. "
            "Where it says UNSTABLE, a margin in the same row proves nothing."
        ),
        TableBlock(table=tables.margins_table(found)),
    ]
    missing = _reasons_for_none(found)
    told += [Bullets(items=missing)] if missing else []
    worst = worst_table(found)
    told += [] if worst is None else [TableBlock(table=worst)]
    return (*told, TableBlock(table=tables.stability_table(found)), *_loop_figures(findings))


def _loop_figures(findings: Findings) -> tuple[Block, ...]:
    """Show the loop gain over frequency and near -1: everything in one, then load by load."""
    data, curves = findings.curves, findings.worst_curves
    if data.loop is None:
        return ()
    told: list[Block] = [SectionHeading(text="Loop gain", level=2)]
    if curves is not None:
        told += [
            Figure(
                name="loop_overview",
                picture=drawn_by(overview.overview_bode_figure, curves),
                size=overview.BODE_LAYOUT.size,
                caption=overview.overview_bode_caption(curves),
            ),
            Figure(
                name="nyquist",
                picture=drawn_by(overview.overview_nyquist_figure, curves),
                size=overview.NYQUIST_LAYOUT.size,
                caption=overview.overview_nyquist_caption(curves),
            ),
        ]
    else:
        near = Figure(
            name="nyquist",
            picture=drawn_by(plots.nyquist_figure, data),
            size=plots.nyquist_layout(data).size,
            caption=plots.nyquist_caption(data),
        )
        told.append(near)
    bode = Figure(
        name="loop_bode",
        picture=drawn_by(plots.loop_bode_figure, data),
        size=plots.bode_layout(data).size,
        caption=plots.loop_bode_caption(data),
    )
    return (*told, bode)


def _reasons_for_none(found: CheckResult) -> tuple[str, ...]:
    """Say why a margin does not exist, corner by corner."""
    return tuple(
        f"no {WORDS_OF_NONE.get(key, key)} at {corner_name(found.conditions, item)}: {reason}"
        for item, m in enumerate(found.margins)
        for key, reason in m.reasons.items()
    )
