"""Plots of a measurement beside its prediction: laid over each other, and what is left between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.bench.compare import AGREED_DB, AGREED_DEG, apart
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import (
    NORMAL,
    SheetLayout,
    heading,
    legend_above,
    legend_room,
    legend_rows,
    panel_width,
    panels,
    place,
)
from loopdesign.report.basics.status import verdict_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.bench.result import BenchResult

HEIGHT = 2.3
"""Height of each panel [inch]."""
FEW = 150
"""Points up to which each is drawn as an open circle."""


def overlay_figure(held: BenchResult) -> Figure:
    """Lay the measured points over the predicted curve, and over the one with the fitted values.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    Figure
        Magnitude [dB] above phase [deg] over frequency [Hz]; an impedance in dB over one ohm.
    """
    figure, upper, lower = _sheet(held, "Measured over predicted", 3)
    hz = held.frequencies_hz
    for values, label, colour, dashes in _lines(held):
        upper.plot(hz, 20.0 * np.log10(np.abs(values)), color=colour, linestyle=dashes, linewidth=1.6, label=label)
        lower.plot(hz, _phase(values, held), color=colour, linestyle=dashes, linewidth=1.6)
    upper.plot(hz, 20.0 * np.log10(np.abs(held.measured_values)), label="measured", **_points(len(hz)))
    lower.plot(hz, _phase(held.measured_values, held), **_points(len(hz)))
    if held.quantity == "loop":
        upper.axhline(0.0, color=shared.INK, linewidth=0.8)
    upper.set_ylabel("magnitude [dBΩ]" if held.quantity == "output-impedance" else "magnitude [dB]", fontsize=NORMAL)
    lower.set_ylabel("phase [deg]", fontsize=NORMAL)
    _finish(upper, lower, hz)
    lower.autoscale(axis="y")
    if np.ptp(lower.get_ylim()) >= 90.0:
        shared.phase_ticks(lower)
    legend_above(upper, _title(held), width=panel_width(upper))
    return figure


def difference_figure(held: BenchResult) -> Figure:
    """Draw measured less predicted, and less the curve with the fitted values.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    Figure
        Gain [dB] above phase [deg] over frequency [Hz], the band in which the two are said to agree shaded.
    """
    figure, upper, lower = _sheet(held, "Measured less predicted", 2)
    hz = held.frequencies_hz
    marks = {False: ("o", "-"), True: ("s", "--")}
    for values, label, colour, _ in _lines(held):
        away = apart(held.measured_values, values)
        marker, dashes = marks["with the fitted values" in label]
        style: dict[str, Any] = {
            "color": colour, "linestyle": dashes, "linewidth": 1.0, "markersize": 3.5, "markerfacecolor": "none",
            "marker": marker if len(hz) <= FEW else None,
        }  # fmt: skip
        upper.plot(hz, away.real, label=f"measured less {label}", **style)
        lower.plot(hz, away.imag, **style)
    for ax, limit in ((upper, AGREED_DB), (lower, AGREED_DEG)):
        ax.axhspan(-limit, limit, color="#000000", alpha=0.07, linewidth=0.0)
        ax.axhline(0.0, color=shared.INK, linewidth=0.8)
    upper.set_ylabel("difference of gain [dB]", fontsize=NORMAL)
    lower.set_ylabel("difference of phase [deg]", fontsize=NORMAL)
    _finish(upper, lower, hz)
    shaded = f"{_title(held)}; shaded: {AGREED_DB:g} dB and {AGREED_DEG:g} deg"
    legend_above(upper, shaded, width=panel_width(upper))
    return figure


def bench_figures(held: BenchResult, number: int | None = None) -> dict[str, Figure]:
    """Draw every figure of a comparison, by the name of its file without ending.

    Parameters
    ----------
    held : BenchResult
        The comparison.
    number : int, optional
        Number of the file among several [unitless].

    Returns
    -------
    dict of str to Figure
        ``overlay`` and ``difference``, numbered where asked.
    """
    end = "" if number is None else f"_{number}"
    return {f"overlay{end}": overlay_figure(held), f"difference{end}": difference_figure(held)}


def _sheet(held: BenchResult, title: str, entries: int) -> tuple[Figure, Axes, Axes]:
    """Lay out two panels with room for a legend of so many entries."""
    labels = ["predicted with the fitted values"] * entries
    width = SheetLayout(rows=1, columns=1, heights=(1.0,)).panel_width
    layout = SheetLayout(rows=2, columns=1, heights=(HEIGHT, HEIGHT), above=legend_room(legend_rows(labels, width)[1]))
    figure, grid = panels(heading(held.case, title, covers="one board; predicted with nominal parts"), layout)
    return figure, grid[0, 0], grid[1, 0]


def _lines(held: BenchResult) -> list[tuple[NDArray[np.complex128], str, str, Any]]:
    """Curves to draw, with label, colour and dashes."""
    label = f"predicted ({verdict_word(held.verdict)})"
    lines: list[tuple[NDArray[np.complex128], str, str, Any]] = [
        (held.predicted_values, label, shared.PALETTE[0], shared.DASHES[0])
    ]
    if held.fitted_values is not None and held.fitted:
        lines.append((held.fitted_values, "predicted with the fitted values", shared.PALETTE[1], shared.DASHES[1]))
    return lines


def _points(count: int) -> dict[str, Any]:
    """How measured points are drawn."""
    return {
        "linestyle": "none", "marker": "o" if count <= FEW else ".", "markersize": 4.0 if count <= FEW else 1.5,
        "markerfacecolor": "none", "markeredgecolor": shared.INK, "markeredgewidth": 0.9,
    }  # fmt: skip


def _phase(values: NDArray[np.complex128], held: BenchResult) -> NDArray[np.float64]:
    """Phase [deg], measured points on the same turn as the prediction."""
    base = np.unwrap(np.angle(held.predicted_values))
    return np.degrees(base + np.angle(values / held.predicted_values))


def _finish(upper: Axes, lower: Axes, hz: NDArray[np.float64]) -> None:
    """Grid and frequency axis of both plots."""
    for ax in (upper, lower):
        ax.grid(visible=True, color="#cccccc", linewidth=0.6)
        shared.frequency_axis(ax, hz, named=ax is lower)


def _title(held: BenchResult) -> str:
    """Say what was measured, and where."""
    where = place(held.point.input_voltage, held.point.load_current)
    return f"{held.quantity.replace('-', ' ')} at {where}"
