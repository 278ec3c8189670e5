"""The worst readings over temperatures and tolerance ends, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.findings.worst import with_ends
from loopdesign.report.basics.tables import Column, Table
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
}
"""What each reading is called, and its unit."""


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
    for name, (words, unit) in WORDS.items():
        reading = found.worst.get(name)
        if reading is None:
            continue
        value = format_quantity(reading.value, "Hz") if unit == "Hz" else f"{reading.value:.4g} {unit}".rstrip()
        place = f"{reading.input_voltage:.4g} V, {reading.load_current:.3g} A, {reading.temperature:.3g} degC"
        rows.append((words, value, place, with_ends(reading.ends).removeprefix(" with ") or "nominal parts"))
    if not rows:
        return None
    headings = ("reading", "worst", "at", "with")
    return Table(
        title="Worst over every temperature and the worst tolerance ends",
        columns=tuple(Column(heading=h) for h in headings),
        rows=tuple(rows),
    )
