"""Figures from report data: Bode plots of loop and plant, and the Nyquist plot near -1. Nothing is computed here.

Colour, dashes and label tell the input voltages apart together, so that colour is never alone; every label carries the
verdict, so that no margin is read without it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.margins.margins import unwrapped_phase_deg
from loopdesign.report.basics import axes as shared
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.curves import ReportData

    Pair: TypeAlias = "tuple[Axes, Axes]"

NYQUIST_WINDOW = ((-2.6, 1.4), (-2.0, 2.0))
"""Part of the plane that the Nyquist plot shows, real and imaginary."""
PLANT_TITLE = "Control to output, control voltage held\nlines: switched model, pale bands: averaged model"
BAND = 6.0
"""Width of the pale band that shows the averaged model behind the exact line [point]."""
COLUMN_WIDTH = 5.6
"""Width of the plots of one load current [inch]."""


def loop_bode_figure(data: ReportData) -> Figure:
    """Draw the loop gain of every corner, one column per load current.

    Parameters
    ----------
    data
        Report data with a loop.

    Returns
    -------
    Figure
        Magnitude above phase.
    """
    return _columns(data, plot_loop_bode, "Loop gain by injection (switched model)")


def plant_bode_figure(data: ReportData) -> Figure:
    """Draw control to output of every corner by both models, one column per load current."""
    return _columns(
        data,
        plot_plant_bode,
        PLANT_TITLE,
    )


def _columns(data: ReportData, plot: Callable[..., Pair], title: str) -> Figure:
    columns = shared.loads(data.check)
    figure = shared.bare_figure(max(COLUMN_WIDTH * len(columns), 7.0), 7.2)
    grid = figure.subplots(2, len(columns), sharex=True, sharey="row", squeeze=False)
    for k, load in enumerate(columns):
        plot(data, load, ax=(grid[0, k], grid[1, k]))
        if k:
            grid[0, k].set_ylabel("")
            grid[1, k].set_ylabel("")
    figure.suptitle(title, fontsize=11.5)
    return figure


def plot_loop_bode(data: ReportData, load_current: float, *, ax: Pair | None = None) -> Pair:
    """Draw the loop gain at every input voltage of one load current.

    Parameters
    ----------
    data
        Report data with a loop.
    load_current
        One of the corners' load currents [A].
    ax
        Axes for magnitude and phase; new ones where absent.

    Returns
    -------
    pair of Axes
        What was drawn on.
    """
    if data.loop is None:
        raise ValueError("the case has no loop to draw")
    found = data.check
    upper, lower = _pair(ax)
    gain, phase = _db(data.loop), unwrapped_phase_deg(data.loop)
    items = shared.corners_at(found, load_current)
    for item in items:
        look, m, hz = shared.stroke(found, item), found.margins[item], data.frequencies_hz[item]
        _curve(upper, hz, gain[item], look, look.label)
        _curve(lower, hz, phase[item], look)
        if m.crossover_hz is not None:
            at = np.interp(m.crossover_hz, hz, phase[item])
            _dot(upper, m.crossover_hz, 0.0, look)
            _dot(lower, m.crossover_hz, at, look)
    low, high = shared.phase_limits(phase)
    limits = (min(low, shared.room_below(phase)), high)
    _dress(data, (upper, lower), (shared.magnitude_limits(gain), limits), load_current)
    limit = found.limit("crossover_limit")
    upper.axhline(0.0, color=shared.INK, linewidth=0.8)
    lower.axhline(-180.0, color=shared.INK, linewidth=0.8)
    for each in (upper, lower):
        each.axvline(limit, color=shared.FAINT, linewidth=1.0, linestyle=":")
    upper.annotate(
        f"crossover limit {format_quantity(limit, 'Hz')}", (limit, 0.02), xycoords=("data", "axes fraction"),
        xytext=(-4, 1), textcoords="offset points", fontsize=7.5, color="#555555", va="bottom", ha="right",
    )  # fmt: skip
    _mark_margin(data, lower, phase, shared.worst_corner(found, items))
    return upper, lower


def _mark_margin(data: ReportData, ax: Axes, phase: NDArray[np.float64], item: int) -> None:
    """Draw the smallest phase margin of the worst corner as an arrow, its text beginning with the verdict."""
    found = data.check
    m, verdict = found.margins[item], found.verdicts[item]
    if m.phase_margin_deg is None:
        return
    hz = m.crossovers_hz[int(np.argmin(m.phase_margins_deg))]
    at = float(np.interp(hz, data.frequencies_hz[item], phase[item]))
    ax.annotate(
        "", (hz, at), xytext=(hz, at - m.phase_margin_deg),
        arrowprops={"arrowstyle": "<->", "color": shared.INK, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    where = corner_name(found.conditions, item)
    text = f"{where}: stable, phase margin {m.phase_margin_deg:.1f}°"
    if not verdict.stable:
        grows = verdict.worst_mode
        text = (
            f"{where}: UNSTABLE ({grows.name}, {format_quantity(grows.frequency_hz, 'Hz')}),\n"
            f"although the phase margin reads {m.phase_margin_deg:.1f}°"
        )
    colour = shared.INK if verdict.stable else shared.ALARM
    ax.annotate(
        text, (0.02, 0.03), xycoords="axes fraction", fontsize=8.5, color=colour, va="bottom",
        fontweight="normal" if verdict.stable else "bold",
        bbox={"facecolor": "white", "edgecolor": colour, "linewidth": 0.7, "boxstyle": "round,pad=0.3", "alpha": 0.92},
    )  # fmt: skip


def plot_plant_bode(data: ReportData, load_current: float, *, ax: Pair | None = None) -> Pair:
    """Draw control to output at every input voltage of one load current, the averaged model as a pale band.

    Parameters
    ----------
    data
        Report data.
    load_current
        One of the corners' load currents [A].
    ax
        Axes for magnitude and phase; new ones where absent.

    Returns
    -------
    pair of Axes
        What was drawn on.
    """
    found = data.check
    upper, lower = _pair(ax)
    gain, phase = _db(data.plant), unwrapped_phase_deg(data.plant)
    averaged = _beside(unwrapped_phase_deg(data.plant_averaged), phase)
    for item in shared.corners_at(found, load_current):
        look, hz = shared.stroke(found, item, held=True), data.frequencies_hz[item]
        mode = "DCM" if found.stage.point.discontinuous[item] else "CCM"
        _curve(upper, hz, gain[item], look, f"{look.label} ({mode})")
        _curve(lower, hz, phase[item], look)
        _band(upper, hz, _db(data.plant_averaged[item]), look)
        _band(lower, hz, averaged[item], look)
    _dress(data, (upper, lower), (shared.magnitude_limits(gain), shared.phase_limits(phase)), load_current)
    return upper, lower


def nyquist_figure(data: ReportData) -> Figure:
    """Draw the loop gain in the complex plane near -1, one column per load current."""
    columns = shared.loads(data.check)
    figure = shared.bare_figure(max(COLUMN_WIDTH * len(columns), 7.0), 6.6)
    grid = figure.subplots(1, len(columns), sharey=True, squeeze=False)
    for k, load in enumerate(columns):
        plot_nyquist(data, load, ax=grid[0, k])
        if k:
            grid[0, k].set_ylabel("")
    figure.suptitle("Loop gain near -1 (positive frequencies; dots: nearest to -1)", fontsize=11.5)
    return figure


def plot_nyquist(data: ReportData, load_current: float, *, ax: Axes | None = None) -> Axes:
    """Draw the loop gain near -1 at every input voltage of one load current, with the modulus-margin circle.

    Parameters
    ----------
    data
        Report data with a loop.
    load_current
        One of the corners' load currents [A].
    ax
        Axes to draw on; new ones where absent.

    Returns
    -------
    Axes
        What was drawn on.
    """
    if data.loop is None:
        raise ValueError("the case has no loop to draw")
    found = data.check
    ax = shared.bare_figure(7.0, 6.6).subplots() if ax is None else ax
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    radius = found.limit("modulus_margin")
    ax.fill(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color="#f2dcdc", zorder=0.5, linewidth=0)
    ax.plot(np.cos(turn), np.sin(turn), color=shared.FAINT, linewidth=0.8, linestyle=":")
    for item in shared.corners_at(found, load_current):
        look, m = shared.stroke(found, item), found.margins[item]
        T = data.loop[item]
        _curve(ax, T.real, T.imag, look, look.label)
        nearest = T[int(np.argmin(np.abs(data.frequencies_hz[item] - m.modulus_margin_hz)))]
        _dot(ax, nearest.real, nearest.imag, look)
    ax.plot(-1.0, 0.0, marker="+", markersize=11, markeredgewidth=1.8, color=shared.INK, linestyle="none")
    ax.annotate(
        f"modulus margin {radius:g}", (-1.0, -radius), xytext=(0, -3), textcoords="offset points", ha="center",
        va="top", fontsize=7.5, color="#8a4a4a",
    )  # fmt: skip
    ax.set_aspect("equal")
    ax.set_xlim(*NYQUIST_WINDOW[0])
    ax.set_ylim(*NYQUIST_WINDOW[1])
    ax.grid(visible=True, color="#dddddd", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.set_xlabel("real part")
    ax.set_ylabel("imaginary part")
    shared.legend_above(ax, f"load {format_quantity(load_current, 'A')}")
    return ax


def _curve(
    ax: Axes, x: NDArray[np.float64], y: NDArray[np.float64], look: shared.Stroke, label: str | None = None
) -> None:
    """Draw one corner's exact curve."""
    ax.plot(x, y, color=look.colour, linestyle=look.dashes, linewidth=look.width, label=label)


