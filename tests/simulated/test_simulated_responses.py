"""Predictions against brute-force simulations of the switched circuit (``data/README.md`` tells how they were made).

Accuracy of the simulations: plant 1e-5 relative, loop 2e-5. The averaged model's limits are those it promises: 0.25 dB and
1.5 degrees below a tenth of the switching frequency in continuous conduction, 0.5 dB and 3 degrees below a twentieth in
discontinuous conduction.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.case import load_case
from loopdesign.corners.converters import compensation, line_load_corners, solved
from loopdesign.models.averaged import average
from loopdesign.models.switched import control_to_output, linearise, loop_gain
from loopdesign.orbit.operating_point import operating_point

DATA = Path(__file__).parent / "data"
PLANTS = (
    "sepic_voltage_mode_undamped",
    "sepic_peak_current_damped",
    "sepic_peak_current_dcm",
    "sepic_coupled_peak_current",
)
LOOPS = ("sepic_coupled_closed_loop",)


def simulated(name):
    """Read frequencies (F,) [Hz] and complex response (F,)."""
    rows = np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1)
    return rows[:, 0], rows[:, 1] + 1j * rows[:, 2]


def solve_case(name):
    case = load_case(DATA / f"{name}.toml")
    return (case, *solved(case, line_load_corners(case)))


@pytest.mark.parametrize("name", PLANTS)
def test_switched_plant(name):
    """The switched model is exact: what is left is the simulation's own accuracy."""
    f, expected = simulated(name)
    _, _, point = solve_case(name)
    assert point.discontinuous[0] == name.endswith("dcm")
    assert_allclose(control_to_output(linearise(point), f)[0], expected, rtol=2e-5)


@pytest.mark.parametrize("name", LOOPS)
def test_switched_loop(name):
    """The loop as an analyser reads it, ripple at the comparator included."""
    f, expected = simulated(name)
    case, converter, point = solve_case(name)
    closed = converter.closed(compensation(case, case.compensation.parts))
    model = linearise(operating_point(closed, point.sequence))
    assert_allclose(loop_gain(model, f)[0], expected, rtol=2e-5)


@pytest.mark.parametrize("name", PLANTS)
def test_averaged_plant(name):
    f, expected = simulated(name)
    case, converter, point = solve_case(name)
    limit, gain_db, phase_deg = (20.0, 0.5, 3.0) if point.discontinuous[0] else (10.0, 0.25, 1.5)
    below = f < case.converter.switching_frequency / limit
    assert below.sum() > 15
    ratio = average(point, converter.modulator).response(f[below], "control", "v(out)")[0] / expected[below]
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < gain_db
    assert np.abs(np.degrees(np.angle(ratio))).max() < phase_deg
