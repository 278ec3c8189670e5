"""Divider and ramp: the values design fills in before the loop is placed, with what they cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.assess import examine_stage
from loopdesign.damping import choose_slope, half_frequency_quality, sensed_slopes
from loopdesign.eseries import between
from loopdesign.switched import control_to_output

if TYPE_CHECKING:
    from numpy.typing import NDArray

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
    tolerance: float
    reference_tolerance: float


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

    def output(sign: float) -> float:
        return amplifier.reference * (1.0 + sign * r) * (1.0 + upper * (1.0 + sign * t) / (lower * (1.0 - sign * t)))

    return DividerPair(
        upper=upper,
        lower=lower,
        error=output(0.0) / case.specification.output_voltage - 1.0,
        lowest=output(-1.0),
        highest=output(1.0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeReport:
    """The compensating ramp chosen for a current loop that is damped at every corner, and its cost.

    Attributes
    ----------
    slope
        [V/s].
    quality
        (C,) Q of the pair at half the switching frequency with this slope; meaningless in discontinuous conduction.
    discontinuous
        (C,) conduction mode.
    quality_without
        (C,) the same without a ramp; infinite or negative where the current loop oscillates.
    phase_cost_deg
        (C,) phase of control to output at the frequency asked for with half this slope, less that with it [degree];
        NaN where half the slope leaves the current loop undamped.
    frequency_hz
        Where the cost is read [Hz].
    """

    slope: float
    quality: NDArray[np.float64]
    discontinuous: NDArray[np.bool_]
    quality_without: NDArray[np.float64]
    phase_cost_deg: NDArray[np.float64]
    frequency_hz: float


def with_slope(case: cases.Case, slope: float) -> cases.Case:
    """Give a case in peak current mode its slope [V/s]."""
    return case.model_copy(update={"modulator": case.modulator.model_copy(update={"slope": slope})})


def report_slope(case: cases.Case, frequency_hz: float) -> SlopeReport:
    """Choose the slope of a case that leaves it open, and state what it costs.

    Parameters
    ----------
    case
        Case in peak current mode.
    frequency_hz
        Where the phase is compared, such as the crossover limit [Hz].

    Returns
    -------
    SlopeReport
        More ramp makes the stage slower: the cost is the phase that half the ramp would have kept.
    """
    given = getattr(case.modulator, "slope", None)
    slope = float(choose_slope(examine_stage(with_slope(case, 0.0))).slope) if given is None else float(given)
    chosen, half = (examine_stage(with_slope(case, s)) for s in (slope, 0.5 * slope))
    on, _ = sensed_slopes(chosen)
    duty = chosen.point.duty
    grid = np.array([frequency_hz])
    angle = np.angle(control_to_output(half.model, grid) / control_to_output(chosen.model, grid))[:, 0]
    damped = (half_frequency_quality(duty, on, 0.5 * slope) > 0.0) | chosen.point.discontinuous
    return SlopeReport(
        slope=slope,
        quality=half_frequency_quality(duty, on, slope),
        discontinuous=chosen.point.discontinuous,
        quality_without=half_frequency_quality(duty, on, 0.0),
        phase_cost_deg=np.where(damped, np.degrees(angle), np.nan),
        frequency_hz=frequency_hz,
    )
