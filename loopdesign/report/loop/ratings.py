"""What the parts carry against their ratings, and what leakage and clamp do, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.findings.clamp import ClampFindings, ClampStudy
    from loopdesign.report.basics.tables import CellValue


def ratings_table(found: CheckResult) -> Table | None:
    """List every rating with what is allowed and the most that is reached; None where the case gives none.

    Parameters
    ----------
    found : CheckResult
        The check.

    Returns
    -------
    Table or None
        One row per rating; one that is exceeded is marked EXCEEDED.
    """
    if not found.stresses:
        return None
    rows: list[tuple[CellValue, ...]] = []
    for stress in found.stresses:
        worst = int(np.argmax(stress.reached))
        reached = float(stress.reached[worst])
        what = stress.part if stress.name == "current_limit" else f"{stress.part} {stress.name.partition('_')[2]}"
        rows.append(
            (
                what,
                format_quantity(float(stress.rating), stress.unit),
                format_quantity(float(stress.allowed), stress.unit),
                format_quantity(reached, stress.unit),
                corner_name(found.conditions, worst),
                f"{100.0 * (1.0 - reached / stress.allowed):.0f} %",
                "ok" if stress.met else "EXCEEDED",
            )
        )
    headings = ("part", "rated or limited at", "allowed", "reached", "at", "reserve", "verdict")
    return Table(title="Ratings", columns=tuple(Column(heading=h) for h in headings), rows=tuple(rows))


def clamp_table(study: ClampStudy) -> Table:
    """List what leakage and clamp do at every corner, nominal parts.

    Parameters
    ----------
    study : ClampStudy
        Leakage and clamp.

    Returns
    -------
    Table
        One row per corner.
    """
    at = study.nominal
    columns = (
        INPUT, LOAD, Column(heading="clamp voltage", unit="V"), Column(heading="its peak", unit="V"),
        Column(heading="reflected output", unit="V"), Column(heading="clamp loss", unit="W"),
        Column(heading="of it in the resistor", unit="W"), Column(heading="switch peak voltage", unit="V"),
        Column(heading="duty lost to commutation", unit="%"),
    )  # fmt: skip
    series = (
        at.conditions.input_voltage, at.conditions.load_current, at.clamp_voltage, at.clamp_voltage_peak,
        at.reflected_voltage, at.clamp_loss, at.resistor_loss, at.switch_voltage_peak, at.lost_duty,
    )  # fmt: skip
    rows = tuple(tuple(float(s[k]) for s in series) for k in range(len(at.conditions)))
    return Table(title="Leakage and clamp", columns=columns, rows=rows)


def clamp_sentence(study: ClampStudy) -> str:
    """Say what the clamp turns into heat and what the switch sees at most, and with which parts.

    Parameters
    ----------
    study : ClampStudy
        Leakage and clamp.

    Returns
    -------
    str
        One or two sentences; they say that ringing is left out.
    """
    told = f"clamp, nominal parts: {_clamped(study.nominal)}"
    if study.at_ends is not None:
        ends = ", ".join(f"{name} {100.0 * end:+.3g} %" for name, end in study.ends.items())
        told += f"; with {ends}: {_clamped(study.at_ends)}"
    return f"{told}. Winding capacitance is left out: ringing adds to the switch voltage"


def _clamped(found: ClampFindings) -> str:
    """Highest loss and highest switch voltage, each with its corner."""
    loss, switch = int(np.argmax(found.clamp_loss)), int(np.argmax(found.switch_voltage_peak))
    return (
        f"loss up to {format_quantity(float(found.clamp_loss[loss]), 'W')} ({corner_name(found.conditions, loss)}), "
        f"switch voltage up to {format_quantity(float(found.switch_voltage_peak[switch]), 'V')} "
        f"({corner_name(found.conditions, switch)})"
    )
