"""A figure as a sheet of panels with margins in inches: title, case, what is covered and date above them.

Margins are set and not searched for: a layout engine draws every figure several times to find them. Panels of one row
share their vertical axis, so that what stands side by side can be compared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.printable import printable
from loopdesign.report.basics.date import report_date
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loopdesign.case import Case

WIDTH = 7.2
"""Width of a sheet [inch]: a printed page without reduction."""
LEFT, RIGHT, BELOW = 0.78, 0.18, 0.46
GAP, ROW_GAP = 0.16, 0.17
HEAD = 0.50
"""Height of the two lines above the panels [inch]."""
SMALL, NORMAL, LARGE = 7.0, 8.0, 10.0
"""Sizes of letters [point]."""
LONGEST_TITLE = 70
"""Characters of a case's title that fit beside what is covered and the date."""
NOMINAL = "nominal parts"
POINTS_PER_INCH = 72.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetHeading:
    """What stands above the panels.

    Attributes
    ----------
    title : str
        What is drawn.
    about : str
        The case, what the figure covers, and the date.
    """

    title: str
    about: str = ""


def heading(case: Case | None, title: str, *, covers: str = NOMINAL) -> SheetHeading:
    """Head a figure with the case it belongs to, what it covers and the date.

    Parameters
    ----------
    case : Case or None
        The case; only the title is shown where there is none.
    title : str
        What is drawn.
    covers : str
        Nominal parts, or what else.

    Returns
    -------
    SheetHeading
        Words of the case cannot steer the figure's own text.
    """
    if case is None:
        return SheetHeading(title=drawable(title))
    name = " ".join(case.title.split())
    name = name if len(name) <= LONGEST_TITLE else f"{name[: LONGEST_TITLE - 3]}..."
    told = [x for x in (name, covers, report_date(case)) if x]
    return SheetHeading(title=drawable(title), about=drawable("   |   ".join(told)))


def drawable(text: str) -> str:
    """Make text safe to draw: the dollar sign, which begins a formula, is written as one.

    Parameters
    ----------
    text : str
        Words that may come from a case file.

    Returns
    -------
    str
        What the figure shows letter by letter.
    """
    return printable(text).replace("$", r"\$")


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLayout:
    """Where panels stand on a sheet, in inches.

    Attributes
    ----------
    rows, columns : int
        Number of panels [unitless].
    heights : tuple of float
        Height of each row [inch].
    above : float
        Room for legends above the first row [inch].
    right : float
        Room to the right of the panels [inch].
    width : float
        Width of the sheet [inch].
    gap, row_gap : float
        Room between columns, and between rows [inch].
    """

    rows: int
    columns: int
    heights: tuple[float, ...]
    above: float = 0.0
    right: float = RIGHT
    width: float = WIDTH
    gap: float = GAP
    row_gap: float = ROW_GAP

    @property
    def height(self) -> float:
        """Height of the sheet [inch]."""
        return HEAD + self.above + sum(self.heights) + self.row_gap * (self.rows - 1) + BELOW

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the sheet [point]."""
        return POINTS_PER_INCH * self.width, POINTS_PER_INCH * self.height

    @property
    def panel_width(self) -> float:
        """Width of one panel [inch]."""
        return (self.width - LEFT - self.right - self.gap * (self.columns - 1)) / self.columns


def panels(
    head: SheetHeading, layout: SheetLayout, *, share_x: bool = True, share_y: bool = True
) -> tuple[Figure, Any]:
    """Lay out a sheet.

    Parameters
    ----------
    head : SheetHeading
        What stands above.
    layout : SheetLayout
        Where the panels stand.
    share_x, share_y : bool
        Whether the panels of one column share the horizontal axis, those of one row the vertical one [unitless].

    Returns
    -------
    tuple of Figure and ndarray
        The figure, with a canvas of its own, and its axes by row and column. No global state is touched.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415  (a third of a second to import)
    from matplotlib.figure import Figure  # noqa: PLC0415

    from loopdesign.report.drawing.panel import Panel  # noqa: PLC0415  (loads matplotlib)

    figure = Figure(figsize=(layout.width, layout.height))
    FigureCanvasAgg(figure)
    grid = np.empty((layout.rows, layout.columns), object)
    top = layout.height - HEAD - layout.above
    for r, high in enumerate(layout.heights):
        top -= high
        for c in range(layout.columns):
            x = LEFT + c * (layout.panel_width + layout.gap)
            box = (x / layout.width, top / layout.height, layout.panel_width / layout.width, high / layout.height)
            beside = {"sharey": grid[r, 0]} if share_y and c else {}
            over = {"sharex": grid[0, c]} if share_x and r else {}
            grid[r, c] = ax = figure.add_axes(Panel(figure, box, **beside, **over))
            ax.set_title("", y=1.0)  # stays where it is: no ticks stand above a panel
            ax.tick_params(
                labelsize=NORMAL, labelleft=not beside, labelbottom=not share_x or r == layout.rows - 1, length=2.5
            )
        top -= layout.row_gap
    _write(figure, head, layout)
    return figure, grid


