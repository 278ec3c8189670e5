"""Everything that the report draws or compares, computed once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import GRID
from loopdesign.analysis.grids import grid_with
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.converters import amplifier, divider, network_parts
from loopdesign.corners.trouble import names_file
from loopdesign.errors import LoopDesignError
from loopdesign.models.averaged import average, by_mode
from loopdesign.models.switched import control_to_output, loop_gain
from loopdesign.orbit.boundary import continuous_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult

POINTS_PER_WIDTH = (-6.0, -3.0, -1.5, -0.8, -0.4, -0.15, 0.0, 0.15, 0.4, 0.8, 1.5, 3.0, 6.0)
"""Where points stand around a resonance, in half-widths of its peak."""
DENSITY = 3
"""Points of the drawn grid per point of the grid that margins begin with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Largest difference of two responses of one corner below a frequency, and where each occurs.

    Attributes
    ----------
    below_hz
        End of the compared band [Hz].
    magnitude_db, magnitude_hz
        Largest difference of magnitude [dB], and where [Hz].
    phase_deg, phase_hz
        Largest difference of phase [deg], and where [Hz].
    """

    below_hz: float
    magnitude_db: float
    magnitude_hz: float
    phase_deg: float
    phase_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportData:
    """What the plots show, one row per corner.

    Attributes
    ----------
    check
        The check it belongs to; every plot takes its verdicts and margins from here.
    frequencies_hz
        (B,F) [Hz], up to half the switching frequency, dense around each corner's own resonances.
    plant, plant_averaged
        (B,F) control to output by the switched and by the averaged model [V/V].
    loop, product
        (B,F) loop gain by injection, and switched plant times compensator; None without a loop.
    continuous_limit
        (B,) load at which continuous conduction ends [A]; NaN where there is no such limit.
    plant_differences, loop_differences
        Averaged against switched plant, and product against injection, one per corner.
    proposals
        Sentences of advice to print.
    """

    check: CheckResult
    frequencies_hz: NDArray[np.float64]
    plant: NDArray[np.complex128]
    plant_averaged: NDArray[np.complex128]
    loop: NDArray[np.complex128] | None
    product: NDArray[np.complex128] | None
    continuous_limit: NDArray[np.float64]
    plant_differences: tuple[Difference, ...]
    loop_differences: tuple[Difference, ...]
    proposals: tuple[str, ...] = ()


@names_file("no curves")
def report_data(assessment: CheckResult, *, proposals: Sequence[str] = ()) -> ReportData:
    """Compute everything the report draws.

    Parameters
    ----------
    assessment
        What a check found.
    proposals
        Sentences of advice to print with it.

    Returns
    -------
    ReportData
        Responses of every corner and the differences between models. The averaged model is compared below a tenth of
        the switching frequency, below a twentieth in discontinuous conduction, where its order is reduced; the loop
        gain below a tenth.
    """
    stage = assessment.stage
    switching = 1.0 / stage.converter.period
    hz = frequency_grid(assessment)
    plant, averaged = control_to_output(stage.model, hz), averaged_plant(assessment, hz)
    share = np.where(stage.point.discontinuous, 1.0 / 20.0, 1.0 / 10.0)
    loop = product = None
    loop_differences: tuple[Difference, ...] = ()
    if assessment.closed_loop is not None:
        loop, product = loop_gain(assessment.closed_loop, hz), plant * compensator(assessment, hz)
        loop_differences = differences(hz, product, loop, np.full(len(plant), switching / 10.0))
    return ReportData(
        check=assessment,
        frequencies_hz=hz,
        plant=plant,
        plant_averaged=averaged,
        loop=loop,
        product=product,
        continuous_limit=_continuous_limit(assessment),
        plant_differences=differences(hz, averaged, plant, switching * share),
        loop_differences=loop_differences,
        proposals=tuple(proposals),
    )


def frequency_grid(assessment: CheckResult) -> NDArray[np.float64]:
    """Lay a logarithmic grid per corner up to half the switching frequency, with its resonances and crossings.

    Parameters
    ----------
    assessment : CheckResult
        A case examined at every corner.

    Returns
    -------
    ndarray
        (B,F) frequencies [Hz], rising; rows with fewer points repeat their last one.
    """
    switching = 1.0 / assessment.stage.converter.period
    rows = []
    for item, plant in enumerate(assessment.stage.plants):
        roots = np.concatenate([plant.poles_hz, plant.zeros_hz])
        size, half_width = np.abs(roots), np.minimum(np.abs(roots.real), 0.3 * np.abs(roots))
        points = [size + k * half_width for k in POINTS_PER_WIDTH]
        points.append(np.array([assessment.verdicts[item].worst_mode.frequency_hz]))
        if assessment.margins:
            m = assessment.margins[item]
            points.append(np.array([*m.crossovers_hz, *m.phase_crossings_hz, m.modulus_margin_hz]))
        rows.append(grid_with(switching, DENSITY * GRID, *points))
    longest = max(map(len, rows))
    return np.stack([np.pad(row, (0, longest - len(row)), mode="edge") for row in rows])


def averaged_plant(assessment: CheckResult, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Respond from control to output by the averaged model (B,F) [V/V], conduction modes mixed or not.

    Parameters
    ----------
    assessment : CheckResult
        A case examined at every corner.
    frequencies_hz : ndarray (B, F)
        Frequencies of every corner [Hz].

    Returns
    -------
    ndarray (B, F)
        Complex response [V/V].
    """
    point, modulator = assessment.stage.point, assessment.stage.converter.modulator
    result = np.empty(frequencies_hz.shape, complex)
    for items in by_mode(point):
        model = average(point.take(items), modulator)
        result[items] = model.response(frequencies_hz[items], "control", "v(regulated)")
    for item in np.flatnonzero(~point.ordinary):
        result[item] = assessment.stage.plants[item].system.response(frequencies_hz[item])
    return result


