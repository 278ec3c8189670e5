"""The input filter in the report: a table of both verdicts, the damper proposed, and what to do about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.filter_study.study import ENOUGH_DB, LARGEST_RATIO
from loopdesign.analysis.findings.corner import corner_name
from loopdesign.report.basics.status import verdict_word
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.filter_study import FilterDamping, FilterStudy
    from loopdesign.margins.margins import LoopMargins
    from loopdesign.report.basics.tables import CellValue


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
                verdict_word(study.verdicts_without[item]),
                *_margins(study.margins_without, item),
                verdict_word(study.verdicts_with[item]),
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
    return (*told, *_proposed(study))


def _proposed(study: FilterStudy) -> tuple[str, ...]:
    """Say which damper is proposed, what it achieves, where that is less than the rule asks, and what is left out."""
    proposal = study.proposal
    if proposal is None or proposal.damping.capacitance is None:
        return ()
    effect = "every corner is then stable" if proposal.stable else "some corner is not stable all the same"
    least = float(proposal.separation.db.min())
    short = "" if proposal.enough else (
        f", less than the {ENOUGH_DB:g} dB it was to reach: a capacitor of {LARGEST_RATIO:g} times the filter's is the "
        "most that is proposed; a smaller choke or a larger filter capacitor helps further"
    )  # fmt: skip
    told = [
        (
            f"proposed damper: {format_quantity(proposal.damping.resistance, 'ohm')} in series with "
            f"{format_quantity(proposal.damping.capacitance, 'F')} across the filter capacitor; the smallest "
            f"separation is then {least:.1f} dB{short}; {effect}"
        )
    ]
    told += [
        f"a damper {d.kind} is not proposed: for the same peak it would cost {d.attenuation_loss_db:.0f} dB of "
        "attenuation"
        for d in proposal.left_out
    ]
    return tuple(told)


def _margins(margins: tuple[LoopMargins, ...], item: int) -> tuple[float | None, float | None]:
    """Crossover and phase margin of one corner, where there is a loop."""
    return (margins[item].crossover_hz, margins[item].phase_margin_deg) if margins else (None, None)


def _damper_row(damping: FilterDamping) -> tuple[CellValue, ...]:
    return (
        damping.kind, damping.resistance, damping.capacitance, damping.inductance, damping.peak, damping.peak_hz,
        damping.attenuation_loss_db,
    )  # fmt: skip
