"""Predictions against the simulated flyback (``data/README.md`` tells how it was simulated; accuracy 1e-5 relative).

The averaged model's limits are those it promises in discontinuous conduction: 0.5 dB and 3 degrees below a twentieth of
the switching frequency.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.case import load_case
from loopdesign.corners.converters import line_load_corners, solved
from loopdesign.models.averaged import average
from loopdesign.models.switched import control_to_output, linearise

DATA = Path(__file__).parent / "data"
NAME = "flyback_peak_current_dcm"


@pytest.fixture(scope="module")
def simulated():
    rows = np.loadtxt(DATA / f"{NAME}.csv", delimiter=",", skiprows=1)
    return rows[:, 0], rows[:, 1] + 1j * rows[:, 2]


@pytest.fixture(scope="module")
def solution():
    case = load_case(DATA / f"{NAME}.toml")
    return (case, *solved(case, line_load_corners(case)))


def test_switched_plant(simulated, solution):
    """The switched model is exact: what is left is the simulation's own accuracy."""
    f, expected = simulated
    point = solution[2]
    assert point.discontinuous[0]
    assert_allclose(control_to_output(linearise(point), f)[0], expected, rtol=2e-5)


def test_averaged_plant(simulated, solution):
    f, expected = simulated
    case, converter, point = solution
    low = f < case.converter.switching_frequency / 20.0
    ratio = average(point, converter.modulator).response(f[low], "control", "v(out)")[0] / expected[low]
    assert_allclose(20.0 * np.log10(np.abs(ratio)), 0.0, atol=0.5)
    assert_allclose(np.degrees(np.angle(ratio)), 0.0, atol=3.0)
