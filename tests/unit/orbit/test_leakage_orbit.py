"""Orbits of a stage with leakage and clamp: what is kept, what is refused, and that either mode is found from nothing."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.corners.converters import line_load_corners, open_loop
from loopdesign.network.places import IDLE, OFF, ON, SwitchingDevices
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.periodic import newton
from loopdesign.orbit.problem import pose
from loopdesign.orbit.sequence import Edge, Sequence

CASE = Path(__file__).parents[3] / "cases" / "ice_radar_flyback.toml"
BOTH, CLAMPING = 3, 4
"""Switch with the rectifier; rectifier with the clamp."""


@pytest.fixture(scope="module")
def solved():
    case = ld.load_case(CASE)
    converter = open_loop(case, line_load_corners(case))
    return converter, operating_point(converter)


def test_both_modes_are_found_from_nothing(solved):
    """In continuous conduction the current changes windings twice a period, in discontinuous conduction once."""
    _, point = solved
    for item in range(len(point)):
        places = point.sequence.configuration[item][point.sequence.lengths[item] > 0.0].tolist()
        light = bool(point.discontinuous[item])
        assert places == ([ON, CLAMPING, OFF, IDLE] if light else [BOTH, ON, CLAMPING, OFF])
    assert point.discontinuous.tolist() == [True, False] * 3
    assert not rectifier_breaks(Stepper(point.problem), point.sequence, augmented(point)).any()


def test_an_orbit_that_skips_the_commutation_is_refused(solved):
    """Newton's method closes it, and no rectifier conducts backwards: but the leakage would take its current at once."""
    converter, point = solved
    heavy = np.flatnonzero(~point.discontinuous)[:1]
    one = replace(
        converter, **{n: getattr(converter, n)[heavy] for n in ("input_voltage", "output_voltage", "load_current")}
    )
    guess = Sequence(
        configuration=np.array([[ON, CLAMPING, OFF]]),
        edge=np.array([[int(Edge.COMPARATOR), int(Edge.RECTIFIER_ENDS), int(Edge.CLOCK)]]),
        ends=np.array([[point.duty[heavy[0]], point.duty[heavy[0]] + 0.01, 1.0]]),
    )
    problem = pose(one, configurations=(ON, OFF, CLAMPING))
    stepper = Stepper(problem)
    closed = newton(problem, stepper, guess)
    assert (closed.sequence.lengths > 0.0).all()
    assert rectifier_breaks(stepper, closed.sequence, augmented(closed)).all()


def test_with_hardly_any_leakage_the_stage_is_the_one_without(solved):
    """Duty tends to that of perfect coupling in proportion to the leakage, the clamp taking next to nothing."""
    converter, _ = solved
    plain = operating_point(replace(converter, topology=TOPOLOGIES["flyback"]))
    heavy = ~plain.discontinuous
    away = []
    for leakage in (40e-9, 20e-9):
        stage = converter.stage
        clamp = replace(stage.clamp, resistance=2e6)
        point = operating_point(replace(converter, stage=replace(stage, leakage=leakage, clamp=clamp)))
        away.append(np.abs(point.duty - plain.duty)[heavy])
    assert (away[1] < 2e-4).all()
    np.testing.assert_allclose(away[0] / away[1], 2.0, rtol=0.1)


def test_current_taken_over_by_a_clamp_does_not_rest():
    devices = SwitchingDevices(rectifiers=("diode", "Dc"))
    assert devices.rests(IDLE)
    assert not devices.rests(devices.place(closed=False, mask=0b10))
    assert not devices.rests(OFF)
    assert not devices.rests(CLAMPING)
