"""Cases side by side in words, tables and one plot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.failing import GROWS, failing_word
from loopdesign.explore.compare import READINGS, part_names, plain_input
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.layout import laid_out, lettered, paragraph
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.explore.drawing import own_figure
from loopdesign.report.explore.sweep_text import quantity_name
from loopdesign.report.loop.terminal import bullets
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loopdesign.explore.compare import Comparison
    from loopdesign.report.basics.layout import Display
    from loopdesign.report.basics.tables import CellValue

WORDS = {
    "phase_margin_deg": ("phase margin", "deg"), "gain_margin_db": ("gain margin", "dB"),
    "modulus_margin": ("modulus margin", ""), "crossover_hz": ("highest crossover", "Hz"),
    "lowest_crossover_hz": ("lowest crossover", "Hz"), "largest_multiplier": ("largest multiplier", ""),
}  # fmt: skip
"""Readings with their names and units."""
PART_UNIT = {"R": "ohm", "C": "F"}


def compare_verdict(found: Comparison) -> str:
    """Say whether any case is worse than the first.

    Parameters
    ----------
    found : Comparison
        The cases.

    Returns
    -------
    str
        One sentence.
    """
    worse = [name for name, told in zip(found.names, found.worse, strict=True) if told]
    if worse:
        return f"worse than {found.names[0]}: {', '.join(worse)}"
    others = "the other case is" if len(found.names) == 2 else f"the {len(found.names) - 1} other cases are"
    return f"{others} no worse than {found.names[0]}"


def verdict_table(found: Comparison) -> Table:
    """Set verdict, worst readings and step deviation of each case side by side.

    Parameters
    ----------
    found : Comparison
        The cases.

    Returns
    -------
    Table
        One row per reading, one column per case.
    """
    rows: list[tuple[CellValue, ...]] = [
        ("verdict", *(failing_word(c) for c in found.checks)),
        ("targets", *("met" if c.targets_met else "MISSED" for c in found.checks)),
    ]
    for name in READINGS:
        words, unit = WORDS[name]
        worst = [c.worst[name] for c in found.checks]
        if any(w is not None for w in worst):
            rows.append((words, *("-" if w is None else format_quantity(w.value, unit, 4) for w in worst)))
            rows.append(
                ("  at", *("" if w is None else f"{w.input_voltage:.4g} V, {w.load_current:.3g} A" for w in worst))
            )
    steps = [None if s is None else s.peak_deviation_v for s in found.step_deviations]
    if any(s is not None for s in steps):
        rows.append(("step deviation", *("-" if s is None else format_quantity(s, "V") for s in steps)))
    for name in part_names(found.checks):
        values = [c.parts.get(name) for c in found.checks]
        unit = PART_UNIT[name[0]]
        rows.append(
            (name, *("-" if v is None else "not fitted" if not v else format_quantity(v, unit) for v in values))
        )
    columns = (Column(heading="worst over everything examined", key=True), *_columns(found))
    return Table(title="Verdict, margins and parts", columns=columns, rows=tuple(rows))


def differences_table(found: Comparison) -> Table:
    """List the inputs that differ.

    Parameters
    ----------
    found : Comparison
        The cases.

    Returns
    -------
    Table
        One row per input, one column per case.
    """
    rows = [(quantity_name(key), *(_shown(v) for v in values)) for key, values in found.differences]
    return Table(
        title="Inputs that differ", columns=(Column(heading="input", key=True), *_columns(found)), rows=tuple(rows)
    )


def _columns(found: Comparison) -> tuple[Column, ...]:
    return tuple(Column(heading=name, key=True) for name in found.names)


def _shown(value: object) -> str:
    """Write an input as plainly as can be."""
    told = plain_input(value)
    if told is None:
        return "-"
    if isinstance(told, float):
        return f"{told:.6g}"
    if isinstance(told, list):
        return ", ".join(_shown(v) for v in told)
    return str(told)


def compare_text(found: Comparison, display: Display, *, wrote: tuple[str, ...] = ()) -> str:
    """Write a comparison for a terminal.

    Parameters
    ----------
    found : Comparison
        The cases.
    display : Display
        What it is shown on.
    wrote : tuple of str
        Files that were written.

    Returns
    -------
    str
        The verdict first, what it covers last.
    """
    blocks = [f"Verdict: {compare_verdict(found)}", laid_out(verdict_table(found), display)]
    if found.differences:
        blocks.append(laid_out(differences_table(found), display))
    for name, told in zip(found.names, found.worse, strict=True):
        blocks += [bullets(f"By what {name} is worse", told, display)] if told else []
    e = found.checks[0].examined
    nominal = all(not c.examined.tolerance_ends for c in found.checks)
    covered = "nominal corners; tolerances and temperatures are left out" if nominal else (
        f"nominal corners, temperatures and the worst tolerance ends ({e.points} points of the first case)"
    )  # fmt: skip
    blocks.append(paragraph(f"Inputs are in SI units. Each reading is the worst over {covered}.", display))
    blocks += [f"wrote {name}" for name in wrote]
    return lettered("\n\n".join(blocks), display)


def loops_figure(found: Comparison) -> Figure:
    """Draw the loop gain of each case at its corner with the least phase margin in one plot.

    Parameters
    ----------
    found : Comparison
        The cases.

    Returns
    -------
    Figure
        Magnitude [dB] above phase [deg] over frequency [Hz].
    """
    figure = own_figure(8.0, 7.0)
    upper, lower = figure.subplots(2, 1, sharex=True)
    hz = found.frequencies_hz
    for k, (name, loop, place) in enumerate(zip(found.names, found.loops, found.places, strict=True)):
        seen = np.isfinite(loop)
        style = {"color": shared.PALETTE[k % len(shared.PALETTE)], "linestyle": shared.DASHES[k % len(shared.DASHES)]}
        told = found.checks[k].stable or place.endswith(GROWS) or not seen.any()
        more = "" if told else f"; {failing_word(found.checks[k])} elsewhere"
        upper.plot(hz[seen], 20.0 * np.log10(np.abs(loop[seen])), label=f"{name}: {place}{more}", **style)
        lower.plot(hz[seen], np.degrees(np.unwrap(np.angle(loop[seen]))), **style)
    upper.axhline(0.0, color=shared.INK, linewidth=0.8)
    lower.axhline(-180.0, color=shared.INK, linewidth=0.8)
    upper.set_ylabel("magnitude [dB]")
    lower.set_ylabel("phase [deg]")
    for ax in (upper, lower):
        shared.frequency_axis(ax, hz, named=ax is lower)
    shared.phase_ticks(lower)
    figure.legend(loc="outside lower center", fontsize=8.5, frameon=False)
    figure.suptitle("Loop gain at the corner with the least phase margin", fontsize=10.5)
    return figure
