"""The compensating ramp: chosen for a current loop that is damped at every corner, with the phase it costs.

What the Q at half the switching frequency depends on is the sensed on-slope and the duty. Corners are therefore line x
load x temperature, each with every combination of the tolerance ends of inductors, reference and divider: few enough
to be examined all.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.variants.solve import base_of, guess_at, variant_converter
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import CORE, toleranced, variants
from loopdesign.models.switched import control_to_output
from loopdesign.orbit.operating_point import operating_point
from loopdesign.synthesis.cures.damping import choose_slope, half_frequency_quality, sensed_slopes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.orbit.problem import OperatingPoint

MATTER = (
    "L1.inductance", "L2.inductance", CORE, "coupling", "sense_gain", "reference", "divider.upper", "divider.lower",
)  # fmt: skip
"""Causes of spread that move the sensed slopes or the duty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeReport:
    """The compensating ramp chosen for a current loop that is damped at every corner, and its cost.

    Attributes
    ----------
    slope
        [V/s].
    quality
        (C,) Q of the pair at half the switching frequency with this slope, nominal parts; meaningless in discontinuous
        conduction.
    discontinuous
        (C,) conduction mode.
    quality_without
        (C,) the same without a ramp; infinite or negative where the current loop oscillates.
    phase_cost_deg
        (C,) phase of control to output at the frequency asked for with half this slope, less that with it [deg];
        NaN where half the slope leaves the current loop undamped.
    frequency_hz
        Where the cost is read [Hz].
    ends, quality_at_ends
        Number of corners examined in continuous conduction, tolerance ends among them, and the lowest and highest Q
        over them; None where every corner conducts discontinuously.
    """

    slope: float
    quality: NDArray[np.float64]
    discontinuous: NDArray[np.bool_]
    quality_without: NDArray[np.float64]
    phase_cost_deg: NDArray[np.float64]
    frequency_hz: float
    ends: int
    quality_at_ends: tuple[float, float] | None


def with_slope(case: cases.Case, slope: float) -> cases.Case:
    """Give a case in peak current mode its slope [V/s]."""
    return case.model_copy(update={"modulator": case.modulator.model_copy(update={"slope": slope})})


def points_at_ends(case: cases.Case, stage: ExaminedStage) -> OperatingPoint:
    """Solve the operating points of every condition with every combination of the tolerance ends that matter.

    Parameters
    ----------
    case
        Case in peak current mode.
    stage
        Its conditions, nominal parts.

    Returns
    -------
    OperatingPoint
        The nominal conditions first, then C times 2^k combinations; the ramp does not move them.
    """
    varied = tuple(v for v in toleranced(case, {}) if v.name in MATTER)
    places = np.array([np.zeros(len(varied)), *product((-1.0, 1.0), repeat=len(varied))])
    condition = np.tile(np.arange(len(stage.conditions)), len(places))
    base = base_of(case, {}, stage)
    corners = variants(stage.conditions, condition, varied, np.repeat(places, len(stage.conditions), axis=0))
    return operating_point(variant_converter(base, corners, condition), guess_at(base, condition))


def open_slope(case: cases.Case, *, tolerances: bool = True) -> float:
    """Choose the slope [V/s] of a case that leaves it open.

    Parameters
    ----------
    case
        Case in peak current mode.
    tolerances
        Whether temperatures and tolerance ends count as corners.

    Returns
    -------
    float
        The smallest E12 value with which Q at half the switching frequency is at most one at every corner.
    """
    bare = with_slope(case, 0.0)
    if not tolerances:
        return float(choose_slope(examine_stage(bare).point).slope)
    return float(choose_slope(points_at_ends(bare, examine_stage(bare, base_corners(bare)))).slope)


def report_slope(case: cases.Case, frequency_hz: float) -> SlopeReport:
    """State what the slope of a case does at every corner, and what it costs; chosen here where it is open.

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
    slope = open_slope(case) if given is None else float(given)
    conditions = base_corners(case)
    chosen, half = (examine_stage(with_slope(case, s), conditions) for s in (slope, 0.5 * slope))
    on, _ = sensed_slopes(chosen.point)
    duty = chosen.point.duty
    grid = np.array([frequency_hz])
    angle = np.angle(control_to_output(half.model, grid) / control_to_output(chosen.model, grid))[:, 0]
    damped = (half_frequency_quality(duty, on, 0.5 * slope) > 0.0) | chosen.point.discontinuous
    ends = points_at_ends(with_slope(case, slope), chosen)
    quality = half_frequency_quality(ends.duty, sensed_slopes(ends)[0], slope)[~ends.discontinuous]
    return SlopeReport(
        slope=slope,
        quality=half_frequency_quality(duty, on, slope),
        discontinuous=chosen.point.discontinuous,
        quality_without=half_frequency_quality(duty, on, 0.0),
        phase_cost_deg=np.where(damped, np.degrees(angle), np.nan),
        frequency_hz=frequency_hz,
        ends=len(quality),
        quality_at_ends=(float(quality.min()), float(quality.max())) if len(quality) else None,
    )
