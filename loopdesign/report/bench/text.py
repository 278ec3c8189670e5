"""A measured response beside the prediction, as tables and sentences, and as text for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.given import outside_specification
from loopdesign.bench.compare import FLOOR_DB, FLOOR_DEG, FLOOR_LEVEL_DB
from loopdesign.bench.words import refined_text
from loopdesign.corners.conditions import Corners
from loopdesign.report.basics.layout import Display, laid_out, lettered, paragraph
from loopdesign.report.basics.status import verdict_word
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.loop.response_text import notes as response_notes
from loopdesign.report.loop.terminal import bullets, parts_text
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.bench.board import Board
    from loopdesign.bench.result import BenchResult
    from loopdesign.synthesis.choice.result import Choice

MOST_REASONS = 6
"""Most rows whose reason is told in full; further ones are counted."""


def both_margins_table(held: BenchResult) -> Table | None:
    """Set the margins of measured and predicted loop side by side.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    Table or None
        Two rows; None where no loop was measured.
    """
    if held.quantity != "loop":
        return None
    columns = (
        Column(heading="loop", key=True), Column(heading="crossover", unit="Hz"),
        Column(heading="phase margin", unit="deg"),
        Column(heading="gain margin", unit="dB"), Column(heading="modulus margin", unit="1"),
    )  # fmt: skip
    rows = tuple(
        (name, m.crossover_hz, m.phase_margin_deg, m.gain_margin_db, m.modulus_margin)
        for name, m in (("measured", held.measured), ("predicted", held.predicted))
    )
    return Table(title="Margins", columns=columns, rows=rows)


def fitted_table(held: BenchResult) -> Table | None:
    """Set fitted values beside the nominal ones.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    Table or None
        One row for each value; None where nothing was fitted.
    """
    if held.fit is None or not held.fit.parts:
        return None
    columns = (
        Column(heading="value", key=True), Column(heading="in the case"), Column(heading="fitted"),
        Column(heading="95 % from"), Column(heading="to"),
    )  # fmt: skip
    rows = []
    for key, part in held.fit.parts.items():
        cells = [refined_text(key, v, 4) for v in (part.nominal, part.value, part.low, part.high)]
        rows.append((key, *cells) if part.seen else (key, cells[0], "not seen", "-", "-"))
    return Table(title="Fitted values", columns=columns, rows=tuple(rows))


def causes_table(held: BenchResult) -> Table | None:
    """List the explanations tried by their odds.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    Table or None
        The likeliest first; None where none were tried.
    """
    if held.fit is None or not held.fit.causes:
        return None
    rows = []
    for cause in held.fit.causes:
        what = " and ".join(f"{k} {refined_text(k, v)}" for k, v in cause.values.items())
        rows.append((what or "every part as planned", f"{100.0 * cause.odds:.1f}"))
    columns = (Column(heading="explanation", key=True), Column(heading="odds", unit="%"))
    return Table(title="Explanations tried, single parts and pairs", columns=columns, rows=tuple(rows))


def bench_tables(held: BenchResult) -> list[Table]:
    """Return every table of a comparison, in reading order.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    list of Table
        Those that there are.
    """
    tables = (both_margins_table(held), causes_table(held), fitted_table(held))
    return [table for table in tables if table is not None]


def bench_facts(held: BenchResult) -> tuple[str, ...]:
    """Say what was read and how far the two lie apart.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    read, difference = held.read_as, held.difference
    where = f"{held.point.input_voltage:.4g} V, {held.point.load_current:.3g} A"
    read_as = f"{read.values}, frequency in {read.frequency} (separator: {read.separator}, decimal: {read.decimal})"
    largest = f"{difference.largest_db:+.2g} dB at most, at {format_quantity(difference.at_hz, 'Hz')}"
    return (
        f"{held.source}: {held.points} points of the {held.quantity.replace('-', ' ')}, read as {read_as}",
        f"The model with nominal parts is {verdict_word(held.verdict)} at {where}.",
        f"Difference: {difference.rms_db:.2g} dB and {difference.rms_deg:.2g} deg root mean square, {largest}",
    )


def bench_notes(held: BenchResult) -> tuple[str, ...]:
    """Say what was left out or taken out, and what the fit found.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    at = Corners(
        input_voltage=np.array([held.point.input_voltage]), load_current=np.array([held.point.load_current]),
        temperature=np.array([held.case.nominal_temperature]),
    )  # fmt: skip
    notes = [*response_notes(held.verdict), *outside_specification(held.case, at)]
    notes += [f"read as {what}: neither a heading nor an option says so" for what in held.guessed]
    if held.inversion_removed:
        notes.append("the measured loop holds the 180 degrees of the inversion; they were taken out")
    if held.repeats:
        notes.append(f"{held.repeats} rows repeat a frequency and were averaged with it")
    notes += _left_out(held)
    return (*notes, *_fitted(held))


def bench_text(held: BenchResult, *, written: str = "", display: Display) -> str:
    """Write the comparison for the terminal.

    Parameters
    ----------
    held : BenchResult
        The comparison.
    written : str
        What was written where, as a sentence.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        The sentence first, then facts, margins and notes.
    """
    pieces = [paragraph(held.sentence, display), *(paragraph(fact, display) for fact in bench_facts(held))]
    for table in bench_tables(held):
        pieces += ["", laid_out(table, display)]
    notes = [*bench_notes(held), *([written] if written else [])]
    if notes:
        pieces += ["", bullets("Notes", notes, display)]
    return lettered("\n".join(pieces), display)


def redesign_text(choice: Choice | str, board: Board, *, display: Display) -> str:
    """Write the compensation that was chosen for the board as it is.

    Parameters
    ----------
    choice : Choice or str
        The choice, or why there is none.
    board : Board
        The design with the fitted values.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        The parts, with their verdict.
    """
    if isinstance(choice, str):
        return lettered(paragraph(f"New compensation for this board: none. {choice}", display), display)
    parts = {k: choice.check.parts[k] for k in choice.check.parts}
    given = {} if board.case.compensation is None else board.case.compensation.parts
    before = {k: v for k, v in given.items() if v is not None}
    verdict = "stable, every target met" if choice.check.targets_met else "targets missed"
    told = f"New compensation for this board: {parts_text(parts)} instead of {parts_text(before)} ({verdict})."
    return lettered(paragraph(told, display), display)


def _left_out(held: BenchResult) -> list[str]:
    """Count the rows left out by reason, and name the first of each."""
    reasons: dict[str, list[int]] = {}
    for row in held.dropped:
        reasons.setdefault(row.reason, []).append(row.row)
    told = []
    for reason, rows in reasons.items():
        named = ", ".join(map(str, rows[:MOST_REASONS])) + (" ..." if len(rows) > MOST_REASONS else "")
        count = "1 row was" if len(rows) == 1 else f"{len(rows)} rows were"
        told.append(f"{count} left out: {reason} (row {named})")
    if "in the noise floor" in reasons:
        told.append(
            f"noise floor: gain and phase scatter by more than {FLOOR_DB:g} dB and {FLOOR_DEG:g} deg among neighbours, "
            f"{FLOOR_LEVEL_DB:g} dB or more away from where both channels are of one size"
        )
    return told


def _fitted(held: BenchResult) -> list[str]:
    """Say what the fit could not tell."""
    if held.fit is None:
        return []
    told = [
        f"{key}: the data do not tell of it; kept at {refined_text(key, part.nominal, 4)}"
        for key, part in held.fit.parts.items()
        if not part.seen
    ]
    return told + [f"{a} and {b} act nearly alike: the data hardly part them" for a, b in held.fit.correlated]
