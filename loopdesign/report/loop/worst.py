"""The worst readings over temperatures and tolerance ends, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.worst import with_ends
from loopdesign.report.basics.status import stable_word
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.report.basics.tables import CellValue

WORDS = {
    "phase_margin_deg": ("phase margin", "deg"),
    "gain_margin_db": ("gain margin", "dB"),
    "modulus_margin": ("modulus margin", ""),
    "crossover_hz": ("highest crossover", "Hz"),
    "lowest_crossover_hz": ("lowest crossover", "Hz"),
    "largest_multiplier": ("largest multiplier", ""),
    "step_deviation_v": ("departure at the load step", "V"),
    "output_ripple_v": ("output ripple p-p", "V"),
}
"""What each reading is called, and its unit."""


SAME = 1e-9
"""Share of a value by which it may differ between corners and still be called the same."""


def worst_table(found: CheckResult) -> Table | None:
    """List the worst value of each reading and what makes it; None where only nominal parts were examined.

    Parameters
    ----------
    found : CheckResult
        The check.

    Returns
    -------
    Table or None
        One row per reading. Ends inside the tolerances are sampled by a spread and not examined here.
    """
    rows: list[tuple[CellValue, ...]] = []
    if found.beyond is None:
        return None
    warm = found.examined.temperatures > 1
    for name, (words, unit) in WORDS.items():
        reading = found.worst.get(name)
        if reading is None:
            continue
        value = format_quantity(reading.value, "Hz") if unit == "Hz" else f"{reading.value:.4g} {unit}".rstrip()
        place = f"{reading.input_voltage:.4g} V, {reading.load_current:.3g} A"
        place += f", {reading.temperature:.3g} degC" if warm else ""
        ends = with_ends(reading.ends, reading.leading).removeprefix(" with ") or "nominal parts"
        rows.append((words, value, stable_word(reading.stable), place, ends))
    headings = ("reading", "worst", "verdict", "at", "with")
    return Table(
        title="Worst of everything examined",
        columns=tuple(Column(heading=h, key=h in {"reading", "verdict"}) for h in headings),
        rows=tuple(rows),
        note="The ends named are those that matter for the reading, the strongest first. What lies between the ends of "
        "the tolerances is not examined here; a spread samples it.",
    )


def effective_table(found: CheckResult) -> Table | None:
    """List the part values that are not everywhere the given ones; None where all are.

    Parameters
    ----------
    found : CheckResult
        The check.

    Returns
    -------
    Table or None
        One row per value: as given, and lowest and highest over the nominal corners with where that is.
    """
    if not found.effective:
        return None
    columns = (
        Column(heading="part", key=True), Column(heading="value"), Column(heading="as given"), Column(heading="lowest"),
        Column(heading="highest"), Column(heading="lowest at"), Column(heading="highest at"),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for value in found.effective:
        low, high = int(np.argmin(value.values)), int(np.argmax(value.values))
        shown = [format_quantity(float(v), value.unit) for v in (value.given, value.values[low], value.values[high])]
        same = np.ptp(value.values) <= SAME * abs(float(value.values[high]))
        at = ["every corner"] * 2 if same else [corner_name(found.conditions, k) for k in (low, high)]
        rows.append((value.part, value.quantity, *shown, *at))
    return Table(
        title="Part values at bias, current and temperature, over the nominal corners",
        columns=columns,
        rows=tuple(rows),
    )


def effective_by_corner(found: CheckResult) -> Table | None:
    """List at every nominal corner the part values that are not everywhere the given ones; None where all are.

    Parameters
    ----------
    found : CheckResult
        The check.

    Returns
    -------
    Table or None
        One row per nominal corner and value.
    """
    if not found.effective:
        return None
    columns = (INPUT, LOAD, Column(heading="part"), Column(heading="value"), Column(heading="at this corner"))
    rows = tuple(
        (
            float(found.conditions.input_voltage[k]), float(found.conditions.load_current[k]), v.part, v.quantity,
            format_quantity(float(v.values[k]), v.unit),
        )
        for k in range(len(found.conditions))
        for v in found.effective
    )  # fmt: skip
    return Table(title="Part values corner by corner", columns=columns, rows=rows)
