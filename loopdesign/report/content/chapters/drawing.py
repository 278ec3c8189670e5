"""The schematic: filters, power stage and control, as figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.content.blocks import Figure, SectionHeading, TableBlock
from loopdesign.report.loop.outputs import elements_table
from loopdesign.report.schematic.control import control_picture
from loopdesign.report.schematic.power import power_pictures

if TYPE_CHECKING:
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
    found = findings.check
    listed = elements_table(found.case)
    figures: list[Block] = [] if listed is None else [TableBlock(table=listed)]
    figures += [
        Figure(
            name=f"schematic_{title.lower().replace(' ', '_')}",
            svg=svg,
            caption=f"{title}, as it is computed. Resistances beside an inductor, a capacitor, the switch and "
            "the diode are their own.",
        )
        for title, svg in power_pictures(found.case)
    ]
    if found.margins:
        figures.append(
            Figure(
                name="schematic_control",
                svg=control_picture(found.case, found.parts),
                caption="What closes the loop. 'Output' is where the feedback senses; 'control' leads to the "
                "comparator.",
            )
        )
    return (SectionHeading(text="Schematic"), *figures)
