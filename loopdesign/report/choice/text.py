"""How the parts were chosen, in tables and sentences: objective, alternatives, limiting target, divider and ramp."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics.layout import PIPE, Display, laid_out, paragraph
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.loop.terminal import parts_text
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.report.basics.tables import CellValue
    from loopdesign.synthesis.choice.choose import Choice
    from loopdesign.synthesis.search.search import Candidate

OBJECTIVES = {
    "bandwidth": ("highest worst-case crossover", "worst-case crossover", "Hz"),
    "margin": ("largest worst-case modulus margin", "worst-case modulus margin", ""),
    "step": ("smallest worst-case bound on the step deviation", "worst-case bound on the step deviation", "V"),
    "crossover": ("highest crossover nearest to the one asked for", "crossover to come near", "Hz"),
}
_CHANGE = re.compile(r"([+-][\d.]+) %")


def alternatives_table(found: Choice) -> Table:
    """Set the choice beside the best combinations that differ in more than one step each."""
    words, heading, unit = OBJECTIVES[found.prefer]
    columns = (
        Column(heading="choice", key=True), Column(heading="parts"),
        Column(heading=heading, unit=unit, digits=4), Column(heading="highest crossover", unit="Hz"),
        Column(heading="phase margin", unit="deg"), Column(heading="gain margin", unit="dB"),
        Column(heading="modulus margin", unit=""), Column(heading="lowest at"), Column(heading="limited by"),
    )  # fmt: skip
    others = [(f"{k}", a) for k, a in enumerate(found.alternatives, 1)]
    listed = [] if found.best is None else [("chosen", found.best), *others]
    rows: list[tuple[CellValue, ...]] = [
        (
            name, parts_text(c.parts), c.score, c.crossover_hz[1], c.phase_margin_deg, c.gain_margin_db,
            c.modulus_margin, short_corner(c.worst_corner), short_corner(c.limited_by),
        )
        for name, c in listed
    ]  # fmt: skip
    return Table(title=f"The choice for the {words}, and the best others", columns=columns, rows=tuple(rows))


def short_corner(name: str) -> str:
    """Shorten a corner with many tolerance ends to its condition: the ends stand in the machine-readable answer."""
    place, _, ends = name.partition(" with ")
    if not ends:
        return name
    reading = re.search(r"\([^()]*\)$", ends)
    moved = len(_CHANGE.findall(ends))
    told = f"{place} with {moved} values at their ends" if moved > 2 else name
    return f"{told} {reading.group()}" if reading and moved > 2 else told


def divider_sentences(found: Choice) -> tuple[str, ...]:
    """Say which divider was chosen, its error and worst-case output, and pairs that come closer."""
    d = found.divider_choice
    if d is None:
        return ()
    c = d.chosen
    sentence = f"divider: {_ohm(c.upper)} over {_ohm(c.lower)}, output error {_percent(c.error, 3)} %, "
    if d.tolerance or d.reference_tolerance:
        sentence += (
            f"worst case {c.lowest:.4g} V to {c.highest:.4g} V (resistors {d.tolerance}, "
            f"reference {d.reference_tolerance})"
        )
    else:
        sentence += "worst case not known: no tolerances given for resistors and reference"
    told = [sentence]
    if d.closer:
        pairs = ", ".join(f"{_ohm(p.upper)} over {_ohm(p.lower)} ({_percent(p.error, 2)} %)" for p in d.closer)
        told.append(f"closer with another lower resistor: {pairs}")
    return tuple(told)


def _percent(share: float, digits: int) -> str:
    """Write a signed share in percent; below a millionth of a percent it is rounding, and zero."""
    percent = 100.0 * share
    return f"{percent:+.{digits}g}" if abs(percent) >= 1e-6 else "0"


def _ohm(value: float) -> str:
    return format_quantity(value, "ohm")


def slope_sentences(found: Choice) -> tuple[str, ...]:
    """Say which ramp was chosen, the Q it leaves at half the switching frequency, and its cost in phase."""
    s = found.slope_report
    if s is None:
        return ()
    continuous = ~s.discontinuous
    if not continuous.any():
        return (f"slope: {s.slope / 1e3:.3g} mV/us; every corner conducts discontinuously, where no ramp is needed",)
    told = (
        f"slope: {s.slope / 1e3:.3g} mV/us, Q at half the switching frequency {s.quality[continuous].min():.3g} to "
        f"{s.quality[continuous].max():.3g} over the corners in continuous conduction"
    )
    without = s.quality_without[continuous]
    bad = int(((without <= 0.0) | ~np.isfinite(without)).sum())
    if s.quality_at_ends is not None and s.ends > len(continuous):
        low, high = s.quality_at_ends
        told += f", {low:.3g} to {high:.3g} over all {s.ends} with tolerance ends"
    told += f"; without it {bad} of {len(without)} would oscillate" if bad else ""
    cost = s.phase_cost_deg[np.isfinite(s.phase_cost_deg)]
    if cost.size:
        told += f"; against half of it, it costs up to {cost.max():.2g} deg of phase at {s.frequency_hz:.4g} Hz"
    return (told,)


def choice_text(found: Choice, *, display: Display = PIPE) -> str:
    """Lay out for the terminal how the parts were chosen.

    Parameters
    ----------
    found
        The choice.
    display
        What it is shown on; its details add the table of alternatives.

    Returns
    -------
    str
        Table of alternatives where parts were open, then sentences.
    """
    table = laid_out(alternatives_table(found), display) if found.best is not None and display.details else ""
    sentences = [*divider_sentences(found), *slope_sentences(found), f"choice: {found.method}"]
    sentences += [f"note: {n}" for n in found.notes]
    told = "\n".join(paragraph(s, display, hanging="    ") for s in sentences)
    return "\n\n".join(p for p in (table, told) if p)


def choice_rows(found: Choice) -> dict[str, Any]:
    """Turn the choice into plain values for JSON."""
    row: dict[str, Any] = {
        "prefer": found.prefer,
        "method": found.method,
        "notes": list(found.notes),
        "corners": found.searched_corners,
        "combinations": found.combinations,
        "best": None if found.best is None else _candidate(found.best),
        "alternatives": [_candidate(a) for a in found.alternatives],
    }
    if found.divider_choice is not None:
        c = found.divider_choice.chosen
        row["divider"] = {
            "upper": c.upper, "lower": c.lower, "error": c.error, "lowest_output_v": c.lowest,
            "highest_output_v": c.highest,
        }  # fmt: skip
    if found.slope_report is not None:
        s = found.slope_report
        row["slope"] = {
            "slope_v_per_s": s.slope,
            "quality": [None if d else float(q) for q, d in zip(s.quality, s.discontinuous, strict=True)],
            "quality_at_ends": None if s.quality_at_ends is None else list(s.quality_at_ends),
            "phase_cost_deg": [float(x) if np.isfinite(x) else None for x in s.phase_cost_deg],
        }
    return row


def _candidate(c: Candidate) -> dict[str, Any]:
    return {
        "parts": dict(c.parts),
        "score": c.score,
        "worst_corner": c.worst_corner,
        "limited_by": c.limited_by,
        "crossover_hz": list(c.crossover_hz),
        "phase_margin_deg": c.phase_margin_deg,
        "gain_margin_db": c.gain_margin_db,
        "modulus_margin": c.modulus_margin,
    }