def _write(figure: Figure, head: SheetHeading, layout: SheetLayout) -> None:
    """Write the two lines above the panels."""
    x = 0.12 / layout.width
    figure.suptitle(
        head.title, x=x, y=1.0 - 0.08 / layout.height, ha="left", va="top", fontsize=LARGE, fontweight="bold"
    )
    if head.about:
        figure.text(x, 1.0 - 0.29 / layout.height, head.about, ha="left", va="top", fontsize=SMALL, color="#555555")


def legend_rows(labels: Sequence[str], width: float) -> tuple[int, int]:
    """Choose columns and rows of a legend above a panel.

    Parameters
    ----------
    labels : sequence of str
        Its entries.
    width : float
        Width of the panel [inch].

    Returns
    -------
    tuple of int and int
        Columns and rows [unitless].
    """
    longest = max((len(x) for x in labels), default=0)
    entry = 0.062 * longest + 0.48  # letters of eight point, and the line before them
    columns = int(np.clip(width // entry, 1, max(len(labels), 1)))
    return columns, -(-len(labels) // columns)


def legend_room(count: int) -> float:
    """Return the height [inch] of a legend of some rows with its title.

    Parameters
    ----------
    count : int
        Rows of entries [unitless].

    Returns
    -------
    float
        Height [inch].
    """
    return 0.24 + 0.16 * count


def columns_layout(legends: Sequence[Sequence[str]], heights: tuple[float, ...]) -> SheetLayout:
    """Lay out columns side by side, with room above for the tallest of their legends.

    Parameters
    ----------
    legends : sequence of sequence of str
        Entries of the legend of each column.
    heights : tuple of float
        Height of each row [inch].

    Returns
    -------
    SheetLayout
        Where the panels stand.
    """
    bare = SheetLayout(rows=len(heights), columns=len(legends), heights=heights)
    return replace(bare, above=legend_room(max(legend_rows(x, bare.panel_width)[1] for x in legends)))


def legend_above(ax: Axes, title: str, *, width: float) -> None:
    """Put the legend above the axes, where it covers no curve; an entry that is not stable is written in bold.

    Parameters
    ----------
    ax : Axes
        The panel.
    title : str
        What all entries have in common.
    width : float
        Width of the panel [inch].
    """
    labels = ax.get_legend_handles_labels()[1]
    box = ax.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=legend_rows(labels, width)[0], fontsize=SMALL + 0.5,
        title=title, title_fontsize=NORMAL + 0.5, frameon=False, handlelength=3.0, columnspacing=1.2,
        borderaxespad=0.1, borderpad=0.1, labelspacing=0.3, handletextpad=0.5,
    )  # fmt: skip
    for text in box.get_texts():
        if "UNSTABLE" in text.get_text() or "NOT HELD" in text.get_text():
            text.set(color="#a40000", fontweight="bold")


def panel_width(ax: Axes) -> float:
    """Return the width of a panel on its figure [inch].

    Parameters
    ----------
    ax : Axes
        The panel.

    Returns
    -------
    float
        Width [inch].
    """
    return float(ax.get_position().width * ax.figure.get_figwidth())  # type: ignore[union-attr]


def short(value: float, unit: str) -> str:
    """Write a quantity as all figures do: three digits at most, a prefix, no zeros after the last digit.

    Parameters
    ----------
    value : float
        In SI units.
    unit : str
        Its symbol.

    Returns
    -------
    str
        Such as ``80 mA``, ``1.2 A``, ``4.98 kHz``.
    """
    number, _, tail = format_quantity(value, unit).partition(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number} {tail}".rstrip()


def place(input_voltage: float, load_current: float) -> str:
    """Name an operating point in a figure, such as ``8 V, 80 mA``.

    Parameters
    ----------
    input_voltage, load_current : float
        Of the corner [V], [A].

    Returns
    -------
    str
        Both with their prefix.
    """
    return f"{input_voltage:.4g} V, {short(load_current, 'A')}"
