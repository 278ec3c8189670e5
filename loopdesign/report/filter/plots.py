"""Figures of the input filter: its impedance against the converter's, and what it changes in the loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

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
    short,
)
from loopdesign.report.basics.status import verdict_word

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loopdesign.analysis.filter_study import FilterStudy

HEIGHT = 2.7
LEAST_DB = 0.5
"""Smallest range of the change of the loop that is worth an axis [dB]."""


def impedance_figure(study: FilterStudy) -> Figure:
    """Draw output impedance of the filter and input impedance of the converter, one plot per load current."""
    return _columns(study, plot_filter_impedances, "Input filter against converter")


def filter_impedances_caption(study: FilterStudy) -> str:
    """Say what to see in the figure of the impedances."""
    loop = "loop closed" if study.closed else "control voltage held"
    return (
        f"Output impedance of the input filter (black) and input impedance of the converter, {loop}, nominal parts. "
        "To see: the vertical lines, which are the smallest distances; as long as the curves stay apart the filter "
        "cannot upset the loop. Where they come near, the verdict in the legend decides: it is that of filter, "
        "converter and loop together, by the characteristic multipliers."
    )


def loop_change_figure(study: FilterStudy) -> Figure:
    """Draw what the filter adds to the loop gain, one plot per load current; only where the loop is closed."""
    return _columns(study, plot_loop_change, "Loop gain with the input filter, over that without")


def loop_change_caption(study: FilterStudy) -> str:
    """Say what to see in the figure of the change of the loop."""
    largest = float(np.abs(study.loop_change_db).max()) if study.closed else 0.0
    return (
        f"What the input filter does to the size of the loop gain, nominal parts: {largest:.2g} dB at most. To see: "
        "whether a dip or peak at the resonance of the filter lies near a crossover."
    )


def filter_layout(study: FilterStudy, *, impedances: bool) -> SheetLayout:
    """Lay out the figure of the impedances, or that of the change of the loop: one plot per load current."""
    return columns_layout([_labels(study, load, impedances=impedances) for load in _loads(study)], (HEIGHT,))


def _columns(study: FilterStudy, plot: Callable[..., Axes], title: str) -> Figure:
    layout = filter_layout(study, impedances=plot is plot_filter_impedances)
    figure, grid = panels(heading(study.case, title), layout)
    for ax, load in zip(grid[0], _loads(study), strict=True):
        plot(study, load, ax=ax)
        if ax is not grid[0, 0]:
            ax.set_ylabel("")
    return figure


def _labels(study: FilterStudy, load: float, *, impedances: bool) -> Sequence[str]:
    """Entries of the legend of one load current."""
    if not impedances:
        return [_name(study, item) for item in _items(study, load)]
    return [*(_separated(study, item) for item in _items(study, load)), "filter"]


def plot_filter_impedances(study: FilterStudy, load_current: float, *, ax: Axes | None = None) -> Axes:
    """Draw both impedances at every input voltage of one load current.

    Parameters
    ----------
    study
        The study.
    load_current
        One of the corners' load currents [A].
    ax
        Where to draw; new axes where absent.

    Returns
    -------
    Axes
        What was drawn on; a line between both curves marks each corner's smallest separation.
    """
    ax = shared.bare_panels(HEIGHT)[0] if ax is None else ax
    f = study.frequencies_hz
    near, items = study.separation, _items(study, load_current)
    for rank, item in enumerate(items):
        colour, dashes = _style(rank)
        size = np.abs(study.converter_ohm[item])
        ax.plot(f, size, color=colour, linestyle=dashes, linewidth=1.2, label=_separated(study, item))
        ends = (near.filter_ohm[item], near.converter_ohm[item])
        ax.plot([near.frequency_hz[item]] * 2, ends, color=colour, linewidth=1.0, marker="_", markersize=7)
    # a filter capacitor's bias hardly parts the curves of the other input voltages
    ax.plot(f, np.abs(study.filter_ohm[items[0]]), color=shared.INK, linewidth=1.8, label="filter")
    shared.frequency_axis(ax, f, named=True)
    every = np.concatenate([np.abs(study.converter_ohm).ravel(), np.abs(study.filter_ohm).ravel()])
    low, high = np.floor(np.log10(every.min())), np.ceil(np.log10(every.max()))
    shared.impedance_axis(ax, 10.0**low, 10.0 ** max(high, low + 1.0))
    ax.set_ylabel("impedance [Ω]", fontsize=NORMAL)
    worst = min(items, key=lambda i: float(near.db[i]))
    at = float(near.frequency_hz[worst])
    lower = float(near.filter_ohm[worst] ** 0.75 * near.converter_ohm[worst] ** 0.25)  # clear of the other curves
    left = at > float(np.sqrt(f[0] * f[-1]))  # the side with more room
    ax.annotate(
        f"{near.db[worst]:.1f} dB at {short(at, 'Hz')}", (at, lower), xytext=(-5 if left else 5, 0),
        textcoords="offset points", fontsize=SMALL, color=shared.INK, va="center", ha="right" if left else "left",
    )  # fmt: skip
    legend_above(ax, f"load {short(load_current, 'A')}", width=panel_width(ax))
    return ax


def plot_loop_change(study: FilterStudy, load_current: float, *, ax: Axes | None = None) -> Axes:
    """Draw the change of the loop gain's size by the filter at every input voltage of one load current.

    Parameters
    ----------
    study
        The study, with a loop.
    load_current
        One of the corners' load currents [A].
    ax
        Where to draw; new axes where absent.

    Returns
    -------
    Axes
        What was drawn on.
    """
    ax = shared.bare_panels(HEIGHT)[0] if ax is None else ax
    for rank, item in enumerate(_items(study, load_current)):
        colour, dashes = _style(rank)
        ax.plot(
            study.frequencies_hz, study.loop_change_db[item], color=colour, linestyle=dashes, linewidth=1.2,
            label=_name(study, item),
        )  # fmt: skip
    ax.axhline(0.0, color=shared.FAINT, linewidth=0.8)
    shared.frequency_axis(ax, study.frequencies_hz, named=True)
    shared.level_axis(ax, [study.loop_change_db], LEAST_DB)
    ax.set_ylabel("change of the loop gain [dB]", fontsize=NORMAL)
    legend_above(ax, f"load {short(load_current, 'A')}", width=panel_width(ax))
    return ax


def _name(study: FilterStudy, item: int) -> str:
    """Label of one corner, with its verdict."""
    return f"{study.conditions.input_voltage[item]:.4g} V: {_verdict_change(study, item)}"


def _separated(study: FilterStudy, item: int) -> str:
    """Label of the converter's impedance at one corner, with the smallest separation and the verdict."""
    name = f"{study.conditions.input_voltage[item]:.4g} V: {study.separation.db[item]:.1f} dB"
    return f"converter, {name}, {_verdict_change(study, item)}"


def _loads(study: FilterStudy) -> tuple[float, ...]:
    """Load currents to draw: all, or the extremes of many."""
    every = [float(x) for x in np.unique(study.conditions.load_current)]
    return tuple(every) if len(every) <= shared.MOST_COLUMNS else (every[0], every[len(every) // 2], every[-1])


def _items(study: FilterStudy, load_current: float) -> list[int]:
    """Corners of one load current."""
    return [int(i) for i in np.flatnonzero(study.conditions.load_current == load_current)]


def _style(rank: int) -> tuple[str, str | tuple[int, tuple[float, ...]]]:
    """Colour and dashes of the nth input voltage."""
    return shared.PALETTE[rank % len(shared.PALETTE)], shared.DASHES[rank % len(shared.DASHES)]


def _verdict_change(study: FilterStudy, item: int) -> str:
    """Verdict with the filter, and without it where that differs."""
    without, with_filter = study.verdicts_without[item].stable, study.verdicts_with[item].stable
    word = verdict_word(study.verdicts_with[item])
    return word if without == with_filter else f"{word} ({verdict_word(study.verdicts_without[item])} without filter)"
