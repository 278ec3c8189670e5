"""Edges that an ordinary cycle never meets, against two-state equations written by hand and moved by scipy's exponential.

A lossless buck and boost on a resistor, in voltage mode with a ramp of 1 V, so that the control voltage is the on-time.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm
from scipy.optimize import minimize_scalar
from stages import BOOST, BUCK, converter, one_inductor

from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import ControlLimits, Devices

VIN, L, C, R, T = 24.0, 22e-6, 10e-6, 4.0, 5e-6
IDLE, CONDUCTING = Devices(switch=False, diode=False), Devices(switch=False, diode=True)
TOPOLOGY = {"buck": BUCK, "boost": BOOST}


def stepper(name, control, *, min_on=0.0, max_duty=0.9, synchronous=False, drop=0.0, probes=()):
    vout = {"buck": 10.0, "boost": 36.0}[name]
    conv = converter(
        TOPOLOGY[name],
        one_inductor(L, C, drop=drop),
        VIN,
        vout,
        vout / R,
        1 / T,
        synchronous=synchronous,
        max_duty=max_duty,
    )
    inputs = {"line": VIN, "load": 0.0, "control": control, "diode": drop}
    return CycleStepper(conv, inputs, ControlLimits(min_on_time=min_on), probes=probes)


def normalised(step, current, volts):
    """State vector of an inductor current [A] and an output voltage [V]."""
    values = {"i(L1)": current, "v(Co)": volts}
    return np.array([values[s] for s in step.states]) * step.scale


def physical(step, x):
    found = dict(zip(step.states, x / step.scale, strict=True))
    return found["i(L1)"], found["v(Co)"]


def moved(name, devices, start, span, drop=0.0):
    """Current and voltage (2,) and the voltage's integral, a span later [s]: di/dt = u/L, dv/dt = (fed i - v/R)/C."""
    conducting = devices.switch or devices.diode
    on = devices.switch
    takes_output = 1.0 if name == "buck" or not on else 0.0  # whether the output's voltage lies on the inductor
    drive = {"buck": VIN if on else -drop, "boost": VIN if on else VIN - drop}[name]
    A = np.zeros((4, 4))
    if conducting:
        A[0] = [0.0, -takes_output / L, drive / L, 0.0]
    A[1] = [takes_output / C if conducting else 0.0, -1 / (R * C), 0.0, 0.0]
    A[3, 1] = 1.0
    begin = [start[0] if conducting else 0.0, start[1], 1.0, 0.0]
    i, v, _, area = expm(A * span) @ begin
    return (i, v), area


# ---- turning off ----


@pytest.mark.parametrize("devices", [IDLE, CONDUCTING])
def test_reversed_current_at_turn_off_finds_no_way(devices):
    """The output lies above the input: the current runs backwards when the switch opens, and a diode cannot take it over.

    The current ends there; the output decays by its resistor for the rest of the period.
    """
    step = stepper("buck", 0.4)
    cycle = step.cycle(normalised(step, 0.0, 40.0), devices)
    (i, v), area = moved("buck", Devices(switch=True, diode=False), (0.0, 40.0), 0.4 * T)
    assert i < -1.0
    (_, end), rest = moved("buck", IDLE, (0.0, v), 0.6 * T)
    assert_allclose(physical(step, cycle.x), (0.0, end), rtol=1e-10, atol=1e-12)
    assert cycle.devices == IDLE
    assert cycle.mean == pytest.approx((area + rest) / T, rel=1e-10)
    assert (cycle.duty, cycle.ended) == (pytest.approx(0.4, abs=1e-12), "comparator")
    assert cycle.idle


def test_reversed_current_goes_on_in_a_synchronous_rectifier():
    step = stepper("buck", 0.4, synchronous=True)
    cycle = step.cycle(normalised(step, 0.0, 40.0), CONDUCTING)
    middle, _ = moved("buck", Devices(switch=True, diode=False), (0.0, 40.0), 0.4 * T)
    end, _ = moved("buck", CONDUCTING, middle, 0.6 * T)
    assert end[0] < middle[0] < 0.0
    assert_allclose(physical(step, cycle.x), end, rtol=1e-10)
    assert cycle.devices == CONDUCTING
    assert not cycle.idle