def _band(ax: Axes, x: NDArray[np.float64], y: NDArray[np.float64], look: shared.Stroke) -> None:
    """Draw one corner's averaged curve as a pale band behind the exact one."""
    ax.plot(x, y, color=look.colour, linewidth=BAND, alpha=0.25, zorder=1.5, solid_capstyle="butt")


def _dot(ax: Axes, x: float, y: float, look: shared.Stroke) -> None:
    """Mark one point of a corner's curve."""
    ax.plot(x, y, marker="o", markersize=5, color=look.colour, markeredgecolor="white")


def _pair(ax: Pair | None) -> Pair:
    if ax is not None:
        return ax
    upper, lower = shared.bare_figure(7.0, 7.2).subplots(2, 1, sharex=True)
    return upper, lower


def _dress(
    data: ReportData, ax: Pair, limits: tuple[tuple[float, float], tuple[float, float]], load_current: float
) -> None:
    """Give a Bode pair its scales, limits, names and legend."""
    from matplotlib.ticker import MultipleLocator  # noqa: PLC0415

    upper, lower = ax
    shared.frequency_axis(upper, data.frequencies_hz, named=False)
    shared.frequency_axis(lower, data.frequencies_hz, named=True)
    upper.set_ylim(*limits[0])
    lower.set_ylim(*limits[1])
    upper.yaxis.set_major_locator(MultipleLocator(20.0))
    shared.phase_ticks(lower)
    upper.set_ylabel("magnitude [dB]")
    lower.set_ylabel("phase [deg]")
    shared.legend_above(upper, f"load {format_quantity(load_current, 'A')}")


def _db(values: NDArray[np.complex128]) -> NDArray[np.float64]:
    return 20.0 * np.log10(np.maximum(np.abs(values), 1e-30))


def _beside(phase_deg: NDArray[np.float64], reference_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Move phase curves by whole turns next to reference curves of the same start."""
    shift = np.round((reference_deg[..., :1] - phase_deg[..., :1]) / 360.0)
    return phase_deg + 360.0 * shift
