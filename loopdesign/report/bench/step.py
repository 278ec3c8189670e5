"""A measured load step beside the model's, as text for the terminal and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.bench.words import refined_text
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.layout import Display, laid_out, lettered, paragraph
from loopdesign.report.basics.sheet import (
    NORMAL,
    SheetLayout,
    heading,
    legend_above,
    legend_room,
    legend_rows,
    panel_width,
    panels,
    short,
)
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.loop.terminal import bullets

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loopdesign.bench.steps.hold import StepComparison

FITTED = "predicted with the fitted values"
"""Label of the curve that the fitted values give."""
HEIGHTS = (3.2, 1.6)
"""Heights of the two panels [inch]."""


def step_readings_table(held: StepComparison) -> Table:
    """Set deviation and settling of both steps side by side.

    Parameters
    ----------
    held : StepComparison
        The comparison.

    Returns
    -------
    Table
        Two rows.
    """
    columns = (
        Column(heading="step", key=True), Column(heading="deviation of mean", unit="V"),
        Column(heading="settled in", unit="s"),
    )  # fmt: skip
    rows = tuple(
        (name, r.peak_deviation_v, r.settling_time_s)
        for name, r in (("measured", held.measured), ("predicted", held.predicted))
    )
    return Table(title="Deviation and settling", columns=columns, rows=rows)


def step_parts_table(held: StepComparison) -> Table | None:
    """Set fitted values beside the nominal ones.

    Parameters
    ----------
    held : StepComparison
        The comparison.

    Returns
    -------
    Table or None
        One row for each value; None where nothing was fitted.
    """
    if not held.parts:
        return None
    columns = (
        Column(heading="value", key=True), Column(heading="in the case"), Column(heading="fitted"),
        Column(heading="95 % from"), Column(heading="to"),
    )  # fmt: skip
    rows = []
    for key, part in held.parts.items():
        cells = [refined_text(key, v, 4) for v in (part.nominal, part.value, part.low, part.high)]
        rows.append((key, *cells) if part.seen else (key, cells[0], "not seen", "-", "-"))
    return Table(title="Fitted values", columns=columns, rows=tuple(rows))


def step_notes(held: StepComparison) -> tuple[str, ...]:
    """Say what was left out, and what acts alike.

    Parameters
    ----------
    held : StepComparison
        The comparison.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    gone = [f"{len(held.dropped)} rows without a value were left out"] if held.dropped else []
    return (*gone, *(f"{a} and {b} act nearly alike: the record hardly parts them" for a, b in held.correlated))


def step_comparison_text(held: StepComparison, *, display: Display) -> str:
    """Write the comparison for the terminal.

    Parameters
    ----------
    held : StepComparison
        The comparison.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        The sentence first, then the tables.
    """
    pieces = [paragraph(held.sentence, display)]
    for table in (step_readings_table(held), step_parts_table(held)):
        if table is not None:
            pieces += ["", laid_out(table, display)]
    if step_notes(held):
        pieces += ["", bullets("Notes", list(step_notes(held)), display)]
    return lettered("\n".join(pieces), display)


def step_overlay_figure(held: StepComparison) -> Figure:
    """Lay the record over the step of the model, the difference below.

    Parameters
    ----------
    held : StepComparison
        The comparison.

    Returns
    -------
    Figure
        Output voltage [V] above the difference [V], over the time after the step [ms].
    """
    figure, upper, lower = _sheet(held)
    time = held.time_s * 1e3
    upper.plot(time, held.measured_v, color=shared.INK, linewidth=0.9, label="measured, mean over a cycle")
    upper.plot(time, held.predicted_v, color=shared.PALETTE[0], linewidth=1.6, label="predicted")
    lower.plot(time, held.measured_v - held.predicted_v, color=shared.PALETTE[0], linewidth=1.0)
    if held.fitted_v is not None:
        colour, dashes = shared.PALETTE[1], shared.DASHES[1]
        upper.plot(time, held.fitted_v, linewidth=1.6, label=FITTED, color=colour, linestyle=dashes)
        lower.plot(time, held.measured_v - held.fitted_v, linewidth=1.0, color=colour, linestyle=dashes)
    lower.axhline(0.0, color=shared.INK, linewidth=0.8)
    upper.set_ylabel("output voltage [V]", fontsize=NORMAL)
    lower.set_ylabel("measured less predicted [V]", fontsize=NORMAL)
    lower.set_xlabel("time after the step [ms]", fontsize=NORMAL)
    upper.tick_params(labelbottom=False)
    lower.set_xlim(*upper.get_xlim())
    for ax in (upper, lower):
        ax.grid(visible=True, color="#cccccc", linewidth=0.6)
    load = f"{short(held.load_from, 'A')} to {short(held.load_to, 'A')}"
    title = f"load step at {short(held.point.input_voltage, 'V')}, {load}"
    legend_above(upper, title, width=panel_width(upper))
    return figure


def _sheet(held: StepComparison) -> tuple[Figure, Axes, Axes]:
    """Lay out two panels, the upper one with room for its legend."""
    width = SheetLayout(rows=1, columns=1, heights=(1.0,)).panel_width
    above = legend_room(legend_rows([FITTED] * 3, width)[1])
    layout = SheetLayout(rows=2, columns=1, heights=HEIGHTS, above=above)
    head = heading(held.case, "Measured load step over predicted", covers="one board; predicted with nominal parts")
    figure, grid = panels(head, layout)
    return figure, grid[0, 0], grid[1, 0]