@pytest.mark.parametrize(("current", "conducts"), [(1e-3, True), (-1e-3, False)])
def test_the_sign_at_turn_off_decides(current, conducts):
    """Output and input equal, so that the current stands still while the switch conducts: a milliampere either way."""
    step = stepper("buck", 0.01)
    trace = []
    step.cycle(normalised(step, current, VIN), CONDUCTING, trace)
    assert [s.devices.switch for s in trace] == ([True, False, False] if conducts else [True, False])
    assert trace[1].devices == (CONDUCTING if conducts else IDLE)


# ---- skipping ----


@pytest.mark.parametrize("control", [-0.2, 0.0])
def test_skipped_pulse(control):
    """The ramp stands at or above the control at the clock already: no on-time, and the diode runs out of current by itself."""
    step = stepper("buck", control)
    trace = []
    cycle = step.cycle(normalised(step, 0.5, 10.0), CONDUCTING, trace)
    assert (cycle.ended, cycle.duty, cycle.clocked) == ("skipped", 0.0, CONDUCTING)
    assert cycle.idle
    run_out = trace[0].length * T
    (i, v), first = moved("buck", CONDUCTING, (0.5, 10.0), run_out)
    assert i == pytest.approx(0.0, abs=1e-9)
    (_, end), second = moved("buck", IDLE, (0.0, v), T - run_out)
    assert_allclose(physical(step, cycle.x), (0.0, end), rtol=1e-9, atol=1e-10)
    assert cycle.mean == pytest.approx((first + second) / T, rel=1e-10)
    assert [s.devices for s in trace] == [CONDUCTING, IDLE]


def test_skipped_pulse_of_a_rectifier_that_goes_on_conducting():
    """Five amperes outlast the period: nothing switches at all, and the cycle still counts as one without a pulse."""
    step = stepper("buck", -0.2)
    trace = []
    cycle = step.cycle(normalised(step, 5.0, 10.0), CONDUCTING, trace)
    end, area = moved("buck", CONDUCTING, (5.0, 10.0), T)
    assert_allclose(physical(step, cycle.x), end, rtol=1e-10)
    assert (len(trace), cycle.devices, cycle.ended, cycle.idle) == (1, CONDUCTING, "skipped", True)
    assert cycle.mean == pytest.approx(area / T, rel=1e-10)


def test_just_above_the_ramp_makes_a_pulse():
    step = stepper("buck", 1e-3)
    cycle = step.cycle(normalised(step, 0.5, 10.0), CONDUCTING)
    assert (cycle.ended, cycle.duty) == ("comparator", pytest.approx(1e-3, abs=1e-12))
    assert cycle.clocked.switch


@pytest.mark.parametrize("control", [-0.2, 0.0, 0.02, 0.05])
def test_shortest_on_time_is_made_whatever_the_comparator_says(control):
    """A twentieth of a period; a comparator that trips no later counts as the shortest on-time."""
    step = stepper("buck", control, min_on=0.05 * T)
    cycle = step.cycle(normalised(step, 0.5, 10.0), CONDUCTING)
    assert (cycle.ended, cycle.duty) == ("minimum on-time", pytest.approx(0.05, abs=1e-12))
    middle, _ = moved("buck", Devices(switch=True, diode=False), (0.5, 10.0), 0.05 * T)
    assert middle[0] > 0.5
    assert cycle.clocked == Devices(switch=True, diode=False)


def test_after_the_shortest_on_time_the_comparator_decides():
    step = stepper("buck", 0.06, min_on=0.05 * T)
    cycle = step.cycle(normalised(step, 0.5, 10.0), CONDUCTING)
    assert (cycle.ended, cycle.duty) == ("comparator", pytest.approx(0.06, abs=1e-12))


@pytest.mark.parametrize(("max_duty", "min_on", "expected"), [(0.9, 0.0, 0.9), (0.3, 0.0, 0.3), (0.3, 0.5, 0.5)])
def test_largest_duty_ends_what_the_comparator_does_not(max_duty, min_on, expected):
    """A shortest on-time longer than the largest duty wins."""
    step = stepper("buck", 2.0, max_duty=max_duty, min_on=min_on * T)
    cycle = step.cycle(normalised(step, 2.0, 10.0), CONDUCTING)
    assert (cycle.ended, cycle.duty) == ("largest duty", pytest.approx(expected, abs=1e-12))


