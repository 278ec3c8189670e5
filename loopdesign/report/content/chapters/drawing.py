"""The schematic: filters, power stage and control, as figures."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from loopdesign.report.content.blocks import Figure, SectionHeading, TableBlock
from loopdesign.report.loop.outputs import elements_table
from loopdesign.report.schematic.control import control_picture
from loopdesign.report.schematic.power import section_picture, section_titles

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings


def schematic_chapter(findings: Findings) -> tuple[Block, ...]:
    """Draw what the case describes, each part with its designator and its values.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    tuple of Block
        A chapter.
    """
    listed = elements_table(findings.check.case)
    tables = [] if listed is None else [TableBlock(table=listed)]
    return (SectionHeading(text="Schematic"), *tables, *schematic_figures(findings.check))


def schematic_figures(found: CheckResult) -> tuple[Figure, ...]:
    """Draw filters and power stage, and the control where there is a loop.

    Parameters
    ----------
    found
        The check.

    Returns
    -------
    tuple of Figure
        From the source to the load, then what closes the loop.
    """
    figures = [
        Figure(
            name=f"schematic_{title.lower().replace(' ', '_')}",
            picture=partial(section_picture, found.case, k),
            size=SECTION_SIZE,
            caption=f"{title}, as it is computed. Resistances beside an inductor, a capacitor, the switch and "
            "the diode are their own.",
        )
        for k, title in enumerate(section_titles(found.case))
    ]
    if found.margins:
        control = Figure(
            name="schematic_control",
            picture=partial(control_picture, found.case, found.parts),
            size=CONTROL_SIZE,
            caption="What closes the loop. 'Output' is where the feedback senses; 'control' leads to the comparator.",
        )
        figures.append(control)
    return tuple(figures)


SECTION_SIZE, CONTROL_SIZE = (620.0, 205.0), (600.0, 330.0)
"""Sizes of schematics, about [point]."""
