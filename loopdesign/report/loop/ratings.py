"""What the parts carry against their ratings, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.report.basics.tables import Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
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
