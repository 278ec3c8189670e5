"""Plot of small disturbances: how they grow or die from cycle to cycle, beside what the multiplier predicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.transient.ringing import LINEAR
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import NORMAL, SMALL, SheetLayout, heading, panels, place, short
from loopdesign.report.basics.status import stable_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.transient.ringing import GrowthRun
    from loopdesign.analysis.transient.steps import StepStudy

ROUNDING = 1e-12
"""Share of the output below which a departure is rounding."""
ABOVE_ROUNDING = 30.0
"""Times the rounding from which a departure is read."""
FEWEST = 6
"""Cycles that a slope is laid through at least."""


def growth_figure(study: StepStudy) -> Figure:
    """Draw small disturbances, side by side.

    Parameters
    ----------
    study : StepStudy
        With at least one disturbance.

    Returns
    -------
    Figure
        Departure of the cycle mean over cycles on a logarithmic axis, and the slope of the multiplier laid through it.
    """
    figure, grid = panels(heading(study.case, "Small disturbances against the multipliers"), growth_layout(study))
    floor = ROUNDING * study.case.specification.output_voltage
    limits = []
    for ax, g in zip(grid[0], study.growth, strict=False):
        size = np.maximum(np.abs(g.departure), 1e-300)
        n = np.arange(len(size))
        ax.plot(n, size, color=shared.PALETTE[0], linewidth=0.9, label="cycle by cycle")
        line = slope_through(g, floor)
        if line is not None:
            ax.plot(
                n, line, linestyle=shared.DASHES[1], color=shared.PALETTE[1], linewidth=1.4,
                label=f"multiplier {abs(g.expected.multiplier):.5f}",
            )  # fmt: skip
        lowest = float((envelope_of(size, g) if line is None else line).min())
        limits.append((max(floor, 0.3 * lowest), 3.0 * float(size.max())))
        _dress(ax, g, len(n))
    low, high = min(x[0] for x in limits), max(x[1] for x in limits)
    _volts(grid[0, 0], low, max(high, 10.0 * low))
    grid[0, 0].set_ylabel("departure of the output [V]", fontsize=NORMAL)
    return figure


def growth_layout(study: StepStudy) -> SheetLayout:
    """Lay out the figure: one panel per disturbance."""
    return SheetLayout(rows=1, columns=max(1, len(study.growth)), heights=(2.4,), above=0.36)


def growth_caption(study: StepStudy) -> str:
    """Say what to see in the plots of small disturbances."""
    places = " and ".join(place(g.input_voltage, g.load_current) for g in study.growth)
    return (
        f"A disturbance of a millionth, followed cycle by cycle in time at {places} (nominal parts): the operating "
        "points of the steps whose worst multiplier is largest and smallest. The dashed line falls or rises as the "
        "characteristic multiplier predicts from the matrices, laid through the run where the disturbance is small "
        "and above rounding. To see: that it runs along the curve, and along its upper side where the curve oscillates "
        "(dips are its zero crossings)."
    )


def envelope_of(size: NDArray[np.float64], run: GrowthRun) -> NDArray[np.float64]:
    """Largest value (N,) within the half-period of its oscillation around each cycle.

    Parameters
    ----------
    size : ndarray (N,)
        Of the departure, in any unit [any unit].
    run : GrowthRun
        The disturbance.

    Returns
    -------
    ndarray (N,)
        Never below ``size`` [any unit].
    """
    turn = abs(float(np.angle(run.expected.multiplier)))
    half = int(np.clip(np.ceil(0.5 * np.pi / turn), 1, len(size) // 2)) if turn > 1e-6 else 0
    padded = np.pad(size, half, constant_values=-np.inf)
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1).max(axis=1)


def slope_through(run: GrowthRun, floor: float) -> NDArray[np.float64] | None:
    """Lay the multiplier's slope through the part of a run that is small and above rounding.

    Parameters
    ----------
    run : GrowthRun
        The disturbance.
    floor : float
        What rounding leaves of the output [V].

    Returns
    -------
    ndarray (N,) or None
        Size over cycles [V]; None where too little of the run can be read.
    """
    size, n = np.abs(run.departure), np.arange(len(run.departure))
    read = np.flatnonzero((size > ABOVE_ROUNDING * floor) & (size < LINEAR / ROUNDING * floor))
    if len(read) < FEWEST:
        return None
    pace = float(np.log(max(abs(run.expected.multiplier), 1e-12)))
    level = np.full(len(size), -np.inf)
    level[read] = np.log(size[read]) - pace * read  # without its decay an oscillation has peaks of one height
    upper = envelope_of(level, run)[read]
    late = upper[len(read) // 2 :]  # what other modes were there has died away or is outgrown
    return np.exp(np.clip(float(np.median(late)) + pace * n, -600.0, 600.0))


def _dress(ax: Axes, run: GrowthRun, count: int) -> None:
    """Name one panel: operating point, verdict of the mode, and the mode."""
    word = stable_word(run.expected.stable)
    ax.set_title(
        f"{place(run.input_voltage, run.load_current)}: {word}, {run.expected.name}", fontsize=NORMAL + 0.5, pad=16.0,
        color=shared.INK if run.expected.stable else shared.ALARM,
    )  # fmt: skip
    ax.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, fontsize=SMALL, frameon=False, borderaxespad=0.0,
        borderpad=0.15, handlelength=2.6,
    )  # fmt: skip
    shared.time_axis(ax, 0.0, float(max(count - 1, 1)), "cycles")


def _volts(ax: Axes, low: float, high: float) -> None:
    """Make the vertical axis logarithmic, its decades written with prefixes."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator  # noqa: PLC0415

    ax.set_yscale("log")
    ax.set_ylim(low, high)
    decades = np.arange(np.ceil(np.log10(low)), np.floor(np.log10(high)) + 1.0)
    decades = 10.0 ** decades[:: 1 + len(decades) // 9]
    ax.yaxis.set_major_locator(FixedLocator(decades.tolist()))
    ax.yaxis.set_major_formatter(FixedFormatter([short(float(v), "V").removesuffix("V").rstrip() for v in decades]))
    ax.yaxis.set_minor_locator(NullLocator())
    for each in ax.figure.axes:
        each.grid(visible=True, color="#dddddd", linewidth=0.5)
