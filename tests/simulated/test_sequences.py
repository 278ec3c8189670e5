"""Delay, output filter, regulated current and a rectifier that conducts twice, against brute-force simulations.

``data/README.md`` tells how they were made, and gives duty and largest multiplier to six digits. Accuracy of the
simulations: plant 1e-5 relative, loop 2e-5.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import loopdesign as ld
from loopdesign.case import load_case
from loopdesign.corners.converters import compensation, line_load_corners, solved
from loopdesign.models.switched import control_to_output, linearise, loop_gain
from loopdesign.network.places import IDLE, OFF, ON
from loopdesign.orbit.operating_point import operating_point

DATA = Path(__file__).parent / "data"
TABLE = {
    "sepic_turn_off_delay": (0.494613, 0.996207),
    "boost_turn_off_delay_closed_loop": (0.640787, 0.926530),
    "boost_output_filter_sensed_before": (0.515868, 0.997778),
    "sepic_output_filter_closed_loop": (0.494622, 0.969834),
    "sepic_regulated_current_closed_loop": (0.511239, 0.985845),
    "sepic_rectifier_twice": (0.049733, 0.993612),
    "sepic_rectifier_twice_closed_loop": (0.069592, 0.990152),
}
TWICE = {
    "sepic_rectifier_twice": (0.049733, 0.097169, 0.228137, 0.368332, 1.0),
    "sepic_rectifier_twice_closed_loop": (0.069592, 0.322452, 0.419015, 0.618032, 1.0),
}


def model_of(name):
    case = load_case(DATA / f"{name}.toml")
    converter, point = solved(case, line_load_corners(case))
    if name.endswith("closed_loop"):
        closed = converter.closed(compensation(case, case.compensation.parts))
        point = operating_point(closed, point.sequence)
    return linearise(point)


@pytest.mark.parametrize("name", TABLE)
def test_response_duty_and_multiplier(name):
    duty, multiplier = TABLE[name]
    model = model_of(name)
    f, real, imaginary = np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1, unpack=True)
    closed = name.endswith("closed_loop")
    response = (loop_gain if closed else control_to_output)(model, f)[0]
    assert_allclose(response, real + 1j * imaginary, rtol=2e-5 if closed else 1e-5)
    assert model.point.duty[0] == pytest.approx(duty, abs=1e-6)
    assert np.abs(model.multipliers).max() == pytest.approx(multiplier, abs=1e-6)


@pytest.mark.parametrize("name", TWICE)
def test_rectifier_that_conducts_twice(name):
    """The sequence is found, not assumed: two conductions, the second from where the rectifier is forward biased again."""
    point = model_of(name).point
    assert point.sequence.configuration[0].tolist() == [ON, OFF, IDLE, OFF, IDLE]
    assert_allclose(point.sequence.ends[0], TWICE[name], atol=2e-6)


@pytest.mark.parametrize("name", [n for n in TABLE if n.endswith("closed_loop")])
def test_the_check_sees_the_same(name):
    """What a user gets from a case file with these keys."""
    (corner,) = ld.check(ld.load_case(DATA / f"{name}.toml"), nominal=True).corners
    duty, multiplier = TABLE[name]
    assert corner.duty == pytest.approx(duty, abs=1e-6)
    assert corner.largest_multiplier == pytest.approx(multiplier, abs=1e-6)
    assert corner.stable
