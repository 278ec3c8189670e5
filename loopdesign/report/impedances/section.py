"""Impedances and line rejection in the report: what load and source see, at every corner."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.status import stable_word
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.impedances import Impedances
    from loopdesign.report.basics.tables import CellValue

TITLE = "Impedances and line rejection"
LOWEST_DB = -140.0
_PANELS = {"output": "output impedance [ohm]", "line": "line to output [dB]", "input": "input impedance [ohm]"}


def impedance_paragraphs(study: Impedances) -> tuple[str, ...]:
    """Say what is shown, and of which corners nothing can be read."""
    loop = "with the loop closed" if study.closed else "with the control voltage held, for no loop is given"
    told = (
        f"By the switched model, {loop}, up to half the switching frequency. The output impedance is the output "
        "voltage per ampere drawn; line to output is the output voltage per volt of input, so that -40 dB means a "
        "hundredth. The numbers in the table are the extremes over all frequencies."
    )
    if all(study.stable(i) for i in range(len(study.output))):
        return (told,)
    warning = (
        "These responses cannot be measured at a corner that is UNSTABLE: its curves only show what the linear model "
        "says, and the table leaves its numbers out."
    )
    return told, warning


def impedance_table(study: Impedances) -> Table:
    """List the largest output impedance, the weakest line rejection and the smallest input impedance of every corner.

    Parameters
    ----------
    study
        Responses at every corner.

    Returns
    -------
    Table
        One row per corner; an unstable one has its verdict and no numbers.
    """
    columns = (
        INPUT, LOAD, Column(heading="verdict"), Column(heading="largest output impedance", unit="ohm"),
        Column(heading="peak at", unit="Hz"), Column(heading="weakest rejection", unit="dB"),
        Column(heading="weakest at", unit="Hz"), Column(heading="smallest input impedance", unit="ohm"),
        Column(heading="smallest at", unit="Hz"),
    )  # fmt: skip
    corners = study.check.conditions
    rows: list[tuple[CellValue, ...]] = []
    for item in range(len(corners)):
        head = (float(corners.input_voltage[item]), float(corners.load_current[item]), stable_word(study.stable(item)))
        numbers: tuple[CellValue, ...] = (None,) * 6
        if study.stable(item):
            out, line, least = study.output_peak(item), study.line_peak(item), study.input_least(item)
            db = float(_db(np.array([line.value]))[0])
            numbers = (out.value, out.frequency_hz, db, line.frequency_hz, least.value, least.frequency_hz)
        rows.append((*head, *numbers))
    return Table(title=TITLE, columns=columns, rows=tuple(rows))


def impedances_figure(study: Impedances) -> Figure:
    """Draw the three responses, one row each, one column per load current."""
    loads = shared.loads(study.check)
    figure = shared.bare_figure(max(5.0 * len(loads), 6.5), 9.2)
    grid = figure.subplots(3, len(loads), sharex=True, sharey="row", squeeze=False)
    for column, load in enumerate(loads):
        plot_impedances(study, load, axes=(grid[0, column], grid[1, column], grid[2, column]))
    for ax in grid[:, 1:].ravel():
        ax.set_ylabel("")
    _limits(study, grid)
    figure.suptitle(f"{TITLE}, {'loop closed' if study.closed else 'control voltage held'}")
    return figure


def plot_impedances(
    study: Impedances, load_current: float, *, axes: tuple[Axes, Axes, Axes] | None = None
) -> tuple[Axes, Axes, Axes]:
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
    from matplotlib.ticker import EngFormatter, LogLocator, MultipleLocator, NullFormatter  # noqa: PLC0415

    if axes is None:
        top, middle, bottom = shared.bare_figure(6.5, 9.2).subplots(3, 1, sharex=True)
        axes = (top, middle, bottom)
    for item in shared.corners_at(study.check, load_current):
        look = shared.stroke(study.check, item)
        for ax, name in zip(axes, _PANELS, strict=True):
            size = np.abs(getattr(study, name)[item])
            values = _db(size) if name == "line" else size
            ax.plot(
                study.frequencies_hz, values, color=look.colour, linestyle=look.dashes, linewidth=look.width,
                label=look.label,
            )  # fmt: skip
    for ax, (name, text) in zip(axes, _PANELS.items(), strict=True):
        ax.set_ylabel(text)
        if name == "line":
            ax.yaxis.set_major_locator(MultipleLocator(20.0))
        else:
            ax.set_yscale("log")
            ax.yaxis.set_major_locator(LogLocator(base=10.0, numticks=12))
            ax.yaxis.set_major_formatter(EngFormatter(sep=" "))
            ax.yaxis.set_minor_formatter(NullFormatter())
        shared.frequency_axis(ax, study.frequencies_hz, named=name == "input")
    shared.legend_above(axes[0], f"load {load_current:.3g} A")
    return axes


def _limits(study: Impedances, grid: Any) -> None:  # noqa: ANN401  (an object array of axes)
    """Whole decades and whole steps of 20 dB, so that every axis carries labels."""
    for row, name in enumerate(_PANELS):
        size = np.abs(getattr(study, name))
        if name == "line":
            db = _db(size)
            low, high = 20.0 * np.floor(max(db.min(), LOWEST_DB) / 20.0), 20.0 * np.ceil(db.max() / 20.0)
            grid[row, 0].set_ylim(low, max(high, low + 40.0))
        else:
            low, high = np.floor(np.log10(size.min())), np.ceil(np.log10(size.max()))
            grid[row, 0].set_ylim(10.0**low, 10.0 ** max(high, low + 1.0))


def _db(size: NDArray[np.float64]) -> NDArray[np.float64]:
    return 20.0 * np.log10(np.maximum(size, 1e-12))


def impedance_answer(study: Impedances) -> dict[str, Any]:
    """Turn the responses into plain numbers.

    Parameters
    ----------
    study
        Responses at every corner.

    Returns
    -------
    dict
        ``frequencies_hz``, and per corner its conditions, its verdict and real and imaginary parts of the responses.
    """
    corners = study.check.conditions
    return {
        "closed_loop": study.closed,
        "frequencies_hz": [float(f) for f in study.frequencies_hz],
        "corners": [
            {
                "input_voltage": float(corners.input_voltage[item]),
                "load_current": float(corners.load_current[item]),
                "stable": study.stable(item),
                "output_impedance_ohm": _complex(study.output[item]),
                "line_to_output": _complex(study.line[item]),
                "input_impedance_ohm": _complex(study.input[item]),
            }
            for item in range(len(corners))
        ],
    }


def _complex(values: NDArray[np.complex128]) -> dict[str, list[float]]:
    return {"real": [float(v) for v in values.real], "imag": [float(v) for v in values.imag]}
