"""Orbits looked for from nothing: sequences read from motions, guesses against closed forms, irregular rectifiers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import BOOST, BUCK, converter, one_inductor, trap

from loopdesign.errors import UnreachableOutputError
from loopdesign.models.switched import linearise
from loopdesign.network.modulator import VoltageMode
from loopdesign.network.places import BOTH, IDLE, OFF, ON
from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.operating_point import delayed, operating_point
from loopdesign.orbit.periodic import _share
from loopdesign.orbit.problem import OperatingPoint, pose
from loopdesign.orbit.search.duty import _light, _placed, averaged_output
from loopdesign.orbit.search.follow import recorded
from loopdesign.orbit.search.reach import ordinary
from loopdesign.orbit.sequence import Edge
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import Devices, Segment

FS = 200e3
STATES = {ON: (True, False), OFF: (False, True), IDLE: (False, False), BOTH: (True, True)}


def motions(*pieces):
    """Segments of given configurations and lengths, one after the other."""
    segments, begin = [], 0.0
    for place, length in pieces:
        switch, diode = STATES[place]
        segments.append(Segment(begin=begin, length=length, devices=Devices(switch, diode), x=np.zeros(1)))
        begin += length
    return segments


@pytest.mark.parametrize(
    ("pieces", "configuration", "edge", "ends"),
    [
        ([(ON, 0.4), (OFF, 0.6)], [ON, OFF], [Edge.CLOCK], [0.41]),
        ([(ON, 0.4), (OFF, 0.3), (IDLE, 0.3)], [ON, OFF, IDLE], [Edge.CLOCK, Edge.RECTIFIER_ENDS], [0.41, 0.7]),
        # pieces of one configuration are one interval, a rounding of an edge is none
        ([(ON, 0.1), (ON, 0.3), (IDLE, 1e-12), (OFF, 0.2), (OFF, 0.4)], [ON, OFF], [Edge.CLOCK], [0.41]),
        (
            [(ON, 0.3), (BOTH, 0.1), (OFF, 0.6)],
            [ON, BOTH, OFF],
            [Edge.RECTIFIER_STARTS, Edge.CLOCK],
            [0.3, 0.41],
        ),
        (
            [(ON, 0.4), (OFF, 0.1), (IDLE, 0.2), (OFF, 0.3)],
            [ON, OFF, IDLE, OFF],
            [Edge.CLOCK, Edge.RECTIFIER_ENDS, Edge.RECTIFIER_STARTS],
            [0.41, 0.5, 0.7],
        ),
        (
            [(BOTH, 0.1), (ON, 0.3), (IDLE, 0.6)],
            [BOTH, ON, IDLE],
            [Edge.RECTIFIER_ENDS, Edge.CLOCK],
            [0.1, 0.41],
        ),
    ],
)
def test_sequence_of_one_cycle(pieces, configuration, edge, ends):
    """The switch opens at the instant asked for, whatever the motions' own rounding; the period ends with the clock."""
    found = recorded(motions(*pieces), opening=0.41)
    assert found.configuration.tolist() == [configuration]
    assert found.edge.tolist() == [[*edge, Edge.CLOCK]]
    assert_allclose(found.ends, [[*ends, 1.0]], rtol=1e-12)


@pytest.mark.parametrize(
    ("pieces", "ordinary", "discontinuous", "duty", "end"),
    [
        ([(ON, 0.4), (OFF, 0.6)], True, False, 0.41, 1.0),
        ([(ON, 0.4), (OFF, 0.3), (IDLE, 0.3)], True, True, 0.41, 0.7),
        ([(ON, 0.4), (OFF, 0.1), (IDLE, 0.2), (OFF, 0.3)], False, True, 0.41, 0.5),
        ([(BOTH, 0.1), (ON, 0.3), (OFF, 0.3), (IDLE, 0.3)], False, True, 0.41, 0.7),
        ([(ON, 0.3), (BOTH, 0.1), (OFF, 0.6)], False, False, 0.41, 1.0),
    ],
)
def test_what_a_sequence_says_of_its_orbit(pieces, ordinary, discontinuous, duty, end):
    """On, off and on, off, idle are ordinary; whatever starts the rectifier again, or ends it twice, is not."""
    posed = pose(converter(BUCK, one_inductor(1e-5, 1e-4), 12.0, 5.0, 1.0, FS))
    sequence = recorded(motions(*pieces), opening=0.41)
    states = np.arange(sequence.ends.shape[1] + 1.0)[None, :, None] * np.ones(2)
    point = OperatingPoint(problem=posed, inputs=posed.inputs, sequence=sequence, states=states)
    assert bool(point.ordinary[0]) is ordinary
    assert bool(point.discontinuous[0]) is discontinuous
    assert (point.duty[0], point.conduction_end[0]) == (pytest.approx(duty), pytest.approx(end))
    assert point.at_conduction_end[0, 0] == sequence.ends[0].tolist().index(point.conduction_end[0]) + 1


