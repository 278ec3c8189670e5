"""A sweep in words and tables: how much of it is stable, what could not be examined, what the points cover."""

from __future__ import annotations

import csv
import io
from collections import Counter
from typing import TYPE_CHECKING

from loopdesign.report.basics.layout import laid_out, lettered, paragraph
from loopdesign.report.basics.tables import VERDICT, Column, Table, without_empty
from loopdesign.report.loop.terminal import bullets, parts_text
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.explore.sweep import SweepResult
    from loopdesign.report.basics.layout import Display
    from loopdesign.report.basics.tables import CellValue

MOST_ROWS = 150
"""Points that a terminal shows; more stand in the files."""
MOST_REASONS = 6
"""Different reasons told why points could not be examined."""


def quantity_name(key: str) -> str:
    """Say a path of the case file as words for a heading.

    Parameters
    ----------
    key : str
        Such as ``stage.Cs.capacitance``.

    Returns
    -------
    str
        Such as ``Cs capacitance``.
    """
    section, _, rest = key.partition(".")
    return (rest if section in {"stage", "compensation", "modulator", "specification"} else key).replace(
        ".", " "
    ).replace("_", " ")  # fmt: skip


def covered(swept: SweepResult) -> str:
    """Say what a point stands for.

    Parameters
    ----------
    swept : SweepResult
        The sweep.

    Returns
    -------
    str
        A sentence or two.
    """
    if swept.worst:
        told = "Each point is the worst over line, load, temperature and the worst tolerance ends."
    else:
        told = (
            "Each point is the worst over the nominal corners of line and load; tolerances and temperatures are left "
            "out."
        )
    if swept.redesign:
        told += " The compensation is chosen anew at every point."
    if any(p.targets_met is None and p.error is None for p in swept.points):
        told += (
            " Points of so large a map are solved together: their readings agree with those of a check within a "
            "hundred-thousandth, and only verdict and loop are examined, not whether every target is met."
        )
    return told


def sweep_verdict(swept: SweepResult) -> str:
    """Say how many points are stable, how many could not be examined, and where the plot tells the contrary.

    Parameters
    ----------
    swept : SweepResult
        The sweep.

    Returns
    -------
    str
        One sentence.
    """
    stable, count = sum(bool(p.stable) for p in swept.points), len(swept.points)
    where = "at everything examined" if swept.worst else "at every nominal corner"
    told = f"{stable} of {count} points are stable {where}"
    misleading = sum(bool(p.misleading) for p in swept.points)
    if misleading:
        told += f"; at {misleading} the loop gain shows the margins asked for and the converter is UNSTABLE"
    return told + (f"; {swept.failed} could not be examined" if swept.failed else "")


def sweep_table(swept: SweepResult) -> Table:
    """Set verdict and margins beside the values of each point.

    Parameters
    ----------
    swept : SweepResult
        The points.

    Returns
    -------
    Table
        One row per point.
    """
    columns = [Column(heading=quantity_name(q.key), unit=q.unit, digits=4, key=True) for q in swept.varied]
    columns += [
        VERDICT, Column(heading="largest multiplier", unit="", digits=5),
        Column(heading="highest crossover", unit="Hz", digits=4), Column(heading="phase margin", unit="deg", digits=4),
        Column(heading="gain margin", unit="dB", digits=4), Column(heading="modulus margin", unit="", digits=3),
        Column(heading="step deviation", unit="V", digits=3), Column(heading="mode"),
    ]  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for p in swept.points:
        verdict = "not examined" if p.error is not None else point_verdict(p.largest_multiplier, stable=bool(p.stable))
        rows.append(
            (
                *p.values, verdict, p.largest_multiplier, p.crossover_hz, p.phase_margin_deg, p.gain_margin_db,
                p.modulus_margin, p.peak_deviation_v, p.mode,
            )
        )  # fmt: skip
    return Table(title="Sweep", columns=tuple(columns), rows=tuple(rows))


