"""What each part does to each margin: a table of effects per percent, and bars."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.explore.sensitivity import LOW_IS_BAD
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.layout import laid_out, paragraph
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.explore.drawing import own_figure
from loopdesign.report.explore.sweep_text import quantity_name
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loopdesign.explore.sensitivity import Sensitivities
    from loopdesign.report.basics.layout import Display
    from loopdesign.report.basics.tables import CellValue

SHOWN = {
    "phase_margin_deg": ("phase margin", "deg", 1.0), "gain_margin_db": ("gain margin", "dB", 1.0),
    "modulus_margin": ("modulus margin", "", 1.0), "crossover_hz": ("highest crossover", "Hz", 1.0),
    "largest_multiplier": ("largest multiplier", "", 1.0),
}  # fmt: skip
"""Readings with their names and units."""
PERCENT = 0.01
MOST_ROWS = 12
"""Values that a terminal shows without --details."""
MOST_BARS = 10
TEN = 0.1
"""Change of a value that a bar stands for [unitless]."""


def sensitivity_table(found: Sensitivities, most: int | None = None) -> Table:
    """Set the change of each reading per percent of each value side by side, what moves most first.

    Parameters
    ----------
    found : Sensitivities
        The derivatives.
    most : int, optional
        Rows at most; all unless given [unitless].

    Returns
    -------
    Table
        Each reading at the corner where it is worst.
    """
    columns = [Column(heading="value", key=True)]
    columns += [Column(heading=f"{words} per %", unit=unit, digits=3) for words, unit, _ in SHOWN.values()]
    rows: list[tuple[CellValue, ...]] = []
    for k in found.order[:most]:
        row: list[CellValue] = [quantity_name(found.keys[k])]
        for name in SHOWN:
            corner = found.worst_corner(name)
            row.append(None if corner is None else PERCENT * float(found.derivatives[name][corner, k]))
        rows.append(tuple(row))
    return Table(title="What one percent of each value does", columns=tuple(columns), rows=tuple(rows))


def strongest(found: Sensitivities) -> str:
    """Say which value moves each margin most.

    Parameters
    ----------
    found : Sensitivities
        The derivatives.

    Returns
    -------
    str
        One sentence.
    """
    told = []
    for name, (words, unit, _) in SHOWN.items():
        corner = found.worst_corner(name)
        if corner is None or name not in LOW_IS_BAD:
            continue
        k = int(np.argmax(np.abs(found.derivatives[name][corner])))
        effect = format_quantity(PERCENT * float(found.derivatives[name][corner, k]), unit)
        told.append(f"{words} moves most with {quantity_name(found.keys[k])} ({effect} per %)")
    return "; ".join(told) or "no margin exists to be moved"


def sensitivity_sentences(found: Sensitivities) -> tuple[str, ...]:
    """Say where each reading is worst, and what the table covers.

    Parameters
    ----------
    found : Sensitivities
        The derivatives.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    told = []
    for name, (words, _, _) in SHOWN.items():
        corner = found.worst_corner(name)
        if corner is not None:
            c = found.conditions
            told.append(f"{words} at {c.input_voltage[corner]:.4g} V, {c.load_current[corner]:.3g} A")
    covers = "each reading at the nominal corner where it is worst: " + "; ".join(told)
    return (
        covers,
        "derivatives at nominal parts, exact there: what a large change does may differ; check examines tolerance ends",
    )


def sensitivity_text(found: Sensitivities, display: Display) -> str:
    """Write sensitivities for a terminal.

    Parameters
    ----------
    found : Sensitivities
        The derivatives.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        The table, then what it covers.
    """
    most = None if display.details else MOST_ROWS
    left = len(found.keys) - MOST_ROWS
    further = (
        [] if display.details or left <= 0 else [f"{left} values that move less are left out: --details shows them"]
    )
    told = [
        paragraph(f"- {s}", display, indent="  ", hanging="    ") for s in (*sensitivity_sentences(found), *further)
    ]
    return "\n".join([laid_out(sensitivity_table(found, most), display), *told])


def sensitivity_figure(found: Sensitivities) -> Figure:
    """Draw what ten percent more of each value does to each reading: bars, the longest on top.

    Parameters
    ----------
    found : Sensitivities
        The derivatives.

    Returns
    -------
    Figure
        One panel per reading, at the corner where it is worst.
    """
    names = [n for n in SHOWN if found.worst_corner(n) is not None]
    figure = own_figure(10.0, 1.2 + 2.6 * ((len(names) + 1) // 2))
    panels = figure.subplots((len(names) + 1) // 2, 2, squeeze=False).ravel()
    for ax, name in zip(panels, names, strict=False):
        corner = found.worst_corner(name)
        effect = TEN * found.derivatives[name][corner]
        first = np.argsort(-np.abs(effect), kind="stable")[:MOST_BARS][::-1]
        words, unit, _ = SHOWN[name]
        low = name in LOW_IS_BAD
        for place, k in enumerate(first):
            worse = effect[k] < 0.0 if low else effect[k] > 0.0
            colour, hatch = (shared.PALETTE[1], "///") if worse else (shared.PALETTE[0], "")
            ax.barh(place, effect[k], color=colour, hatch=hatch, edgecolor="white", linewidth=0.5)
        ax.set_yticks(range(len(first)), [quantity_name(found.keys[k]) for k in first], fontsize=8)
        ax.axvline(0.0, color=shared.INK, linewidth=0.8)
        c = found.conditions
        place_text = f"{c.input_voltage[corner]:.4g} V, {c.load_current[corner]:.3g} A"
        ax.set_title(
            f"{words}{f' [{unit}]' if unit else ''}, {found.readings[name][corner]:.4g} at {place_text}", fontsize=9
        )
        ax.grid(visible=True, axis="x", color="#cccccc", linewidth=0.6)
        ax.tick_params(axis="x", labelsize=8)
    for ax in panels[len(names) :]:
        ax.set_visible(False)
    figure.suptitle("Change for ten percent more of each value; hatched bars are for the worse", fontsize=10.5)
    return figure
