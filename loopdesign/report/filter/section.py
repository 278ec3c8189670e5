"""The input filter in the report: impedances over frequency, change of the loop, and a table of both verdicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.status import stable_word
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loopdesign.analysis.filter_study import FilterDamping, FilterStudy
    from loopdesign.margins.margins import LoopMargins
    from loopdesign.report.basics.tables import CellValue


def impedance_figure(study: FilterStudy) -> Figure:
    """Draw output impedance of the filter and input impedance of the converter, one plot per load current."""
    loads = _loads(study)
    figure = shared.bare_figure(max(5.6 * len(loads), 7.0), 4.6)
    for ax, load in zip(figure.subplots(1, len(loads), sharey=True, squeeze=False)[0], loads, strict=True):
        plot_filter_impedances(study, load, ax=ax)
    figure.suptitle("Input filter against converter")
    return figure


def loop_change_figure(study: FilterStudy) -> Figure | None:
    """Draw what the filter adds to the loop gain, one plot per load current; None where no loop is given."""
    if not study.closed:
        return None
    loads = _loads(study)
    figure = shared.bare_figure(max(5.6 * len(loads), 7.0), 4.2)
    for ax, load in zip(figure.subplots(1, len(loads), sharey=True, squeeze=False)[0], loads, strict=True):
        plot_loop_change(study, load, ax=ax)
    figure.suptitle("Loop gain with the input filter, over that without")
    return figure


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
    from matplotlib.ticker import EngFormatter  # noqa: PLC0415

    ax = shared.bare_figure(7.0, 4.6).subplots() if ax is None else ax
    f = study.frequencies_hz
    near, items = study.separation, _items(study, load_current)
    for rank, item in enumerate(items):
        colour, dashes = _style(rank)
        name = f"{study.conditions.input_voltage[item]:.4g} V: {near.db[item]:.1f} dB, {_verdict_change(study, item)}"
        ax.plot(f, np.abs(study.converter_ohm[item]), color=colour, linestyle=dashes, label=f"converter, {name}")
        ends = (near.filter_ohm[item], near.converter_ohm[item])
        ax.plot([near.frequency_hz[item]] * 2, ends, color=colour, linewidth=1.0, marker="_", markersize=7)
    worst = min(items, key=lambda i: float(near.db[i]))
    middle = (near.frequency_hz[worst], float(np.sqrt(near.filter_ohm[worst] * near.converter_ohm[worst])))
    text = f"  {near.db[worst]:.1f} dB at {format_quantity(float(near.frequency_hz[worst]), 'Hz')}"
    ax.annotate(text, middle, fontsize=8, color=shared.INK, va="center")
    # a filter capacitor's bias hardly parts the curves of the other input voltages
    ax.plot(f, np.abs(study.filter_ohm[items[0]]), color=shared.INK, linewidth=2.0, label="filter")
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(EngFormatter(sep=" "))
    ax.set_ylabel("impedance [ohm]")
    shared.frequency_axis(ax, f, named=True)
    shared.legend_above(ax, f"load {load_current:.3g} A")
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
    ax = shared.bare_figure(7.0, 4.2).subplots() if ax is None else ax
    for rank, item in enumerate(_items(study, load_current)):
        colour, dashes = _style(rank)
        name = f"{study.conditions.input_voltage[item]:.4g} V: {_verdict_change(study, item)}"
        ax.plot(study.frequencies_hz, study.loop_change_db[item], color=colour, linestyle=dashes, label=name)
    ax.axhline(0.0, color=shared.FAINT, linewidth=0.8)
    ax.set_ylabel("change of the loop gain [dB]")
    shared.frequency_axis(ax, study.frequencies_hz, named=True)
    shared.legend_above(ax, f"load {load_current:.3g} A")
    return ax


def filter_table(study: FilterStudy) -> Table:
    """Smallest separation, verdict and margins without and with the filter, at every corner.

    Parameters
    ----------
    study
        The study.

    Returns
    -------
    Table
        One row per corner; crossover and phase margin stand beside the verdict they belong to.
    """
    columns = (
        INPUT, LOAD, Column(heading="separation", unit="dB"), Column(heading="at", unit="Hz"),
        Column(heading="filter", unit="ohm"), Column(heading="converter", unit="ohm"),
        Column(heading="without filter"), Column(heading="crossover", unit="Hz"),
        Column(heading="phase margin", unit="deg"),
        Column(heading="with filter"), Column(heading="crossover with filter", unit="Hz"),
        Column(heading="phase margin with filter", unit="deg"),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for item in range(len(study.conditions)):
        near = study.separation
        rows.append(
            (
                float(study.conditions.input_voltage[item]),
                float(study.conditions.load_current[item]),
                float(near.db[item]),
                float(near.frequency_hz[item]),
                float(near.filter_ohm[item]),
                float(near.converter_ohm[item]),
                stable_word(study.verdicts_without[item].stable),
                *_margins(study.margins_without, item),
                stable_word(study.verdicts_with[item].stable),
                *_margins(study.margins_with, item),
            )
        )
    return Table(title="Input filter against converter", columns=columns, rows=tuple(rows))


def damper_table(study: FilterStudy) -> Table | None:
    """List the proposed damper and the two other kinds for the same peak; None where none is proposed."""
    if study.proposal is None:
        return None
    columns = (
        Column(heading="damper"), Column(heading="resistance", unit="ohm"), Column(heading="capacitance", unit="F"),
        Column(heading="inductance", unit="H"), Column(heading="peak", unit="ohm"), Column(heading="at", unit="Hz"),
        Column(heading="attenuation lost", unit="dB"),
    )  # fmt: skip
    dampers = (study.proposal.damping, *study.proposal.alternatives)
    return Table(title="Dampers for the input filter", columns=columns, rows=tuple(_damper_row(d) for d in dampers))


def filter_sentences(study: FilterStudy) -> tuple[str, ...]:
    """Say what the filter does and what to do about it, warnings first.

    Parameters
    ----------
    study
        The study.

    Returns
    -------
    tuple of str
        Never empty.
    """
    told = list(study.warnings)
    near = study.separation
    worst = int(np.argmin(near.db))
    if not told:
        told.append(
            f"the input filter keeps {near.db[worst]:.1f} dB from the converter's input impedance; nearest at "
            f"{corner_name(study.conditions, worst)} and {format_quantity(float(near.frequency_hz[worst]), 'Hz')}"
        )
    proposal = study.proposal
    if proposal is not None and proposal.damping.capacitance is not None:
        effect = "every corner is then stable" if proposal.stable else "some corner is UNSTABLE all the same"
        told.append(
            f"proposed damper: {format_quantity(proposal.damping.resistance, 'ohm')} in series with "
            f"{format_quantity(proposal.damping.capacitance, 'F')} across the filter capacitor; the smallest "
            f"separation is then {proposal.separation.db.min():.1f} dB and {effect}"
        )
    return tuple(told)


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
    word = stable_word(with_filter)
    return word if without == with_filter else f"{word} ({stable_word(without)} without filter)"


def _margins(margins: tuple[LoopMargins, ...], item: int) -> tuple[float | None, float | None]:
    """Crossover and phase margin of one corner, where there is a loop."""
    return (margins[item].crossover_hz, margins[item].phase_margin_deg) if margins else (None, None)


def _damper_row(damping: FilterDamping) -> tuple[CellValue, ...]:
    return (
        damping.kind, damping.resistance, damping.capacitance, damping.inductance, damping.peak, damping.peak_hz,
        damping.attenuation_loss_db,
    )  # fmt: skip
