"""The smallest parts in words and tables: the answer or the nearest miss, every combination, what was covered."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from loopdesign.report.basics.layout import laid_out, lettered, paragraph
from loopdesign.report.basics.tables import VERDICT, Column, Table, without_empty
from loopdesign.report.explore.sweep_text import point_verdict
from loopdesign.report.loop.terminal import bullets, parts_text
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.explore.combination import Combination
    from loopdesign.explore.size import SizeResult
    from loopdesign.report.basics.layout import Display
    from loopdesign.report.basics.tables import CellValue

MOST_REASONS = 3
"""Reasons told of the nearest miss."""
SHORT = (
    ("stability", ("unstable", "does not keep", "grows by")), ("output ripple", ("output ripple",)),
    ("step deviation", ("step deviation", "departs by")), ("rating", ("ratings.", "modulator.current_limit")),
    ("phase margin", ("phase margin",)), ("gain margin", ("gain margin",)), ("modulus margin", ("modulus margin",)),
    ("crossover", ("crossover",)), ("out of reach", ("out of reach",)),
)  # fmt: skip
"""A word for each kind of sentence that says what fails."""


def candidates_text(point: Combination) -> str:
    """Name the candidates of a combination in one line, such as "Co large; Cs 4.70 µF, 5.00 mΩ".

    Parameters
    ----------
    point : Combination
        The combination.

    Returns
    -------
    str
        Designators with names.
    """
    return "; ".join(f"{part} {name}" for part, name in point.names.items())


def missed_words(point: Combination) -> str:
    """Say in a few words what a combination fails.

    Parameters
    ----------
    point : Combination
        The combination.

    Returns
    -------
    str
        "ok" where it meets every target.
    """
    if point.targets_met:
        return "ok"
    told = [word for word, marks in SHORT if any(mark in r for r in point.reasons for mark in marks)]
    return f"MISSED: {', '.join(told)}" if told else "MISSED"


def size_verdict(found: SizeResult) -> str:
    """Say which combination is the smallest that meets every target, or that none does.

    Parameters
    ----------
    found : SizeResult
        The search.

    Returns
    -------
    str
        One sentence.
    """
    best, word = found.smallest, "cheapest" if found.weighed_by == "price" else "smallest"
    if best is None:
        return f"none of {found.combinations} combinations meets every target with any compensation found"
    return (
        f"the {word} of {found.combinations} combinations that meets every target is {candidates_text(best)}; total "
        f"{found.weighed_by} {best.cost:g}"
    )


def size_covered(found: SizeResult) -> str:
    """Say what was examined, what was skipped, and on what ground.

    Parameters
    ----------
    found : SizeResult
        The search.

    Returns
    -------
    str
        Some sentences.
    """
    count, alone = len(found.points), sum(c.stage_fails for c in found.points)
    where = (
        "at the nominal corners of line and load; tolerances and temperatures are left out"
        if found.nominal
        else "over line, load, temperature and the worst tolerance ends"
    )
    told = f"{count} of {found.combinations} combinations were examined, {where}, each with compensation of its own"
    if alone:
        told += f"; at {alone} the stage alone fails, which no compensation changes, and none was looked for"
    if found.skipped:
        told += (
            f"; {found.skipped} were skipped, each of which costs more than the smallest that meets every target, so "
            "that none of them can be the answer; the front is not known"
        )
    return f"{told}."


def size_table(found: SizeResult) -> Table:
    """Set verdict, margins and targets beside each combination, the cheapest first.

    Parameters
    ----------
    found : SizeResult
        The search.

    Returns
    -------
    Table
        One row per combination examined.
    """
    parts, known = list(found.points[0].names), not found.skipped
    columns = (
        Column(heading=f"total {found.weighed_by}", unit="", digits=4, key=True),
        *(Column(heading=part, key=True) for part in parts),
        VERDICT, Column(heading="targets", key=True), *((Column(heading="front"),) if known else ()),
        Column(heading="step deviation", unit="V", digits=4), Column(heading="output ripple p-p", unit="V", digits=3),
        Column(heading="phase margin", unit="deg", digits=3), Column(heading="gain margin", unit="dB", digits=3),
        Column(heading="modulus margin", unit="", digits=3), Column(heading="highest crossover", unit="Hz", digits=3),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for k, c in enumerate(found.points):
        place = str(1 + found.front.index(k)) if k in found.front else "-"
        verdict = "-" if c.stable is None else point_verdict(c.largest_multiplier, stable=c.stable)
        rows.append(
            (
                c.cost, *(c.names[p] for p in parts), verdict, missed_words(c),
                *((place,) if known else ()),
                c.peak_deviation_v, c.output_ripple_v, c.phase_margin_deg, c.gain_margin_db, c.modulus_margin,
                c.crossover_hz,
            )
        )  # fmt: skip
    note = "Each reading is the worst of everything examined of its combination; where targets are missed, that of the "
    note += "nearest compensation."
    if known:
        note += " On the front: met, and no other that meets every target is as cheap and departs less."
    return Table(title="Combinations, the cheapest first", columns=columns, rows=tuple(rows), note=note)


def size_notes(found: SizeResult) -> tuple[str, ...]:
    """Tell the compensation and the readings of the answer, or what the nearest miss fails.

    Parameters
    ----------
    found : SizeResult
        The search.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    best, nearest = found.smallest, found.nearest
    if best is not None:
        told = [f"its compensation: {parts_text(best.parts)}"]
        told += [_reading("step deviation", best.peak_deviation_v, found.limits.get("step_deviation"))]
        told += [_reading("output ripple", best.output_ripple_v, found.limits.get("output_ripple"))]
        if not found.stepped:
            told.append("the case has no load_step, so that the front is the cheapest combination alone")
        return tuple(filter(None, told))
    if nearest is None:
        return tuple(dict.fromkeys(r for c in found.points for r in c.reasons[:1]))[:MOST_REASONS]
    return (
        f"nearest miss: {candidates_text(nearest)}, total {found.weighed_by} {nearest.cost:g}",
        *nearest.reasons[:MOST_REASONS],
    )


def _reading(words: str, value: float | None, limit: float | None) -> str:
    """Write a reading beside its limit."""
    if value is None:
        return ""
    asked = "" if limit is None else f", {format_quantity(limit, 'V')} allowed"
    return f"{words} {format_quantity(value, 'V', 4)}{asked}"


def size_text(found: SizeResult, display: Display, *, wrote: tuple[str, ...] = ()) -> str:
    """Write a search for a terminal.

    Parameters
    ----------
    found : SizeResult
        The search.
    display : Display
        What it is shown on.
    wrote : tuple of str
        Files that were written.

    Returns
    -------
    str
        The verdict first, what it covers last.
    """
    blocks = [
        f"{found.title}",
        paragraph(f"Verdict: {size_verdict(found)}", display),
        laid_out(without_empty(size_table(found), keep=("verdict", "targets", "front")), display),
        bullets("What it reaches" if found.smallest is not None else "What fails", size_notes(found), display),
        paragraph(size_covered(found), display),
        *(f"wrote {name}" for name in wrote),
    ]
    return lettered("\n\n".join(blocks), display)


def size_csv(found: SizeResult) -> str:
    """Write the combinations as comma-separated values in SI units, with a heading.

    Parameters
    ----------
    found : SizeResult
        The search.

    Returns
    -------
    str
        One line per combination.
    """
    rows = found.to_rows()
    names = list(dict.fromkeys(name for row in rows for name in row))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, names, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows({k: "" if v is None else v for k, v in row.items()} for row in rows)
    return stream.getvalue()
