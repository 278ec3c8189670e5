"""Figures from report data: Bode plots of loop and plant, and the Nyquist plot near -1. Nothing is computed here.

Colour, dashes and label tell the input voltages apart together, so that colour is never alone; every label carries the
verdict, so that no margin is read without it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.margins.margins import unwrapped_phase_deg
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import (
    NORMAL,
    SMALL,
    SheetLayout,
    columns_layout,
    heading,
    legend_above,
    panel_width,
    panels,
    place,
    short,
)
from loopdesign.report.basics.status import verdict_word

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.curves import ReportData

    Pair: TypeAlias = "tuple[Axes, Axes]"

NYQUIST_WINDOW = ((-2.6, 1.4), (-2.0, 2.0))
"""Part of the plane that the Nyquist plot shows, real and imaginary."""
BAND = 5.0
"""Width of the pale band that shows the averaged model behind the exact line [point]."""
HEIGHT = 2.25
"""Height of each panel of a Bode plot [inch]."""
NARROW = 2.6
"""Width of a panel [inch] below which its text is broken."""
NYQUIST_HEIGHT = 3.9
"""Height of the panel of a Nyquist plot at most [inch]."""


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
    return _columns(data, plot_loop_bode, "Loop gain by injection, switched model", bode_layout(data))


def loop_bode_caption(data: ReportData) -> str:
    """Say what to see in the Bode plots of the loop."""
    limit = short(data.check.limit("crossover_limit"), "Hz")
    unstable = sum(not v.stable for v in data.check.verdicts)
    warning = (
        f" At {unstable} of {len(data.check.verdicts)} corners the converter does not stay at its operating point, "
        "whatever these curves suggest."
        if unstable
        else ""
    )
    return (
        "Loop gain as a frequency-response analyser reads it, nominal parts, one column per load current. To see: "
        f"the crossovers (dots), which must lie left of the dotted line at {limit}, and the smallest phase margin of "
        "each column (arrow). The word in the legend is the verdict and comes from the characteristic multipliers, "
        f"not from these curves.{warning}"
    )


def plant_bode_figure(data: ReportData) -> Figure:
    """Draw control to output of every corner by both models, one column per load current."""
    return _columns(data, plot_plant_bode, "Control to output, control voltage held", bode_layout(data, held=True))


def plant_bode_caption(data: ReportData) -> str:
    """Say what to see in the Bode plots of the plant."""
    modes = {"DCM" if x else "CCM" for x in data.check.stage.point.discontinuous}
    conduction = " and ".join(sorted(modes))
    return (
        "Control voltage to output with the control voltage held, nominal parts. Lines: switched model, exact to "
        "half the switching frequency; pale bands: averaged model, from which poles and zeros are read. To see: "
        "resonances, a right-half-plane zero as a phase that falls while the magnitude levels out, and where band "
        f"and line part; there trust the line. Conduction: {conduction}."
    )


def bode_layout(data: ReportData, *, held: bool = False) -> SheetLayout:
    """Lay out the Bode plots of the loop, or with the control voltage held those of the plant."""
    return columns_layout(_legends(data, held=held), (HEIGHT, HEIGHT))


def _columns(data: ReportData, plot: Callable[..., Pair], title: str, layout: SheetLayout) -> Figure:
    figure, grid = panels(heading(data.check.case, title), layout)
    for k, load in enumerate(shared.drawn_loads(data.check)):
        plot(data, load, ax=(grid[0, k], grid[1, k]))
    for ax in grid[:, 1:].ravel():
        ax.set_ylabel("")
    return figure


def _legends(data: ReportData, *, held: bool = False) -> list[list[str]]:
    """Entries of the legend above each column."""
    found = data.check
    return [[_label(data, i, held=held) for i in shared.corners_at(found, x)] for x in shared.drawn_loads(found)]


def _label(data: ReportData, item: int, *, held: bool) -> str:
    """Label of one corner; of the plant with its conduction mode."""
    label = shared.stroke(data.check, item, held=held).label
    mode = "DCM" if data.check.stage.point.discontinuous[item] else "CCM"
    return f"{label} ({mode})" if held else label


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
        shared.curve(upper, hz, gain[item], look, look.label)
        shared.curve(lower, hz, phase[item], look)
        if m.crossover_hz is not None:
            at = np.interp(m.crossover_hz, hz, phase[item])
            shared.mark_point(upper, m.crossover_hz, 0.0, look)
            shared.mark_point(lower, m.crossover_hz, at, look)
    low, high = shared.phase_limits(phase)
    limits = (min(low, shared.room_below(phase)), high)
    _dress(data, (upper, lower), (shared.magnitude_limits(gain), limits), load_current)
    limit = found.limit("crossover_limit")
    upper.axhline(0.0, color=shared.INK, linewidth=0.8)
    lower.axhline(-180.0, color=shared.INK, linewidth=0.8)
    shared.limit_line(upper, limit, f"crossover limit {short(limit, 'Hz')}")
    if lower.get_xlim()[0] <= limit <= lower.get_xlim()[1]:
        lower.axvline(limit, color=shared.FAINT, linewidth=1.0, linestyle=":")
    _mark_margin(data, lower, phase, shared.worst_corner(found, items))
    return upper, lower


def _mark_margin(data: ReportData, ax: Axes, phase: NDArray[np.float64], item: int) -> None:
    """Draw the smallest phase margin of the worst corner as an arrow, its text beginning with the verdict."""
    found = data.check
    m, verdict = found.margins[item], found.verdicts[item]
    if m.phase_margin_deg is None:
        return
    hz = m.crossovers_hz[int(np.argmin(m.phase_margins_deg))]
    height = float(np.interp(hz, data.frequencies_hz[item], phase[item]))
    ax.annotate(
        "", (hz, height), xytext=(hz, height - m.phase_margin_deg),
        arrowprops={"arrowstyle": "<->", "color": shared.INK, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    at = place(float(found.conditions.input_voltage[item]), float(found.conditions.load_current[item]))
    broken = "\n" if panel_width(ax) < NARROW else " "
    text = f"{at}: stable,{broken}phase margin {m.phase_margin_deg:.1f}°"
    if not verdict.stable:
        grows = verdict.worst_mode
        what = "" if grows.stable else f"\n({grows.name}, {short(grows.frequency_hz, 'Hz')})"
        text = f"{at}: {verdict_word(verdict)}{what},\nalthough the{broken}phase margin reads {m.phase_margin_deg:.1f}°"
    colour = shared.INK if verdict.stable else shared.ALARM
    ax.annotate(
        text, (0.02, 0.03), xycoords="axes fraction", fontsize=SMALL, color=colour, va="bottom",
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
        shared.curve(upper, hz, gain[item], look, _label(data, item, held=True))
        shared.curve(lower, hz, phase[item], look)
        for panel, y in ((upper, _db(data.plant_averaged[item])), (lower, averaged[item])):  # a pale band behind
            panel.plot(hz, y, color=look.colour, linewidth=BAND, alpha=0.25, zorder=1.5, solid_capstyle="butt")
    _dress(data, (upper, lower), (shared.magnitude_limits(gain), shared.phase_limits(phase)), load_current)
    return upper, lower


def nyquist_figure(data: ReportData) -> Figure:
    """Draw the loop gain in the complex plane near -1, one column per load current."""
    figure, grid = panels(heading(data.check.case, "Loop gain near -1, positive frequencies"), nyquist_layout(data))
    for k, load in enumerate(shared.drawn_loads(data.check)):
        plot_nyquist(data, load, ax=grid[0, k])
    for ax in grid[0, 1:]:
        ax.set_ylabel("")
    return figure


def nyquist_layout(data: ReportData) -> SheetLayout:
    """Lay out the Nyquist plots: squares, as far as there is room."""
    wide = columns_layout(_legends(data), (1.0,))
    return replace(wide, heights=(min(wide.panel_width, NYQUIST_HEIGHT),))


def nyquist_caption(data: ReportData) -> str:
    """Say what to see in the Nyquist plots."""
    radius = data.check.limit("modulus_margin")
    return (
        "Loop gain in the complex plane near -1 (the cross), positive frequencies, nominal parts. To see: whether a "
        f"curve enters the shaded circle of radius {radius:g}, the modulus margin asked for; dots mark where each is "
        "nearest to -1. The dotted circle has radius one. With poles in the right half-plane, distance from -1 alone "
        "proves nothing; the verdict in the legend comes from the characteristic multipliers."
    )


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
    ax = shared.bare_panels(NYQUIST_HEIGHT)[0] if ax is None else ax
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    radius = found.limit("modulus_margin")
    ax.fill(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color="#f2dcdc", zorder=0.5, linewidth=0)
    ax.plot(np.cos(turn), np.sin(turn), color=shared.FAINT, linewidth=0.8, linestyle=":")
    for item in shared.corners_at(found, load_current):
        look, m = shared.stroke(found, item), found.margins[item]
        T, hz = data.loop[item], data.frequencies_hz[item]
        shared.curve(ax, T.real, T.imag, look, look.label)
        nearest = T[int(np.argmin(np.abs(hz - m.modulus_margin_hz)))]
        shared.mark_point(ax, nearest.real, nearest.imag, look)
    ax.plot(-1.0, 0.0, marker="+", markersize=11, markeredgewidth=1.8, color=shared.INK, linestyle="none")
    ax.annotate(
        f"modulus margin {radius:g}", (-1.0, -radius), xytext=(0, -3), textcoords="offset points", ha="center",
        va="top", fontsize=SMALL, color="#8a4a4a",
    )  # fmt: skip
    dress_plane(ax)
    legend_above(ax, f"load {short(load_current, 'A')}", width=panel_width(ax))
    return ax


def dress_plane(ax: Axes) -> None:
    """Give the complex plane near -1 its limits, names and grid."""
    from matplotlib.ticker import MultipleLocator  # noqa: PLC0415

    ax.set_aspect("equal")
    ax.set_xlim(*NYQUIST_WINDOW[0])
    ax.set_ylim(*NYQUIST_WINDOW[1])
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MultipleLocator(1.0))
    ax.grid(visible=True, color="#dddddd", linewidth=0.5)
    ax.set_axisbelow(True)
    ax.set_xlabel("real part", fontsize=NORMAL)
    ax.set_ylabel("imaginary part", fontsize=NORMAL)


def _pair(ax: Pair | None) -> Pair:
    if ax is not None:
        return ax
    upper, lower = shared.bare_panels(HEIGHT, rows=2)
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
    upper.set_ylabel("magnitude [dB]", fontsize=NORMAL)
    lower.set_ylabel("phase [deg]", fontsize=NORMAL)
    legend_above(upper, f"load {short(load_current, 'A')}", width=panel_width(upper))


def _db(values: NDArray[np.complex128]) -> NDArray[np.float64]:
    return 20.0 * np.log10(np.maximum(np.abs(values), 1e-30))


def _beside(phase_deg: NDArray[np.float64], reference_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Move phase curves by whole turns next to reference curves of the same start."""
    return phase_deg + 360.0 * np.round((reference_deg[..., :1] - phase_deg[..., :1]) / 360.0)