def compensator(assessment: CheckResult, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Respond from sensed output to control, by the closed form, at every corner (B,F) [unitless].

    Parameters
    ----------
    assessment : CheckResult
        A case examined at every corner.
    frequencies_hz : ndarray (B, F)
        Frequencies of every corner [Hz].

    Returns
    -------
    ndarray (B, F)
        ``-v(control)/v(sense)`` [unitless].
    """
    case, corners = assessment.case, assessment.conditions
    parts = network_parts(case, assessment.parts, corners)
    values = compensator_response(amplifier(case, corners), divider(case, corners), parts, frequencies_hz)
    return np.broadcast_to(values, frequencies_hz.shape)


def differences(
    frequencies_hz: NDArray[np.float64],
    value: NDArray[np.complex128],
    reference: NDArray[np.complex128],
    below_hz: NDArray[np.float64],
) -> tuple[Difference, ...]:
    """Find the largest difference of magnitude and phase between two responses, corner by corner.

    Parameters
    ----------
    frequencies_hz
        (B,F) [Hz].
    value, reference
        (B,F) responses, both in one unit [unitless] or [ohm].
    below_hz
        (B,) end of the band to compare in [Hz].

    Returns
    -------
    tuple of Difference
        One per corner.
    """
    ratio = value / reference
    size, turn = np.abs(20.0 * np.log10(np.abs(ratio))), np.abs(np.degrees(np.angle(ratio)))
    rows = []
    for item, end in enumerate(below_hz):
        hz = frequencies_hz[item]
        inside = hz <= end
        db, deg = size[item][inside], turn[item][inside]
        at_db, at_deg = int(np.argmax(db)), int(np.argmax(deg))
        rows.append(
            Difference(
                below_hz=float(end),
                magnitude_db=float(db[at_db]),
                magnitude_hz=float(hz[at_db]),
                phase_deg=float(deg[at_deg]),
                phase_hz=float(hz[at_deg]),
            )
        )
    return tuple(rows)


def _continuous_limit(assessment: CheckResult) -> NDArray[np.float64]:
    """Load at which continuous conduction ends (B,) [A]; NaN where it is not found."""
    converter, point = assessment.stage.converter, assessment.stage.point
    none = np.full(len(point.duty), np.nan)
    if np.any(np.asarray(converter.load_current) <= 0.0):
        return none
    try:
        return continuous_limit(converter, point)
    except LoopDesignError:  # a figure of interest, not worth the report
        return none
