"""The divider: the upper resistor design fills in before the loop is placed, and the output it leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.units.preferred import between

if TYPE_CHECKING:
    from loopdesign import case as cases

LOWER_SPAN = 1.6
"""Pairs are tried with a lower resistor within this factor of the given one, so that the bias current stays alike."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DividerPair:
    """One pair of divider resistors.

    Attributes
    ----------
    upper, lower
        [ohm].
    error
        Output over wanted output, less one, with nominal parts [unitless].
    lowest, highest
        Output with both resistors and the reference at the ends of their tolerances [V].
    """

    upper: float
    lower: float
    error: float
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DividerChoice:
    """The divider chosen, and pairs that come closer with another lower resistor.

    Attributes
    ----------
    chosen
        The given lower resistor with the best upper one.
    closer
        Up to three pairs of preferred values with a smaller error, nearest lower resistor first.
    tolerance, reference_tolerance
        What the worst case counts with [unitless].
    """

    chosen: DividerPair
    closer: tuple[DividerPair, ...]
    tolerance: cases.Tolerance
    reference_tolerance: cases.Tolerance


def choose_divider(case: cases.Case) -> DividerChoice:
    """Choose the upper divider resistor from the series for the smallest output error.

    Parameters
    ----------
    case
        Case with an error amplifier and a divider.

    Returns
    -------
    DividerChoice
        With the worst-case spread of the output: ``V = Vref (1 + upper/lower)`` at the ends of all three tolerances.

    Raises
    ------
    ValueError
        Where the case has no divider or no error amplifier, or the reference equals the output.
    """
    if case.divider is None or case.error_amplifier is None:
        raise ValueError("the case has no [divider] or no [error_amplifier]")
    ratio = case.specification.output_voltage / case.error_amplifier.reference - 1.0
    if ratio <= 0.0:
        raise ValueError("the reference is the output: there is nothing to divide")
    series = case.targets.resistor_series
    lower = case.divider.lower
    chosen = _pair(case, _nearest_upper(series, ratio * lower, lower, ratio), lower)
    pairs = []
    for other in between(series, lower / LOWER_SPAN, lower * LOWER_SPAN):
        pair = _pair(case, _nearest_upper(series, ratio * float(other), float(other), ratio), float(other))
        if abs(pair.error) < abs(chosen.error):
            pairs.append(pair)
    best = sorted(pairs, key=lambda p: (abs(p.error), abs(np.log(p.lower / lower))))[:3]
    return DividerChoice(
        chosen=chosen,
        closer=tuple(sorted(best, key=lambda p: abs(np.log(p.lower / lower)))),
        tolerance=case.divider.tolerance,
        reference_tolerance=case.error_amplifier.reference_tolerance,
    )


def _nearest_upper(series: str, wanted: float, lower: float, ratio: float) -> float:
    """Preferred value whose output error is smallest."""
    table = between(series, wanted / 10.0, wanted * 10.0)
    return float(table[int(np.argmin(np.abs(table / lower - ratio)))])


def _pair(case: cases.Case, upper: float, lower: float) -> DividerPair:
    amplifier, divider = case.error_amplifier, case.divider
    if amplifier is None or divider is None:
        raise ValueError("the case has no [divider] or no [error_amplifier]")
    t, r = divider.tolerance, amplifier.reference_tolerance

    def output(reference: float, above: float, below: float) -> float:
        return amplifier.reference * (1.0 + reference) * (1.0 + upper * (1.0 + above) / (lower * (1.0 + below)))

    return DividerPair(
        upper=upper,
        lower=lower,
        error=output(0.0, 0.0, 0.0) / case.specification.output_voltage - 1.0,
        lowest=output(r.low, t.low, t.high),
        highest=output(r.high, t.high, t.low),
    )
