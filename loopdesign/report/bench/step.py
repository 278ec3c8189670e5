"""A measured load step beside the model's, as text for the terminal and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.bench.words import refined_text
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.layout import Display, laid_out, lettered, paragraph
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.loop.terminal import bullets

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loopdesign.bench.steps.hold import StepComparison


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
    figure = shared.bare_figure(7.4, 6.0)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    time = held.time_s * 1e3
    upper.plot(time, held.measured_v, color=shared.INK, linewidth=0.9, label="measured, mean over a cycle")
    upper.plot(time, held.predicted_v, color=shared.PALETTE[0], linewidth=1.6, label="predicted")
    lower.plot(time, held.measured_v - held.predicted_v, color=shared.PALETTE[0], linewidth=1.0)
    if held.fitted_v is not None:
        style = {"color": shared.PALETTE[1], "linestyle": (0, (4, 1.5))}
        upper.plot(time, held.fitted_v, linewidth=1.6, label="predicted with the fitted values", **style)
        lower.plot(time, held.measured_v - held.fitted_v, linewidth=1.0, **style)
    upper.set_ylabel("output voltage [V]")
    lower.set_ylabel("measured less predicted [V]")
    lower.set_xlabel("time after the step [ms]")
    for ax in (upper, lower):
        ax.grid(visible=True, color="#cccccc", linewidth=0.6)
    load = f"{held.load_from:.3g} A to {held.load_to:.3g} A"
    shared.legend_above(upper, f"load step at {held.point.input_voltage:.4g} V, {load}")
    return figure
