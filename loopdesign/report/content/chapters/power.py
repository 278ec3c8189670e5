"""The power stage: operating points, what the parts carry, their values at each corner, poles and zeros."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.basics import tables
from loopdesign.report.content.blocks import Figure, Paragraph, SectionHeading, TableBlock
from loopdesign.report.content.pictures import drawn_by
from loopdesign.report.loop.outputs import cross_table
from loopdesign.report.loop.plots import bode_layout, plant_bode_caption, plant_bode_figure
from loopdesign.report.loop.ratings import clamp_sentence, clamp_table, ratings_table
from loopdesign.report.loop.worst import effective_by_corner, effective_table

if TYPE_CHECKING:
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings


def power_chapter(findings: Findings) -> tuple[Block, ...]:
    """Show operating points, stress, ratings and the values of the parts at each corner.

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
    ratings, effective, everywhere = ratings_table(found), effective_table(found), effective_by_corner(found)
    told: list[Block] = [
        SectionHeading(text="Operating points"),
        TableBlock(table=tables.operating_table(found, findings.curves.continuous_limit)),
        SectionHeading(text="Currents, voltages and ratings", level=2),
        TableBlock(table=tables.stress_table(found)),
        Paragraph(
            text="A device's voltage is the steady one of the ideal switching edge: ringing and spikes come on top."
        ),
    ]
    told += [Paragraph(text="The case file gives no ratings.")] if ratings is None else [TableBlock(table=ratings)]
    if (clamp := found.clamp) is not None:
        told.append(SectionHeading(text="Leakage and clamp", level=2))
        told.append(TableBlock(table=clamp_table(clamp)))
        sentence = clamp_sentence(clamp)
        told.append(Paragraph(text=f"{sentence[0].upper()}{sentence[1:]}."))
    cross = cross_table(found)
    if cross is not None:
        told.append(SectionHeading(text="Further outputs", level=2))
        told.append(Paragraph(text="Averages with one output regulated, at the ends of all loads; nominal parts."))
        told.append(TableBlock(table=cross))
    if effective is not None and everywhere is not None:
        told.append(SectionHeading(text="Part values at each corner", level=2))
        told.append(
            Paragraph(
                text="Values that bias, current, temperature or parts in parallel make differ from the given ones."
            )
        )
        told += [TableBlock(table=effective), TableBlock(table=everywhere)]
    return tuple(told)


def plant_chapter(findings: Findings) -> tuple[Block, ...]:
    """Show poles, zeros and response of the plant.

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
    return (
        SectionHeading(text="Poles and zeros of the plant"),
        TableBlock(table=tables.zero_table(found)),
        TableBlock(table=tables.roots_summary(found)),
        Figure(
            name="plant_bode",
            picture=drawn_by(plant_bode_figure, findings.curves),
            size=bode_layout(findings.curves, held=True).size,
            caption=plant_bode_caption(findings.curves),
        ),
        TableBlock(table=tables.roots_table(found), folded=True),
    )
