"""What every plot of steps shares: what stands above a column, curves of many points, names of axes, one legend."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import NORMAL, SMALL, SheetLayout, short
from loopdesign.report.steps.words import outcome_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.transient.steps import StepResult

DRAWN = 600
"""Points of a curve at most; of more cycles the extremes of each stretch are kept."""
LONGEST_HEAD = 24
"""Letters above a column that fit beside those of two others."""


def levels(r: StepResult) -> tuple[float, float]:
    """Return what steps, before and after: the input voltage [V] where it changes, else the load current [A]."""
    if r.kind.startswith("line"):
        return r.input_voltage, r.input_voltage_to
    return r.load_from, r.load_to


def head(axes: Axes, r: StepResult) -> None:
    """Name a column: what the step is made at, and how it ends, in two lines where one is too long."""
    word = outcome_word(r)
    at = f"{r.input_voltage:.4g} V" if r.kind.startswith("load") else short(r.load_from, "A")
    gap = " " if len(f"{at}: {word}") <= LONGEST_HEAD else "\n"
    axes.set_title(
        f"{at}:{gap}{word}", fontsize=NORMAL + 0.5, pad=3.0, color=shared.INK if r.stable else shared.ALARM,
        fontweight="normal" if r.stable else "bold",
    )  # fmt: skip


def time_unit(longest_s: float) -> tuple[float, str]:
    """Factor and unit of the time axis."""
    return (1e3, "ms") if longest_s >= 1e-3 else (1e6, "µs")


def peaks_kept(values: NDArray[np.float64], most: int) -> NDArray[np.intp]:
    """Choose points to draw of many: all, or the lowest and the highest of each stretch, so that no ringing is lost.

    Parameters
    ----------
    values : ndarray (N,)
        What is drawn.
    most : int
        Points at most [unitless].

    Returns
    -------
    ndarray
        Their places, rising; the first and the last among them.
    """
    count = len(values)
    if count <= most:
        return np.arange(count)
    edges = np.linspace(0, count, most // 2).astype(int)
    stretch = np.repeat(np.arange(len(edges) - 1), np.diff(edges))
    lowest, highest = (np.lexsort((sign * values, stretch))[edges[:-1]] for sign in (1.0, -1.0))
    return np.unique(np.concatenate([[0, count - 1], lowest, highest]))


def line(ax: Axes, x: NDArray[np.float64], y: NDArray[np.float64], colour: str, label: str | None = None) -> None:
    """Draw a curve of many points."""
    kept = peaks_kept(y, DRAWN)
    ax.plot(x[kept], y[kept], color=colour, linewidth=1.1, label=label)


def currents_over(axes: Axes, time: NDArray[np.float64], currents: Mapping[str, NDArray[np.float64]]) -> None:
    """Draw every inductor's current, told apart by dashes besides colour."""
    for k, (name, values) in enumerate(currents.items()):
        kept = peaks_kept(values, DRAWN)
        axes.plot(
            time[kept], values[kept], color=shared.PALETTE[(k + 2) % 7], linestyle=shared.DASHES[k % 5], linewidth=1.0,
            label=name,
        )  # fmt: skip


def logarithmic_time(ax: Axes, low: float, high: float) -> None:
    """Make the axis of time logarithmic with plain numbers."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator  # noqa: PLC0415

    ax.set_xscale("log")
    ax.set_xlim(low, high)
    decades = 10.0 ** np.arange(np.ceil(np.log10(low)), np.floor(np.log10(high)) + 1.0)
    ax.xaxis.set_major_locator(FixedLocator(decades.tolist()))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{v:g}" for v in decades]))
    ax.xaxis.set_minor_locator(NullLocator())


def names(axes: Sequence[Axes], words: Sequence[str]) -> None:
    """Name the vertical axes of the first column, one below the other."""
    for ax, text in zip(axes, words, strict=True):
        ax.set_ylabel(text, fontsize=NORMAL, labelpad=1.5)


def legend_below_heading(figure: Figure, layout: SheetLayout, grid: NDArray[np.object_]) -> None:
    """Put one legend for all panels below the heading, where it covers no curve."""
    entries: dict[str, Artist] = {}
    for ax in grid.ravel():
        for handle, label in zip(*ax.get_legend_handles_labels(), strict=True):
            entries.setdefault(label, handle)
    figure.legend(
        list(entries.values()), list(entries), loc="upper left",
        bbox_to_anchor=(0.10 / layout.width, 1.0 - 0.43 / layout.height), ncols=8, fontsize=SMALL, frameon=False,
        handlelength=2.4, columnspacing=1.2, borderaxespad=0.0, borderpad=0.1, handletextpad=0.5,
    )  # fmt: skip


def event_axis(axes: Sequence[Axes], found: Sequence[StepResult]) -> None:
    """Give the panels of what steps their limits, and ticks at its levels."""
    from matplotlib.ticker import FixedFormatter, FixedLocator  # noqa: PLC0415

    every = sorted({level for r in found for level in levels(r)})
    shared.level_axis(axes[0], [np.array(every)], 1e-6)
    bottom, top = axes[0].get_ylim()
    axes[0].set_ylim(bottom - 0.15 * (top - bottom), top + 0.15 * (top - bottom))
    shown = every if len(every) <= 3 else [every[0], every[-1]]
    axes[0].yaxis.set_major_locator(FixedLocator(shown))
    axes[0].yaxis.set_major_formatter(FixedFormatter([f"{v:.4g}" for v in shown]))


def side_note(figure: Figure, layout: SheetLayout, text: str) -> None:
    """Write a note at the right of the line of the title."""
    figure.text(
        1.0 - 0.15 / layout.width,
        1.0 - 0.11 / layout.height,
        text,
        ha="right",
        va="top",
        fontsize=SMALL,
        color="#555555",
    )
