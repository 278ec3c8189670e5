"""Plots of load and line steps. Every function draws results that are there already and returns its figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import SMALL, SheetLayout, heading, panels, short
from loopdesign.report.steps.growth import growth_caption, growth_figure, growth_layout
from loopdesign.report.steps.panels import (
    currents_over,
    event_axis,
    head,
    legend_below_heading,
    levels,
    line,
    logarithmic_time,
    names,
    side_note,
    time_unit,
)
from loopdesign.report.steps.words import KINDS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.transient.steps import StepResult, StepStudy

QUIET = 0.03
"""Share of the largest deviation below which nothing more is drawn but as much time again."""
BANDS = 150
"""Stretches of a band at most."""
SLOW = 60
"""Ratio of the drawn time to the time of the fall from which the time axis is logarithmic."""
HEIGHTS = (0.36, 1.25, 0.6, 0.75)
"""Heights of the panels [inch]: what steps, output, control voltage, inductor currents. With `CYCLE_HEIGHTS` and their
captions the two sheets of a step fill one page."""
CYCLE_HEIGHTS = (0.3, 0.75, 0.5, 0.75)
LEAST_VOLT, LEAST_AMPERE = 5e-3, 0.2
"""Smallest range of an axis [V] [share of the load]; below it rounding would be magnified."""
ARROW = 0.08
"""Share of its panel that a departure must span to be drawn as an arrow."""
IN_VIEW = 0.3
"""Share of the settling band from which a departure brings the band into view."""
ABOVE = 0.38
"""Room for the legend and the names of the columns [inch]."""
BEFORE = 0.04
"""Share of the drawn time that is shown before the step."""


class StepSheet(NamedTuple):
    """A figure of steps before it is drawn: name of its file, caption, layout, and what draws it."""

    name: str
    caption: str
    layout: SheetLayout
    plot: Callable[..., Figure]
    results: tuple[object, ...]


def plot_steps(study: StepStudy, kind: StepKind) -> Figure:
    """Draw what steps, output, control voltage and inductor currents over time, one column per step of a kind.

    Parameters
    ----------
    study
        The steps.
    kind
        Which of them.

    Returns
    -------
    Figure
        Output as cycle mean with the band its ripple fills, deviation and settling marked; control and currents as they
        are at each clock edge. Panels of one row share their axis.
    """
    every = study.of(kind)
    found = _side_by_side(every)
    layout = _layout(study, kind, HEIGHTS)
    figure, grid = panels(heading(study.case, _title(kind, len(found), len(every))), layout)
    side_note(figure, layout, "control and currents at each clock edge: valleys, not averages")
    scale, unit = time_unit(max(_shown(r) * r.run.period for r in found))
    for column, r in enumerate(found):
        _draw(study, r, grid[:, column], scale, f"time after the step [{unit}]")
    event_axis(grid[0], found)
    for row, least in ((1, LEAST_VOLT), (2, LEAST_VOLT), (3, _least_ampere(found))):
        shared.level_axis(grid[row, 0], _everything(study, found, row), least)
    for column, r in enumerate(found):
        _mark_deviation(grid[1, column], r, scale, study)
        for row in range(4):
            grid[row, column].grid(visible=True, color="#dddddd", linewidth=0.5)
    words = "input\n[V]" if kind.startswith("line") else "load\n[A]"
    names(grid[:, 0], (words, "output [V]", "control [V]", "inductors [A]"))
    legend_below_heading(figure, layout, grid)
    return figure


def step_caption(study: StepStudy, kind: StepKind) -> str:
    """Say what to see in the plots of a kind of step."""
    band = f"{100.0 * study.case.targets.settling_band:g} %"
    what = "source is changed" if kind.startswith("line") else "load is changed by a current sink"
    lost = sum(not r.stable for r in study.of(kind))
    told = (
        f" {lost} of {len(study.of(kind))} do not come to rest at an operating point; no band is drawn there."
        if lost
        else ""
    )
    return (
        f"{KINDS[kind]}, nominal parts: the {what} at a clock edge at time zero (top). Output as the mean over each "
        "switching cycle (line) with all that its ripple fills (shaded). To see: the largest departure of the mean "
        f"from its value before the step (arrow), the settling band of {band} around the value after it (dotted), and "
        "whether the control voltage reaches a limit. Control voltage and inductor currents are those at each clock "
        f"edge, which for a current is the valley of its ripple, not its average.{told}"
    )


def plot_zoom(study: StepStudy, kind: StepKind) -> Figure:
    """Draw the waveforms inside the cycles around a step, one column per step of a kind."""
    every = study.of(kind)
    found = _side_by_side(every)
    layout = _layout(study, kind, CYCLE_HEIGHTS)
    figure, grid = panels(heading(study.case, f"{_title(kind, len(found), len(every))}, single cycles"), layout)
    for column, r in enumerate(found):
        zoom, time = r.zoom, r.zoom.time_s * 1e6
        before, after = levels(r)
        grid[0, column].plot([time[0], 0.0, 0.0, time[-1]], [before, before, after, after], color=shared.INK)
        grid[1, column].plot(time, zoom.output, color=shared.PALETTE[0], linewidth=0.9)
        grid[2, column].plot(time, zoom.control, color=shared.PALETTE[1], linewidth=0.9)
        currents_over(grid[3, column], time, zoom.currents)
        head(grid[0, column], r)
        for ax in grid[:, column]:
            ax.axvline(0.0, color="0.4", linewidth=0.8, linestyle="--")
        shared.time_axis(grid[3, column], float(time[0]), float(time[-1]), "time after the step [µs]")
    event_axis(grid[0], found)
    shared.level_axis(grid[1, 0], [r.zoom.output for r in found], LEAST_VOLT)
    shared.level_axis(grid[2, 0], [r.zoom.control for r in found], LEAST_VOLT)
    shared.level_axis(grid[3, 0], [x for r in found for x in r.zoom.currents.values()], _least_ampere(found))
    for ax in grid.ravel():
        ax.grid(visible=True, color="#dddddd", linewidth=0.5)
    words = "input\n[V]" if kind.startswith("line") else "load\n[A]"
    names(grid[:, 0], (words, "output [V]", "control [V]", "inductors [A]"))
    legend_below_heading(figure, layout, grid)
    return figure


def zoom_caption(study: StepStudy, kind: StepKind) -> str:
    """Say what to see in the plots of single cycles."""
    lowest = min(r.input_voltage for r in study.of(kind))
    return (
        f"{KINDS[kind]}, nominal parts, the waveforms themselves in the cycles around the step (dashed line), from "
        f"{lowest:.4g} V input upwards. To see: how the control voltage answers, and how many cycles the inductor "
        "currents take."
    )


def plot_growth(study: StepStudy) -> Figure:
    """Draw how small disturbances grow or die, side by side, with the slope that the multiplier asks for."""
    return growth_figure(study)


def step_sheets(study: StepStudy) -> tuple[StepSheet, ...]:
    """List the figures of the report's section.

    Parameters
    ----------
    study
        The steps.

    Returns
    -------
    tuple of StepSheet
        Two for each kind of step, then the small disturbances.
    """
    found: list[StepSheet] = []
    for kind in KINDS:
        if study.of(kind):
            name, both = f"step_{kind.replace(' ', '_')}", (study, kind)
            found.append(StepSheet(name, step_caption(*both), _layout(*both, HEIGHTS), plot_steps, both))
            cycles = _layout(*both, CYCLE_HEIGHTS)
            found.append(StepSheet(f"{name}_cycles", zoom_caption(*both), cycles, plot_zoom, both))
    if study.growth:
        found.append(StepSheet("disturbance", growth_caption(study), growth_layout(study), plot_growth, (study,)))
    return tuple(found)


def _layout(study: StepStudy, kind: StepKind, heights: tuple[float, ...]) -> SheetLayout:
    """Lay out the panels of a kind of step."""
    return SheetLayout(rows=4, columns=len(_side_by_side(study.of(kind))), heights=heights, above=ABOVE)


def _title(kind: StepKind, drawn: int, made: int) -> str:
    return KINDS[kind] if drawn == made else f"{KINDS[kind]} ({drawn} of {made} input voltages)"


def _side_by_side(found: Sequence[StepResult]) -> list[StepResult]:
    """Choose steps to draw: all, or of many the first, the last and the worst, unstable ones before others."""
    if len(found) <= shared.MOST_COLUMNS:
        return list(found)
    worst = max(range(len(found)), key=lambda k: (not found[k].stable, found[k].peak_deviation_v))
    middle = len(found) // 2 if worst in {0, len(found) - 1} else worst
    return [found[k] for k in sorted({0, middle, len(found) - 1})]


def _shown(r: StepResult) -> int:
    """Cycles worth drawing: until the departure has died down, and as long again."""
    final = r.run.mean[-1] if r.output_after_v is None else r.output_after_v
    departure = np.abs(r.run.mean - final)
    last = np.flatnonzero(departure > QUIET * departure.max())
    count = len(r.run.mean)
    return count if not len(last) else int(min(count, max(40, 2 * last[-1])))


def _slow(r: StepResult) -> bool:
    """Whether settling takes so much longer than the first deviation that both do not fit on one linear axis."""
    fall = int(np.argmax(np.abs(r.run.mean - r.output_before_v))) + 1
    return _shown(r) > SLOW * fall


def _draw(study: StepStudy, r: StepResult, axes: Sequence[Axes], scale: float, words: str) -> None:
    """Draw one column."""
    count, slow = _shown(r), _slow(r)
    top, output, control, currents = axes
    time = np.asarray(r.time_s[:count] * scale, np.float64)
    clock = np.asarray(np.arange(count) * r.run.period * scale, np.float64)
    clock = clock + (time[0] if slow else 0.0)
    before, after = levels(r)
    start = time[0] if slow else -BEFORE * time[-1]
    xs, ys = (
        ([start, time[-1]], [after, after]) if slow else ([start, 0.0, 0.0, time[-1]], [before, before, after, after])
    )
    top.plot(xs, ys, color=shared.INK, linewidth=1.2)
    head(top, r)
    bins = np.unique(np.linspace(0, count, min(count, BANDS) + 1).astype(int))
    low, high = (
        np.minimum.reduceat(r.run.lowest[:count], bins[:-1]),
        np.maximum.reduceat(r.run.highest[:count], bins[:-1]),
    )
    middle = 0.5 * (time[bins[:-1]] + time[np.minimum(bins[1:], count) - 1])
    output.fill_between(
        middle, low, high, color=shared.PALETTE[0], alpha=0.25, linewidth=0.0, label="output with its ripple"
    )
    line(output, time, r.run.mean[:count], shared.PALETTE[0], "cycle mean")
    if _band_in_view(study, r):
        for edge in (-study.band_v, study.band_v):
            output.axhline(
                (r.output_after_v or 0.0) + edge, color="0.4", linewidth=0.8, linestyle=":",
                label="settling band" if edge > 0.0 else None,
            )  # fmt: skip
    line(control, clock, r.run.control[:count], shared.PALETTE[1])
    limited = np.flatnonzero(r.run.limited[:count])
    if len(limited):
        limited = limited[:: max(1, len(limited) // BANDS)]
        control.plot(
            clock[limited], r.run.control[limited], ".", color="black", markersize=2.5, label="amplifier at a limit"
        )
    currents_over(currents, clock, {k: v[:count] for k, v in r.run.currents.items()})
    shared.time_axis(currents, float(start), float(time[-1]), f"{words}, logarithmic" if slow else words)
    if slow:
        logarithmic_time(currents, float(time[0]), float(time[-1]))


def _least_ampere(found: Sequence[StepResult]) -> float:
    """Smallest range of an axis of currents [A]."""
    return LEAST_AMPERE * max(max(r.load_from, r.load_to) for r in found)


def _band_in_view(study: StepStudy, r: StepResult) -> bool:
    """Whether the settling band is drawn: where there is a value to settle at, and the output gets anywhere near it."""
    if not r.stable or r.output_after_v is None:
        return False
    return float(np.abs(r.run.mean - r.output_after_v).max()) > IN_VIEW * study.band_v


def _everything(study: StepStudy, found: Sequence[StepResult], row: int) -> list[NDArray[np.float64]]:
    """All that is drawn in one row of panels."""
    counts = [_shown(r) for r in found]
    if row == 1:
        bands = [
            (r.output_after_v or 0.0) + study.band_v * np.array([-1.0, 1.0]) for r in found if _band_in_view(study, r)
        ]
        return [*bands, *(x[:n] for r, n in zip(found, counts, strict=True) for x in (r.run.lowest, r.run.highest))]
    if row == 2:
        return [r.run.control[:n] for r, n in zip(found, counts, strict=True)]
    return [v[:n] for r, n in zip(found, counts, strict=True) for v in r.run.currents.values()]


def _mark_deviation(ax: Axes, r: StepResult, scale: float, study: StepStudy) -> None:
    """Mark the largest departure of the mean by an arrow from its value before the step, and say it in figures."""
    k = int(np.argmax(np.abs(r.run.mean - r.output_before_v)))
    at, value = float(r.time_s[k]) * scale, float(r.run.mean[k])
    departure = value - r.output_before_v
    ax.axhline(r.output_before_v, color=shared.INK, linewidth=0.6, linestyle=(0, (6, 3)))
    if abs(departure) > ARROW * np.ptp(ax.get_ylim()):
        ax.annotate(
            "", (at, value), xytext=(at, r.output_before_v),
            arrowprops={
                "arrowstyle": "<->", "color": shared.INK, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0,
                "mutation_scale": 7,
            },
        )  # fmt: skip
    else:
        ax.plot(at, value, marker="o", markersize=3.5, color=shared.INK, linestyle="none")
    told = "deviation" if r.stable else "largest in this run:"
    told += f" {short(departure, 'V')}\nat {short(float(r.time_s[k]), 's')}"
    if r.settling_time_s:
        told += f"\nsettled in {short(r.settling_time_s, 's')}"
    elif r.settling_time_s == 0.0:
        told += f"\nwithin ±{short(study.band_v, 'V')} throughout"
    elif r.cut:
        told += "\nrun cut short"
    bottom, top = ax.get_ylim()
    count = _shown(r)
    right = r.run.mean[count // 2 : count]
    up = float(np.max(r.run.highest[count // 2 : count])) if len(right) else top
    down = float(np.min(r.run.lowest[count // 2 : count])) if len(right) else bottom
    below = down - bottom >= top - up
    ax.annotate(
        told, (0.98, 0.04 if below else 0.96), xycoords="axes fraction", fontsize=SMALL, ha="right",
        va="bottom" if below else "top", bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 1.0},
    )  # fmt: skip
