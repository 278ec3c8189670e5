"""Figure of the impedances and the line rejection at every corner."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from loopdesign.margins.margins import unwrapped_phase_deg
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import (
    NORMAL,
    SheetLayout,
    columns_layout,
    heading,
    legend_above,
    panel_width,
    panels,
    short,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.impedances import Impedances

    Four: TypeAlias = "tuple[Axes, Axes, Axes, Axes]"

TITLE = "Impedances and line rejection"
LOWEST_DB = -140.0
NAMES = ("output\nimpedance [Ω]", "line to output\n[dB]", "input\nimpedance [Ω]", "its phase\n[deg]")
"""Vertical axes from top to bottom."""
HEIGHTS = (1.6, 1.6, 1.6, 1.1)
RIGHT_ANGLE = 90.0
RESISTIVE = 180.0
"""Phase of a negative resistance, positive or negative [deg]."""


def impedances_figure(study: Impedances) -> Figure:
    """Draw output impedance, line to output, and input impedance with its phase, one column per load current.

    Parameters
    ----------
    study
        Responses at every corner.

    Returns
    -------
    Figure
        Four rows; the panels of a row share their axis.
    """
    title = f"{TITLE}, {'loop closed' if study.closed else 'control voltage held'}"
    figure, grid = panels(heading(study.check.case, title), impedances_layout(study))
    for column, load in enumerate(shared.drawn_loads(study.check)):
        plot_impedances(study, load, axes=tuple(grid[:, column]))
    for ax in grid[:, 1:].ravel():
        ax.set_ylabel("")
    return figure


def impedances_layout(study: Impedances) -> SheetLayout:
    """Lay out the figure: one column per load current, each with a legend."""
    columns = [shared.corners_at(study.check, load) for load in shared.drawn_loads(study.check)]
    return columns_layout([[shared.stroke(study.check, i).label for i in items] for items in columns], HEIGHTS)


def impedances_caption(study: Impedances) -> str:
    """Say what to see in the figure of the impedances."""
    loop = "loop closed" if study.closed else "control voltage held"
    return (
        f"Switched model, nominal parts, {loop}. To see: the peak of the output impedance, which a load step meets; "
        "how much of a disturbance of the input arrives at the output (-40 dB is a hundredth); and the input "
        "impedance with its phase, which near ±180 degrees (dotted) is a negative resistance that an input filter "
        "must not meet with an impedance of its size. The curves of a corner that is not stable show what the "
        "linear model says; no instrument could measure them."
    )


def plot_impedances(study: Impedances, load_current: float, *, axes: Four | None = None) -> Four:
    """Draw output impedance, line to output and input impedance at every input voltage of one load current.

    Parameters
    ----------
    study
        Responses at every corner.
    load_current
        One of the corners' load currents [A].
    axes
        Where to draw, top to bottom; new axes where absent.

    Returns
    -------
    tuple of Axes
        What was drawn on.
    """
    if axes is None:
        top, second, third, last = shared.bare_panels(1.7, rows=4)
        axes = (top, second, third, last)
    f = study.frequencies_hz
    for item in shared.corners_at(study.check, load_current):
        look = shared.stroke(study.check, item)
        curves = (
            np.abs(study.output[item]), _db(np.abs(study.line[item])), np.abs(study.input[item]),
            _input_phase(study)[item],
        )  # fmt: skip
        for ax, values in zip(axes, curves, strict=True):
            shared.curve(ax, f, values, look, look.label)
    for ax, text in zip(axes, NAMES, strict=True):
        ax.set_ylabel(text, fontsize=NORMAL)
        shared.frequency_axis(ax, f, named=ax is axes[-1])
    _limits(study, axes)
    legend_above(axes[0], f"load {short(load_current, 'A')}", width=panel_width(axes[0]))
    return axes


def _input_phase(study: Impedances) -> NDArray[np.float64]:
    """Phase (B,F) of the input impedance [deg], all corners of a negative resistance beginning near -180."""
    phase = unwrapped_phase_deg(study.input)
    return phase - np.where(phase[:, :1] > RIGHT_ANGLE, 360.0, 0.0)


def _limits(study: Impedances, axes: Four) -> None:
    """Give every axis whole decades, steps of 20 dB or right angles, so that each carries labels."""
    from matplotlib.ticker import MultipleLocator  # noqa: PLC0415

    for ax, values in ((axes[0], study.output), (axes[2], study.input)):
        size = np.abs(values)
        low, high = np.floor(np.log10(size.min())), np.ceil(np.log10(size.max()))
        shared.impedance_axis(ax, 10.0**low, 10.0 ** max(high, low + 1.0))
    db = _db(np.abs(study.line))
    low, high = 20.0 * np.floor(max(db.min(), LOWEST_DB) / 20.0), 20.0 * np.ceil(db.max() / 20.0)
    axes[1].set_ylim(low, max(high, low + 40.0))
    axes[1].yaxis.set_major_locator(MultipleLocator(20.0))
    axes[3].set_ylim(*shared.phase_limits(_input_phase(study)))
    axes[3].yaxis.set_major_locator(MultipleLocator(90.0))
    for edge in (-RESISTIVE, RESISTIVE):
        axes[3].axhline(edge, color=shared.FAINT, linewidth=0.8, linestyle=":")


def _db(size: NDArray[np.float64]) -> Any:  # noqa: ANN401  (an array)
    return 20.0 * np.log10(np.maximum(size, 1e-12))
