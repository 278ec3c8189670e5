"""Tables with the unit in the heading and the numbers of a column below one another, for pages and documents."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.basics.scale import scaled_column

if TYPE_CHECKING:
    from loopdesign.report.basics.tables import Table

_FIGURE_SPACE, _POINT_SPACE = "\u2007", "\u2008"


def lettered_cells(table: Table) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Write a table as text, one unit for each column.

    Parameters
    ----------
    table
        The table.

    Returns
    -------
    tuple
        Headings with their units, such as "crossover [kHz]", and the rows. Numbers of a column are as wide as one
        another: blanks as wide as a figure fill them up, so that their decimal points stand in one line.
    """
    columns = [scaled_column(table, k, plain=False) for k in range(len(table.columns))]
    headings = tuple(
        f"{c.heading} [{s.unit}]" if s.unit else c.heading for c, s in zip(table.columns, columns, strict=True)
    )
    filled = [
        [_filled(text) if c.numeric else text for text in s.cells] for c, s in zip(table.columns, columns, strict=True)
    ]
    return headings, tuple(zip(*filled, strict=True))


def _filled(text: str) -> str:
    """Put blanks of a figure's width in place of blanks; the first one after a whole number stands for its point."""
    body = text.strip(" ")
    before, after = len(text) - len(text.lstrip(" ")), len(text) - len(text.rstrip(" "))
    tail = _FIGURE_SPACE * after
    if after and "." not in body:
        tail = _POINT_SPACE + tail[1:]
    return _FIGURE_SPACE * before + body.replace(" ", "\u202f") + tail
