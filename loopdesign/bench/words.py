"""What a comparison says in words: where the two agree, what a fit changes, and what that means for the board."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.failing import GROWS, worst_end
from loopdesign.bench.compare import AGREED_DB, AGREED_DEG, agreed_band
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.bench.board import Board
    from loopdesign.bench.fitting.result import Cause, Fit
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
UNEXPLAINED = 1.6
"""What a fit leaves, in units of the scatter of the points, from which on something else is said to be off."""
SURE = 0.8
"""Odds from which on one explanation is named alone."""


def refined_text(key: str, value: float, digits: int = 3) -> str:
    """Write a fitted value with its unit.

    Parameters
    ----------
    key : str
        Dotted key, by whose last word the unit is known.
    value : float
        The value in SI units.
    digits : int
        Significant digits [unitless].

    Returns
    -------
    str
        Such as "47.2 µF".
    """
    unit = UNITS_OF_VALUES.get(key.rpartition(".")[2], "")
    return format_quantity(value, unit, digits) if unit else f"{value:.{digits}g}"


def sentence(held: BenchResult) -> str:
    """Say where measured and predicted agree, at which operating point, what a fit changes, and what follows.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    str
        The first sentence is of the agreement.
    """
    said = f"{agreement(held)}; operating point {held.point}."
    said += "".join(f" Warning: {told}." for told in held.warnings)
    if held.fit is not None:
        said += f" {fit_sentence(held.fit, held)}"
    if held.board is not None:
        said += f" {board_sentence(held.board, bool(held.fitted))}"
    return said


def agreement(held: BenchResult) -> str:
    """Say over which frequencies measured and predicted agree, without a full stop.

    Parameters
    ----------
    held : BenchResult
        The comparison.

    Returns
    -------
    str
        With the frequencies where it ends, and the largest difference.
    """
    limits = f"{AGREED_DB:g} dB and {AGREED_DEG:g} deg"
    hz, difference = held.frequencies_hz, held.difference
    band = agreed_band(hz, held.measured_values, held.predicted_values)
    largest = f"{difference.largest_db:+.2g} dB at {format_quantity(difference.at_hz, 'Hz')}"
    if band is None:
        return f"At no frequency do measured and predicted agree within {limits}; the largest difference is {largest}"
    low, high = (format_quantity(f, "Hz") for f in band)
    said = f"Measured and predicted agree within {limits} from {low} to {high}"
    if band == (float(hz[0]), float(hz[-1])):
        return f"{said}, the whole band"
    return f"{said}, the widest band in which they do; the largest difference is {largest}"


def fit_sentence(fit: Fit, held: BenchResult) -> str:
    """Say what a fit changes, and whether that explains the difference.

    Parameters
    ----------
    fit : Fit
        What was found.
    held : BenchResult
        The comparison it belongs to.

    Returns
    -------
    str
        One sentence or two.
    """
    before, after = (f"{d.rms_db:.2g} dB and {d.rms_deg:.2g} deg" for d in (held.difference, fit.difference))
    said = ""
    if fit.causes:
        said = f"{cause_sentence(fit)} "
    if fit.values:
        said += f"With the fitted values the root mean square of the differences falls from {before} to {after}."
    elif not fit.causes:
        said += "The data tell of none of these values; nothing was changed."
    if fit.excess > UNEXPLAINED:
        tried = "no single part and no pair that was tried" if fit.causes else "the values fitted do not"
        tried += " explains" if fit.causes else " explain"
        said += (
            f" What is left is {fit.excess:.2g} times the scatter of the points: {tried} the whole difference, so "
            "doubt the measurement and the model as well."
        )
    return said.strip()


def cause_sentence(fit: Fit) -> str:
    """Name the likeliest explanation with its odds, and the next one where it is not far behind.

    Parameters
    ----------
    fit : Fit
        With its causes.

    Returns
    -------
    str
        One sentence.
    """
    first, *others = fit.causes
    said = f"{_named(first, fit)} (odds {_percent(first.odds)} among what was tried)"
    if first.odds < SURE and others:
        said += f"; next comes: {_named(others[0], fit)} ({_percent(others[0].odds)})"
    return f"Likeliest: {said}."


def _named(cause: Cause, fit: Fit) -> str:
    """Name an explanation."""
    if not cause.values:
        return "every part as planned"
    told = []
    for key, value in cause.values.items():
        part = fit.parts.get(key)
        instead = "" if part is None else f" instead of {refined_text(key, part.nominal)}"
        told.append(f"{key} {refined_text(key, value if part is None else part.value)}{instead}")
    return " and ".join(told)


def _percent(odds: float) -> str:
    """Write odds as percent, never as a certainty."""
    return "over 99 %" if odds > 0.99 else f"{100.0 * odds:.0f} %" if odds > 0.01 else "below 1 %"


def board_sentence(board: Board, moved: bool) -> str:
    """Say whether the design meets its targets with the board as it is.

    Parameters
    ----------
    board : Board
        The design with the fitted values.
    moved : bool
        Whether a fit changed any value [unitless].

    Returns
    -------
    str
        One sentence.
    """
    if board.check is None:
        return f"With the board as it is the design cannot be examined: {board.trouble}."
    found = board.check
    what = "With the fitted values" if moved else "With the parts as planned"
    if found.targets_met:
        return f"{what} the design is stable and meets every target over all corners, temperatures and worst ends."
    verdict = "is stable"
    if not found.stable:
        grows = any(not v.worst_mode.stable for v in found.verdicts) or worst_end(found)[0] == GROWS
        verdict = "is UNSTABLE" if grows else "does not stay at every operating point"
    count = len(found.reasons)
    more = f", and {count - 1} more" if count > 1 else ""
    first = found.reasons[0] if found.reasons else "a verdict fails"
    return f"{what} the design {verdict} and misses its targets: {first}{more}."