def point_verdict(largest_multiplier: float | None, *, stable: bool) -> str:
    """Say the verdict of several corners in a word: where no disturbance grows, a corner is not held by its controller.

    Parameters
    ----------
    largest_multiplier
        The largest of all corners [unitless]; None where it is not known.
    stable
        Whether every corner is stable and held [unitless].
    """
    if stable:
        return "stable"
    return "NOT HELD" if largest_multiplier is not None and largest_multiplier < 1.0 else "UNSTABLE"


def sweep_notes(swept: SweepResult) -> tuple[str, ...]:
    """Say why points could not be examined, each reason once with how often it holds, and where the boundary lies.

    Parameters
    ----------
    swept : SweepResult
        The points.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    reasons = Counter(p.error for p in swept.points if p.error is not None)
    told = [
        f"{n} {'point' if n == 1 else 'points'} not examined: {why}" for why, n in reasons.most_common(MOST_REASONS)
    ]
    if len(reasons) > MOST_REASONS:
        told.append(f"{len(reasons) - MOST_REASONS} further reasons stand in --json and --csv")
    if swept.chosen:
        told.append(f"chosen once, for the case as it stands, and kept: {parts_text(swept.chosen)}")
    return (*boundary_sentences(swept), *told)


def boundary_sentences(swept: SweepResult) -> tuple[str, ...]:
    """Say where the largest multiplier is one.

    Parameters
    ----------
    swept : SweepResult
        The sweep.

    Returns
    -------
    tuple of str
        Empty where no boundary was looked for.
    """
    if swept.boundary is None:
        return ()
    told = []
    curves = swept.boundary.curves
    if len(swept.varied) == 1 and curves:
        q = swept.varied[0]
        at = ", ".join(format_quantity(float(c[0, 0]), q.unit, 5) for c in curves)
        told.append(f"the largest multiplier of the nominal corners is 1 at {quantity_name(q.key)} {at}")
    elif curves:
        count = sum(len(c) for c in curves)
        told.append(
            f"the boundary of stability is traced at {count} places, where the largest multiplier is 1 within 1e-6"
        )
    if swept.boundary.jumps:
        told.append(
            f"between {swept.boundary.jumps} pairs of neighbouring points stability changes without the multiplier "
            "passing 1 steadily: no boundary is traced there"
        )
    return tuple(told)


def sweep_text(swept: SweepResult, display: Display, *, wrote: tuple[str, ...] = ()) -> str:
    """Write a sweep for a terminal.

    Parameters
    ----------
    swept : SweepResult
        The points.
    display : Display
        What it is shown on.
    wrote : tuple of str
        Files that were written.

    Returns
    -------
    str
        The verdict first, what it covers last.
    """
    table = without_empty(sweep_table(swept))
    blocks = [f"{swept.title}\n\nVerdict: {sweep_verdict(swept)}"]
    if len(table.rows) <= MOST_ROWS or display.details:
        blocks.append(laid_out(table, display))
    else:
        blocks.append(
            paragraph(f"{len(table.rows)} points: --details lists them, --csv and --output write them.", display)
        )
    notes = sweep_notes(swept)
    blocks += [bullets("Notes", notes, display)] if notes else []
    blocks.append(paragraph(covered(swept), display))
    blocks += [f"wrote {name}" for name in wrote]
    return lettered("\n\n".join(blocks), display)


def sweep_csv(swept: SweepResult) -> str:
    """Write the points as comma-separated values in SI units, with a heading.

    Parameters
    ----------
    swept : SweepResult
        The points.

    Returns
    -------
    str
        One line per point.
    """
    rows = swept.to_rows()
    names = list(dict.fromkeys(name for row in rows for name in row))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, names, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows({k: "" if v is None else v for k, v in row.items()} for row in rows)
    return stream.getvalue()


def sweep_sentences(swept: SweepResult) -> tuple[str, ...]:
    """Say everything about a sweep but its points.

    Parameters
    ----------
    swept : SweepResult
        The points.

    Returns
    -------
    tuple of str
        One sentence each, the verdict first.
    """
    return (sweep_verdict(swept), *sweep_notes(swept), covered(swept))