# ---- guesses ----

L, R, VIN = 20e-6, 400.0, 12.0


def light_boost(D):
    """Boost far in discontinuous conduction at a duty, with its output V/Vin = (1 + sqrt(1 + 4 D^2/K))/2."""
    K = 2 * L * FS / R
    M = (1 + np.sqrt(1 + 4 * np.asarray(D) ** 2 / K)) / 2
    vout = VIN * M
    return pose(converter(BOOST, one_inductor(L, 5e-3), VIN, vout, vout / R, FS)), M


def test_first_guess_in_discontinuous_conduction():
    """Both edges to 2^-10 of the range and better: D, and D M/(M - 1) where the current ends (E9)."""
    D = np.array([0.1, 0.25, 0.4])
    problem, M = light_boost(D)
    duty, end = _light(problem, 1.0 - 1.0 / M)
    assert_allclose(duty, D, atol=3e-4)
    assert_allclose(end, D * M / (M - 1.0), atol=6e-4)


def test_guess_of_both_modes_in_one_batch():
    """A continuous item between two light ones: each gets the mode that holds at its own duty."""
    K = 2 * L * FS / np.array([R, 5.0, R])
    M = (1 + np.sqrt(1 + 4 * np.array([0.3, 0.3, 0.2]) ** 2 / K)) / 2
    M[1] = 1 / 0.7
    vout = VIN * M
    problem = pose(converter(BOOST, one_inductor(L, 5e-3), VIN, vout, vout / np.array([R, 5.0, R]), FS))
    found = _placed(problem, Stepper(problem))
    assert_allclose(found.ends[:, 0], [0.3, 0.3, 0.2], atol=5e-4)
    assert found.configuration[[0, 2], 2].tolist() == [IDLE, IDLE]
    assert (found.configuration[1] != IDLE).all()


def test_averaged_output_of_a_lossy_buck():
    """D Vin R/(R + r): a winding resistance is all there is to lose, at every duty of the grid and every item."""
    conv = converter(
        BUCK, one_inductor(50e-6, 1e-3, winding=0.5), np.array([10.0, 20.0]), 3.0, np.array([1.0, 2.0]), FS
    )
    duty = np.array([0.1, 0.4, 0.8])
    load = 3.0 / np.array([1.0, 2.0])
    expected = duty * np.array([[10.0], [20.0]]) * (load / (load + 0.5))[:, None]
    assert_allclose(averaged_output(pose(conv), duty), expected, rtol=1e-9)