# ---- the rectifier starting by itself ----


@pytest.mark.parametrize("drop", [0.0, 0.6])
def test_idle_rectifier_conducts_once_the_output_has_fallen(drop):
    """Boost without pulses: the output decays from above to the input less the drop, at t = R C ln(v0/(Vin - drop))."""
    step = stepper("boost", -0.2, drop=drop)
    trace = []
    cycle = step.cycle(normalised(step, 0.0, 25.0), IDLE, trace)
    begins = R * C * np.log(25.0 / (VIN - drop))
    assert [s.devices for s in trace] == [IDLE, CONDUCTING]
    assert trace[1].begin == pytest.approx(begins / T, abs=1e-10)
    end, _ = moved("boost", CONDUCTING, (0.0, VIN - drop), T - begins, drop)
    assert end[0] > 0.0
    assert_allclose(physical(step, cycle.x), end, rtol=1e-8)
    assert cycle.devices == CONDUCTING


# ---- what the output does between edges ----


def between(name, devices, start, span, sign):
    """Least of sign v over a motion, by hand, and when."""
    found = minimize_scalar(
        lambda t: sign * moved(name, devices, start, t)[0][1],
        bounds=(0.0, span),
        method="bounded",
        options={"xatol": 1e-13},
    )
    return sign * found.fun, found.x


def test_trough_and_crest_lie_between_edges():
    """An output falls on after the switch closes until the current passes the load's, and rises on after it opens.

    The stepper tells of samples a sixteenth of a period apart, so it misses of a parabola at most (1/32)^2 v''/2, here 1 % of
    the ripple; the edges alone would miss a third of it.
    """
    step = stepper("buck", 0.4)
    start = (2.0, 10.0)  # below the load's 2.5 A
    cycle = step.cycle(normalised(step, *start), CONDUCTING)
    on = Devices(switch=True, diode=False)
    trough, at = between("buck", on, start, 0.4 * T, 1.0)
    middle, _ = moved("buck", on, start, 0.4 * T)
    crest, later = between("buck", CONDUCTING, middle, 0.6 * T, -1.0)
    end, _ = moved("buck", CONDUCTING, middle, 0.6 * T)
    assert 0.05 * T < at < 0.35 * T
    assert 0.05 * T < later < 0.55 * T
    ripple = crest - trough
    edges = (start[1], middle[1], end[1])
    assert min(edges) - trough > 0.1 * ripple
    assert crest - max(edges) > 0.1 * ripple
    assert trough <= cycle.lowest < trough + 0.02 * ripple
    assert crest - 0.02 * ripple < cycle.highest <= crest


def test_edges_themselves_are_among_the_extremes():
    """Rising all through the on-time and falling all through the off-time, the crest is the edge between, not a sample."""
    step = stepper("boost", 0.503)
    start = (9.0, 36.0)
    cycle = step.cycle(normalised(step, *start), CONDUCTING)
    middle, _ = moved("boost", Devices(switch=True, diode=False), start, 0.503 * T)
    assert cycle.lowest == pytest.approx(middle[1], rel=1e-12)  # the output only decays while the switch conducts


# ---- watching ----


def test_dense_follows_one_motion():
    step = stepper("buck", 0.4, probes=("i(L1)",))
    trace = []
    step.cycle(normalised(step, 1.0, 10.0), CONDUCTING, trace)
    theta, rows = step.dense(trace[1], 5, ("v(out)", "i(L1)", "i(diode)"))
    assert_allclose(theta, np.linspace(0.4, 1.0, 5), atol=1e-12)
    middle, _ = moved("buck", Devices(switch=True, diode=False), (1.0, 10.0), 0.4 * T)
    for t, row in zip(theta, rows, strict=True):
        i, v = moved("buck", CONDUCTING, middle, (t - 0.4) * T)[0]
        assert_allclose(row, (v, i, i), rtol=1e-10)
