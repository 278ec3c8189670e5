"""A measured response beside the prediction, as tables and sentences, and as text for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.bench.compare import FLOOR_DB, FLOOR_DEG, FLOOR_LEVEL_DB
from loopdesign.report.basics.layout import Display, laid_out, lettered, paragraph
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.loop.response_text import OSCILLATES
from loopdesign.report.loop.terminal import bullets
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.bench.result import BenchResult

UNITS_OF_VALUES = {
    "inductance": "H", "capacitance": "F", "esr": "ohm", "resistance": "ohm", "secondary_resistance": "ohm",
    "drop": "V",
    "sense_gain": "V/A", "slope": "V/s", "ramp": "V", "turn_off_delay": "s", "gm": "S", "output_resistance": "ohm",
    "gain_bandwidth": "Hz", "reference": "V", "bandwidth": "Hz", "pull_up": "ohm", "led_resistance": "ohm",
    "upper": "ohm", "lower": "ohm", "feedforward": "F", "input_resistance": "ohm", "R1": "ohm", "R2": "ohm", "C1": "F",
    "C2": "F", "C3": "F",
}  # fmt: skip
"""Unit of a fitted value by the last word of its key; none for a ratio."""
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
    verdict = "stable" if held.stable else "UNSTABLE"
    read_as = f"{read.values}, frequency in {read.frequency} (separator: {read.separator}, decimal: {read.decimal})"
    largest = f"{difference.largest_db:+.2g} dB at most, at {format_quantity(difference.at_hz, 'Hz')}"
    return (
        f"{held.source}: {held.points} points of the {held.quantity.replace('-', ' ')}, read as {read_as}",
        f"The model with nominal parts is {verdict} at {where}.",
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
    notes = [] if held.stable else [OSCILLATES]
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
        Name of the case file with the fitted values, where one was written.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        The sentence first, then facts, margins and notes.
    """
    pieces = [paragraph(held.sentence, display), *(paragraph(fact, display) for fact in bench_facts(held))]
    table = both_margins_table(held)
    if table is not None:
        pieces += ["", laid_out(table, display)]
    notes = [*bench_notes(held), *([f"wrote {written} with the fitted values"] if written else [])]
    if notes:
        pieces += ["", bullets("Notes", notes, display)]
    return lettered("\n".join(pieces), display)


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
    """Say what the fit found, one sentence for each value."""
    if held.fit is None:
        return []
    told = []
    for key, part in held.fit.parts.items():
        unit = UNITS_OF_VALUES.get(key.rpartition(".")[2], "")
        nominal, value, low, high = (
            format_quantity(v, unit, 4) if unit else f"{v:.4g}" for v in (part.nominal, part.value, part.low, part.high)
        )
        if part.seen:
            told.append(f"{key}: {value} instead of {nominal} (95 % between {low} and {high})")
        else:
            told.append(f"{key}: the data do not tell of it; kept at {nominal}")
    told += [f"{a} and {b} act nearly alike: the data hardly part them" for a, b in held.fit.correlated]
    return told
