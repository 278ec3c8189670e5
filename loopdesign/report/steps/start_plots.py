"""Pictures of start-ups and line drop-outs: every run faint, the worst one drawn out, with ramp, band and limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import SMALL, SheetLayout, heading, panels, short
from loopdesign.report.steps.panels import legend_below_heading, line, names, time_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.startup.plan import RiseKind
    from loopdesign.analysis.startup.rise import Rise, RiseStudy

HEIGHTS = (1.25, 0.75, 0.6)
"""Heights of the panels [inch]: output, current, control voltage; with their captions two sheets fill a page."""
ABOVE = 0.24
"""Room for the legend [inch]."""
LAYOUT = SheetLayout(rows=3, columns=1, heights=HEIGHTS, above=ABOVE)
AFTER = 1.35
"""Drawn time over the time that the slowest run takes to settle."""
LEAST = 1e-3
"""Smallest range of an axis [V], [A]."""
FAINT = "#b5b5b5"
WORDS = {"start": "start-up", "dropout": "line drop-out and return"}


def worst_run(study: RiseStudy, kind: RiseKind) -> Rise:
    """Choose the run to speak about: one that is not regulated, else the largest overshoot, or the deepest fall.

    Parameters
    ----------
    study : RiseStudy
        Every run.
    kind : {"start", "dropout"}
        Which runs.

    Returns
    -------
    Rise
        The worst of them.
    """

    def rank(r: Rise) -> tuple[bool, float]:
        fallen = 0.0 if r.lowest_output_v is None else -r.lowest_output_v
        return not r.stable, r.overshoot_v if kind == "start" else fallen

    return max((r for r in study.results if r.kind == kind), key=rank)


def start_figure(study: RiseStudy, kind: RiseKind) -> Figure:
    """Draw output, peak of the sensed current and control voltage of every run of a kind over time.

    Parameters
    ----------
    study : RiseStudy
        Every run.
    kind : {"start", "dropout"}
        Which runs.

    Returns
    -------
    Figure
        All runs faint, the worst one drawn out; ramp of the reference, settling band, current limit and clamp marked.
    """
    found = [r for r in study.results if r.kind == kind]
    worst = worst_run(study, kind)
    at = f"{worst.input_voltage:.4g} V, {short(worst.load_current, 'A')}"
    title = f"{WORDS[kind].capitalize()} at {len(found)} corners, worst at {at}"
    figure, grid = panels(heading(study.case, title), LAYOUT)
    shown = max(_shown(r) for r in found)
    scale, unit = time_unit(shown)
    for r in (*(r for r in found if r is not worst), worst):
        _draw(grid[:, 0], r, scale, shown, "worst corner" if r is worst else "other corners")
    _mark_output(grid[0, 0], study, worst, scale, shown)
    every = [[_cut(values, r, shown) for r in found] for values in ("mean", "sensed", "control")]
    for ax, values in zip(grid[:, 0], every, strict=True):
        shared.level_axis(ax, values, LEAST)
        ax.grid(visible=True, color="#dddddd", linewidth=0.5)
    _mark_limits(grid[:, 0], study)
    shared.time_axis(grid[2, 0], 0.0, shown * scale, f"time [{unit}]")
    names(grid[:, 0], ("output [V]", "sensed\npeak [A]", "control [V]"))
    legend_below_heading(figure, LAYOUT, grid)
    return figure


def start_caption(study: RiseStudy, kind: RiseKind) -> str:
    """Say what to see in the picture.

    Parameters
    ----------
    study : RiseStudy
        Every run.
    kind : {"start", "dropout"}
        Which runs.

    Returns
    -------
    str
        Caption.
    """
    worst = worst_run(study, kind)
    begin = (
        "Start from discharged capacitors" if kind == "start" else "The line drops out at time zero and returns"
    )  # fmt: skip
    why = "it does not come to regulation" if not worst.stable else (
        "it has the largest overshoot" if kind == "start" else "its output falls lowest"
    )  # fmt: skip
    return (
        f"{begin}, nominal parts, every input voltage and load. Output as the mean over each switching cycle, the "
        "largest sensed current at the edges of each cycle, the control voltage at the end of each. Drawn out: "
        f"{worst.input_voltage:.4g} V, {short(worst.load_current, 'A')}, because {why}. Dotted: settling band; dashed: "
        "what the reference asks for, current limit and clamp where they are given."
    )


def _shown(r: Rise) -> float:
    """Time worth drawing [s]."""
    whole = len(r.record.mean) * r.record.period
    return (
        whole
        if r.settling_time_s is None
        else min(whole, AFTER * (r.settling_time_s + _before(r)) + 20 * r.record.period)
    )


def _before(r: Rise) -> float:
    """Time of a drop-out until the line returns [s]."""
    return r.return_time_s


def _cut(name: str, r: Rise, shown: float) -> NDArray[np.float64]:
    """Part of a course that is drawn."""
    values: NDArray[np.float64] = getattr(r.record, name)
    return values[: max(int(np.ceil(shown / r.record.period)), 2)]


def _draw(axes: list[Axes], r: Rise, scale: float, shown: float, label: str) -> None:
    """Draw the courses of a run."""
    for k, (ax, name) in enumerate(zip(axes, ("mean", "sensed", "control"), strict=True)):
        values = _cut(name, r, shown)
        colour = FAINT if label == "other corners" else shared.PALETTE[k]
        time = r.time_s[: len(values)] * scale
        line(ax, time, values, colour, label if k == 0 else None)


def _mark_output(ax: Axes, study: RiseStudy, worst: Rise, scale: float, shown: float) -> None:
    """Mark the band, and what the reference asks for on the way."""
    target = worst.target_v
    for level in (target - worst.band_v, target + worst.band_v):
        ax.axhline(level, color=shared.INK, linewidth=0.7, linestyle=":")
    over = getattr(study.case.error_amplifier, "soft_start", 0.0)
    if worst.kind == "start" and over and study.case.specification.regulate == "voltage":
        ax.plot(
            [0.0, over * scale, shown * scale], [0.0, target, target], color=shared.INK, linewidth=0.9, linestyle="--",
            label="asked for by the reference",
        )  # fmt: skip
    if worst.return_time_s:
        ax.axvline(worst.return_time_s * scale, color="0.4", linewidth=0.8, linestyle="--")
        ax.annotate(
            "line returns", (worst.return_time_s * scale, 0.03), xycoords=("data", "axes fraction"), fontsize=SMALL,
            xytext=(3, 0), textcoords="offset points",
        )  # fmt: skip


def _mark_limits(axes: list[Axes], study: RiseStudy) -> None:
    """Mark current limit and clamp; one that lies beyond the axis is told in its corner."""
    m, clamp = study.case.modulator, getattr(study.case.error_amplifier, "clamp", None)
    if m.scheme == "peak current" and m.current_limit is not None:
        _level(axes[1], m.current_limit / m.sense_gain, "current limit", "A")
    for level in () if clamp is None else (clamp.min, clamp.max):
        _level(axes[2], level, "clamp", "V")


def _level(ax: Axes, level: float, word: str, unit: str) -> None:
    """Draw a level with its name at the right end."""
    low, high = ax.get_ylim()
    inside = low < level < high
    if inside:
        ax.axhline(level, color=shared.ALARM, linewidth=0.8, linestyle="--")
    near = level > low + 0.8 * (high - low)
    place = level if inside else high if level > high else low
    text = word if inside else f"{word} at {short(level, unit)}, beyond this axis"
    ax.annotate(
        text, (0.995, place), xycoords=("axes fraction", "data"), ha="right", va="top" if near else "bottom",
        xytext=(0, -2 if near else 2), textcoords="offset points", fontsize=SMALL, color=shared.ALARM,
    )  # fmt: skip