def test_a_guess_of_the_wrong_mode_is_put_right_item_by_item():
    """Three loads, the middle one light; guessed all continuous, then all discontinuous: the orbits found from nothing."""
    conv = converter(BOOST, one_inductor(L, 1e-3), VIN, 24.0, np.array([4.0, 0.05, 3.0]), FS)
    expected = operating_point(conv)
    assert expected.discontinuous.tolist() == [False, True, False]
    for light in (False, True):
        guess = ordinary(np.full(3, 0.45), np.full(3, 0.9 if light else 1.0), np.full(3, light))
        found = operating_point(conv, guess)
        assert found.discontinuous.tolist() == [False, True, False]
        assert found.states.shape[1] == found.sequence.ends.shape[1] + 1
        assert_allclose(found.duty, expected.duty, rtol=1e-9)
        assert_allclose(found.trim, expected.trim, rtol=1e-9)
        assert_allclose(found.start, expected.start, rtol=1e-7, atol=1e-9 * np.abs(expected.start).max())
        assert_allclose(found.states[:, -1], found.states[:, 0], atol=1e-9 * np.abs(found.states).max())
        # the networks were put together again too: what is made of them is the same
        sizes = [np.sort(np.abs(linearise(point).multipliers), axis=1) for point in (found, expected)]
        assert_allclose(sizes[0], sizes[1], rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize(
    ("moved", "share"),
    [
        ((0.1, 0.1), 1.0),  # the last interval shrinks by 0.1 of 0.3 + 0.2
        ((-0.1, 0.0), 1.0),  # 0.1 of 0.4 is less than 40 %
        ((-0.32, 0.0), 0.5),  # 0.16 may go
        ((0.24, 0.0), 0.5),  # the middle one: 40 % of 0.3 is 0.12
        ((0.0, 0.4), 0.5),  # the last one may run beyond the period: 40 % of 0.3 + 0.2
        ((0.24, 0.64), 0.3125),  # 0.2 of the last 0.64, which bites first
        ((0.3, -0.3), 0.2),  # both ways at once: 0.12 of 0.6
    ],
)
def test_a_step_takes_forty_percent_of_an_interval_at_most(moved, share):
    """Intervals of 0.4, 0.3 and 0.3 periods; the part of a Newton step of both edges that is made, by hand."""
    sequence = ordinary(np.array([0.4]), np.array([0.7]), np.array([True]))
    assert _share(sequence, np.array([moved]))[0] == pytest.approx(share)


# ---- a delay in the guess ----


@pytest.mark.parametrize(("delay", "trips"), [(0.1, [0.3, 0.15]), (0.3, [0.1, 0.25e-3]), (0.4, [0.4e-3, 0.25e-3])])
def test_trip_ahead_of_the_opening(delay, trips):
    """The interval before the opening is cut in two; a delay longer than the on-time leaves a thousandth of it before the trip."""
    plain = ordinary(np.array([0.4, 0.25]), np.array([1.0, 0.7]), np.array([False, True]))
    found = delayed(plain, delay)
    edge = [Edge.COMPARATOR, Edge.DELAYED, Edge.RECTIFIER_ENDS, Edge.CLOCK]
    assert found.configuration[1].tolist() == [ON, ON, OFF, IDLE]
    assert found.edge[1].tolist() == edge
    assert found.configuration[0, :3].tolist() == [ON, ON, OFF]
    assert found.edge[0, :2].tolist() == edge[:2]
    assert_allclose(found.ends[:, 0], trips, rtol=1e-12)
    assert_allclose(found.ends[:, 1], [0.4, 0.25], rtol=1e-12)
    assert found.ends[1].tolist()[2:] == [0.7, 1.0]
    assert delayed(plain, 0.0) is plain


# ---- a rectifier that conducts other than once ----


def small_coupling_capacitor(vin, vout=15.0):
    """SEPIC whose coupling capacitor of 30 nF swings through nothing within a period of 3.3 us."""
    conv = trap(vin, current=vout / 15.0)
    stage = replace(conv.stage, Cs=replace(conv.stage.Cs, capacitance=30e-9))
    return replace(
        conv, stage=stage, modulator=VoltageMode(ramp=1.0), output_voltage=np.full_like(conv.output_voltage, vout)
    )


def test_irregular_orbit_is_one_the_converter_repeats():
    """At 6 and 15 V the diode starts beside the switch; stepped edge by edge from its state, every orbit comes back.

    The average over the cycle is the output asked for.
    """
    conv = small_coupling_capacitor(np.array([6.0, 15.0, 30.0]))
    point = operating_point(conv)
    both = (point.sequence.configuration == BOTH).any(axis=1)
    assert both.tolist() == [True, True, False]
    # one state at the clock and one at the end of each interval, shorter sequences padded: every orbit closes
    assert point.states.shape[1] == point.sequence.ends.shape[1] + 1
    assert_allclose(point.states[:, -1], point.states[:, 0], atol=1e-9 * np.abs(point.states).max())
    for item in range(3):
        alone = replace(
            conv,
            input_voltage=conv.input_voltage[[item]],
            output_voltage=conv.output_voltage[[item]],
            load_current=conv.load_current[[item]],
        )
        inputs = {"line": alone.input_voltage[0], "control": point.trim[item], "diode": 0.5}
        step = CycleStepper(alone, inputs)
        x = point.states[item, 0]
        cycle = step.cycle(x, Devices(switch=False, diode=not bool(point.discontinuous[item])))
        assert_allclose(cycle.x, x, atol=1e-9 * np.abs(x).max())
        assert cycle.mean == pytest.approx(15.0, rel=1e-9)
        assert cycle.duty == pytest.approx(point.duty[item], abs=1e-9)


def test_irregular_orbit_out_of_reach():
    """A tenth of the largest duty leaves an output of 15 V from 6 V out of reach, whatever the rectifier does."""
    conv = replace(small_coupling_capacitor(np.array([6.0])), max_duty=0.1)
    with pytest.raises(UnreachableOutputError, match=r"out of reach at 6 V input and 1 A.*largest duty allowed 0\.1"):
        operating_point(conv)
