"""What the parts carry against their ratings, and what leakage and clamp do, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.worst import with_ends
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.findings.clamp import ClampStudy, HighestFinding
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
        INPUT, LOAD, Column(heading="clamp average", unit="V"), Column(heading="clamp peak", unit="V"),
        Column(heading="reflected", unit="V"), Column(heading="clamp loss", unit="W"),
        Column(heading="of it in Rc", unit="W"), Column(heading="switch peak", unit="V"),
        Column(heading="duty lost", unit="%"),
    )  # fmt: skip
    series = (
        at.conditions.input_voltage, at.conditions.load_current, at.clamp_voltage, at.clamp_voltage_peak,
        at.reflected_voltage, at.clamp_loss, at.resistor_loss, at.switch_voltage_peak, at.lost_duty,
    )  # fmt: skip
    rows = tuple(tuple(float(s[k]) for s in series) for k in range(len(at.conditions)))
    note = (
        "The clamp's voltage counts from the supply; reflected is the output with the rectifier's drop, seen from the "
        "primary; duty is lost while switch and rectifier conduct together and the current changes windings."
    )
    return Table(title="Leakage and clamp, nominal parts", columns=columns, rows=rows, note=note)


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
    at = study.nominal
    loss, switch = int(np.argmax(at.clamp_loss)), int(np.argmax(at.switch_voltage_peak))
    told = (
        f"clamp, nominal parts: loss up to {format_quantity(float(at.clamp_loss[loss]), 'W')} "
        f"({corner_name(at.conditions, loss)}), switch voltage up to "
        f"{format_quantity(float(at.switch_voltage_peak[switch]), 'V')} ({corner_name(at.conditions, switch)})"
    )
    if study.at_ends:
        heat, peak = study.at_ends["clamp_loss"], study.at_ends["switch_voltage_peak"]
        few = study.corners_at_ends < len(at.conditions)
        told += f"; at the tolerance ends of leakage, clamp and L1{_highest_corners(study) if few else ''}: "
        told += f"loss up to {format_quantity(heat.value, 'W')} ({_place(heat)}), "
        told += f"switch voltage up to {format_quantity(peak.value, 'V')} ({_place(peak)})"
    told += "".join(f"; {lost}" for lost in study.failed)
    return f"{told}. Winding capacitance is left out: ringing adds to the switch voltage"


def _highest_corners(study: ClampStudy) -> str:
    return f", solved at the {study.corners_at_ends} corners of the highest voltage and loss"


def _place(found: HighestFinding) -> str:
    """Corner and ends of a highest finding."""
    return f"{found.input_voltage:.4g} V, {found.load_current:.3g} A{with_ends(found.ends)}"
