"""Stepping in time: exact motion, edges, energy, small steps against the linear models, growth against multipliers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm
from stages import trap

from loopdesign.analysis.transient.after import moved_point
from loopdesign.analysis.transient.estimate import predicted_departure, step_response
from loopdesign.analysis.transient.ringing import disturb, prony, ringing
from loopdesign.analysis.transient.run import from_point, run_cycles, settling_time, traces
from loopdesign.compensation.compensator import Divider, NetworkParts, OperationalAmplifier, TransconductanceAmplifier
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import Mode, worst_modes
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.stepping import motion, sampling
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import ControlLimits
from loopdesign.orbit.stepping.motion import Piece

DAMPER = (2.2, 22e-6)


def closed(vin, current=1.25, *, damper=DAMPER, amplifier=None, probes=(), limits=None):
    """Return a stepper of the SEPIC with a type II loop, and its operating point."""
    amplifier = TransconductanceAmplifier(gm=1e-3, output_resistance=2e6) if amplifier is None else amplifier
    parts = NetworkParts(network="type II", R1=3.9e3, C1=47e-9, C2=470e-12)
    if isinstance(amplifier, OperationalAmplifier):
        parts = NetworkParts(network="type II", R1=390e3, C1=1e-9, C2=10e-12)
    network = compensator_netlist(amplifier, Divider(upper=115e3, lower=10e3), parts)
    converter = trap(vin, damper=damper, current=current)
    point = operating_point(converter.closed(network), operating_point(converter).sequence)
    inputs = dict(zip(point.network.inputs, point.inputs[0], strict=True))
    return CycleStepper(converter.closed(network), inputs, limits, probes=probes), point


# ---- motion between edges ----


def random_piece(seed=0):
    rng = np.random.default_rng(seed)
    A = rng.normal(size=(5, 5)) - 2.0 * np.eye(5)
    A[4] = 0.0  # an integrator: no equilibrium
    return Piece(A, rng.normal(size=5), rng.normal(size=(2, 5)), rng.normal(size=2), np.array([0.7, 0.0])), rng.normal(
        size=5
    )


@pytest.mark.parametrize("plain", [False, True])
def test_motion_is_the_matrix_exponential(monkeypatch, plain):
    """State, rows and integral against scipy's exponential of the augmented matrix, with and without eigenvectors."""
    if plain:
        monkeypatch.setattr(motion, "MODAL_CONDITION", 0.0)
    piece, x = random_piece()
    assert piece.good is not plain
    t, theta = 0.37, 0.2
    M = np.zeros((7, 7))
    M[:5, :5], M[:5, 5] = piece.A, piece.b
    M[6, :5], M[6, 5] = piece.rows[1], piece.offsets[1]
    expected = expm(M * t) @ np.array([*x, 1.0, 0.0])
    moved = piece.move(x, theta)
    state, rows, integral = moved.at(t)
    assert_allclose(state, expected[:5], rtol=1e-12)
    assert_allclose(rows[1], piece.rows[1] @ state + piece.offsets[1], rtol=1e-12)
    assert_allclose(rows[0], piece.rows[0] @ state + piece.offsets[0] + 0.7 * (t + theta), rtol=1e-12)
    assert_allclose(integral, expected[6], rtol=1e-11)
    value, slope = moved.row(0, t)
    assert_allclose(value, rows[0], rtol=1e-11)
    assert_allclose(slope, piece.rows[0] @ (piece.A @ state + piece.b) + 0.7, rtol=1e-11)
    assert_allclose(moved.samples()[0, -1], moved.row(0, 1.0)[0], rtol=1e-11)


def oscillator(level, cycles):
    """A guard sin(w t) - level over one period."""
    w = 2.0 * np.pi * cycles
    rows = np.array([[1.0, 0.0], [1.0, 0.0]])
    piece = Piece(np.array([[0.0, w], [-w, 0.0]]), np.zeros(2), rows, np.array([-level, 0.0]), np.zeros(2))
    return piece.move(np.array([0.0, 1.0])), np.arcsin(min(level, 1.0)) / w


@pytest.mark.parametrize("level", [0.3, 0.9])
def test_edge_within_a_trillionth_of_a_period(level):
    """Closed form: arcsin(level)/w."""
    moved, expected = oscillator(level, 1.0)
    assert_allclose(moved.first(1, 1.0, None), (0, expected), atol=1e-12)


def test_hump_between_two_samples():
    """A maximum that no sample sees is climbed: it lies in the middle of two samples and just above the guard."""
    cycles = 0.25 / (9.5 / sampling.EVEN)
    moved, expected = oscillator(0.999, cycles)
    assert moved.samples()[0].max() < 0.0
    found = moved.first(1, 0.9 / cycles, None)
    assert found is not None
    assert_allclose(found[1], expected, atol=1e-11)
    assert oscillator(1.001 - 1e-12, cycles)[0].first(1, 0.9 / cycles, None) is None


def test_guard_at_zero_is_an_edge_only_where_it_rises():
    piece = Piece(np.zeros((1, 1)), np.array([-1.0]), np.array([[1.0], [1.0]]), np.zeros(2), np.zeros(2))
    assert piece.move(np.zeros(1)).first(1, 1.0, None) is None
    piece.set_drive(np.array([1.0]), np.zeros(2))
    assert piece.move(np.zeros(1)).first(1, 1.0, None) == (0, 0.0)


# ---- cycles ----


@pytest.mark.parametrize(("vin", "current"), [(13.0, 1.25), (24.0, 0.1)], ids=["continuous", "discontinuous"])
def test_operating_point_comes_back(vin, current):
    """The periodic operating point, solved another way, returns after a cycle with its average."""
    stepper, point = closed(vin, current)
    x, devices = from_point(point)
    cycle = stepper.cycle(x, devices)
    assert_allclose(cycle.x, x, atol=1e-12 * np.abs(x).max())
    assert_allclose(cycle.mean, 15.0, rtol=1e-12)
    assert_allclose(cycle.duty, point.duty[0], atol=1e-12)
    assert cycle.idle == point.discontinuous[0]
    assert cycle.lowest < 15.0 < cycle.highest


def test_energy_over_a_whole_run():
    """Energy in = losses + energy out + what the stage stores more; Gauss quadrature over every motion between edges."""
    parts = ("i(Co)", "v(Co)", "i(Cs)", "i(Cd)", "i(L1)", "i(L2)", "v(Cs)", "v(Cd)")
    probes = ("i(line)", "i(switch)", "i(diode)", "v(out)", *parts)
    stepper, point = closed(24.0, 0.3, probes=parts)
    sink = 0.9
    stepper.set_inputs(load=sink)
    x, devices = from_point(point)
    start, (nodes, weights) = x, np.polynomial.legendre.leggauss(8)
    balance = np.zeros(3)  # in, lost, out
    for _ in range(120):
        segments = []
        cycle = stepper.cycle(x, devices, segments)
        for s in segments:
            moved = stepper.setting(s.devices).piece.move(s.x, s.begin)
            states = np.array([moved.at(0.5 * s.length * (1.0 + u))[0] for u in nodes])
            p = dict(zip(probes, stepper.watch(s.devices, states, probes).T, strict=True))
            lost = 0.02 * p["i(switch)"] ** 2 + p["i(diode)"] * (0.5 + 0.02 * p["i(diode)"])
            lost += 0.03 * (p["i(L1)"] ** 2 + p["i(L2)"] ** 2) + 0.01 * p["i(Co)"] ** 2 + 0.005 * p["i(Cs)"] ** 2
            lost += DAMPER[0] * p["i(Cd)"] ** 2
            powers = (
                24.0 * np.abs(p["i(line)"]) * np.sign(p["i(L1)"]),
                lost,
                p["v(out)"] * (p["v(out)"] * 0.3 / 15.0 + sink),
            )
            balance += [0.5 * s.length * stepper.converter.period * (weights @ power) for power in powers]
        x, devices = cycle.x, cycle.devices
    power_stage = [k for k, name in enumerate(stepper.states) if "compensation" not in name]
    stored = 0.5 * (x[power_stage] @ x[power_stage] - start[power_stage] @ start[power_stage])
    assert_allclose(balance[0], balance[1] + balance[2] + stored, rtol=1e-9)
    assert abs(stored) > 1e-3 * balance[0]


def test_coinciding_eigenvectors_take_the_other_route(monkeypatch):
    """The whole stepping without eigenvectors gives the same cycles."""
    means = []
    for limit in (motion.MODAL_CONDITION, 0.0):
        monkeypatch.setattr(motion, "MODAL_CONDITION", limit)
        stepper, point = closed(24.0, 0.1)
        stepper.set_inputs(load=0.5)
        means.append(run_cycles(stepper, *from_point(point), cycles=5).mean)
    assert_allclose(means[1], means[0], rtol=1e-12)


def test_operational_amplifier_is_clamped_inside():
    """Its control voltage stays at the clamp, above it by the clamp's ohms only, and comes back from it.

    Ripple drives it there within a few cycles; the excess is the current of the pole's stage, gm times an input of
    less than the reference, over the clamp's resistance.
    """
    amplifier = OperationalAmplifier(dc_gain=1e4, gain_bandwidth=3e6)
    free, point = closed(13.0, 0.3, amplifier=amplifier)
    free.set_inputs(load=1.0)
    level = 0.97 * run_cycles(free, *from_point(point), cycles=400).control.max()
    stepper, point = closed(13.0, 0.3, amplifier=amplifier, limits=ControlLimits(lowest=0.0, highest=level))
    stepper.set_inputs(load=1.0)
    sequence = run_cycles(stepper, *from_point(point), cycles=1500)
    assert sequence.limited.any()
    assert not sequence.limited[-200:].any()
    inside = traces(stepper, *from_point(point), cycles=30)
    assert level < inside.control.max() < level + 1e-3 * 1.2 * 1.0
    assert traces(free, *from_point(point), cycles=30).control.max() > level + 1e-3 * 1.2 * 1.0


def test_lower_clamp_holds_the_control_pin_up():
    """A load that goes away drives the control down to the clamp at half a volt less than it was, and no further.

    What is below it is the amplifier's current, at most gm times the reference, over the clamp's ohm.
    """
    free, point = closed(13.0, 1.25)
    level = 0.9 * float(run_cycles(free, *from_point(point), cycles=1).control[0])
    free.set_inputs(load=-1.1)
    assert traces(free, *from_point(point), cycles=200).control.min() < level - 0.01
    stepper, _ = closed(13.0, 1.25, limits=ControlLimits(lowest=level))
    stepper.set_inputs(load=-1.1)
    sequence = run_cycles(stepper, *from_point(point), cycles=200)
    assert sequence.limited.any()
    inside = traces(stepper, *from_point(point), cycles=200)
    assert level - 1e-3 * 1.2 < inside.control.min() < level


@pytest.mark.parametrize("sign", [-1, 1])
def test_amplifier_at_its_limit_charges_the_network_by_its_limit(sign):
    """Load off: the amplifier sinks 5 uA at most; load on: it sources as much. C1 and C2 gain just that, less the leak.

    What leaks is the control voltage over 2 Mohm, taken at its mean over the motion.
    """
    most = 5e-6
    stepper, point = closed(13.0, 0.8, limits=ControlLimits(output_current=most), probes=("v(compensation C1)",))
    stepper.set_inputs(load=0.4 * sign)
    (x, devices), seen = from_point(point), 0
    capacitors = ("v(compensation C1)", "v(compensation C2)", "v(control)")
    for _ in range(40):
        segments = []
        cycle = stepper.cycle(x, devices, segments)
        after = [*(s.x for s in segments[1:]), cycle.x]
        for segment, end in zip(segments, after, strict=True):
            if not segment.devices.amplifier:
                continue
            assert segment.devices.amplifier == sign
            begin, last = stepper.watch(segment.devices, np.array([segment.x, end]), capacitors)
            span = segment.length * stepper.converter.period
            gained = 47e-9 * (last[0] - begin[0]) + 470e-12 * (last[1] - begin[1])
            leaked = 0.5 * (begin[2] + last[2]) / 2e6 * span
            assert_allclose(gained, sign * most * span - leaked, rtol=1e-4, atol=1e-19)
            seen += 1
        x, devices = cycle.x, cycle.devices
    assert seen > 30


def test_sampling_is_dense_at_first_and_a_sixteenth_of_a_period_at_most():
    """What a hump between samples is judged by rests on samples this close; they begin and end with the period."""
    times = sampling.instants(sampling.EVEN)
    assert (times[0], times[-1]) == (0.0, 1.0)
    gaps = np.diff(times)
    assert gaps.max() == pytest.approx(1 / 16)
    assert gaps[0] == pytest.approx(1e-4)
    assert (gaps > 0.0).all()


def test_rest_ends_a_run_early():
    stepper, point = closed(13.0)
    assert len(run_cycles(stepper, *from_point(point), cycles=400, at_least=50).mean) < 80
    assert len(run_cycles(stepper, *from_point(point), cycles=60).mean) == 60


# ---- small steps and small disturbances against the linear models ----


def test_step_response_of_one_pole():
    """Closed form: R (1 - exp(-t/RC)), and a resistor beside it that jumps."""
    f, t = np.geomspace(1e-2, 1e6, 2000), np.geomspace(1e-4, 1e-1, 30)
    R, RC, jump = 2.0, 3e-3, 0.25
    found = step_response(f, jump + R / (1.0 + 2j * np.pi * f * RC), t)
    assert_allclose(found, jump + R * (1.0 - np.exp(-t / RC)), atol=2e-4 * R)


@pytest.mark.parametrize(("vin", "current"), [(13.0, 1.25), (24.0, 0.1)], ids=["continuous", "discontinuous"])
def test_small_load_step_follows_the_output_impedance(vin, current):
    """One per cent of the deviation's peak, at every cycle."""
    stepper, point = closed(vin, current)
    step = 1e-3 * current
    stepper.set_inputs(load=step)
    sequence = run_cycles(stepper, *from_point(point), cycles=300)
    predicted = step * predicted_departure(linearise(point), "load", sequence.time_s)
    deviation = sequence.mean - 15.0
    assert_allclose(deviation, predicted, atol=0.01 * np.abs(deviation).max())


def test_small_line_step_follows_the_line_response():
    stepper, point = closed(13.0)
    stepper.set_inputs(line=13.01)
    sequence = run_cycles(stepper, *from_point(point), cycles=300)
    predicted = 0.01 * predicted_departure(linearise(point), "line", sequence.time_s)
    deviation = sequence.mean - 15.0
    # the first cycles depend on where in the cycle the line steps, over which a frequency response averages
    assert_allclose(deviation[2:], predicted[2:], atol=0.015 * np.abs(deviation).max())


@pytest.mark.parametrize(("vin", "damper"), [(6.0, None), (6.0, DAMPER), (24.0, None)])
def test_disturbance_grows_by_the_multiplier(vin, damper):
    """Undamped at low line it grows, with a damper or at high line it dies; both at the rate of the worst multiplier."""
    stepper, point = closed(vin, damper=damper)
    found = disturb(stepper, linearise(point))
    assert found.expected.stable == (damper is not None or vin > 20.0)
    assert found.measured is not None
    assert_allclose(abs(found.measured.multiplier), abs(found.expected.multiplier), rtol=2e-4)
    assert_allclose(found.measured.frequency_hz, found.expected.frequency_hz, rtol=0.02)
    grown = np.abs(found.departure[-60:]).max() > np.abs(found.departure[:60]).max()
    assert grown != found.expected.stable


def test_point_after_a_step_keeps_the_reference():
    """It is where a long run ends: the finite gain leaves an offset."""
    stepper, point = closed(13.0, 0.8)
    stepper.set_inputs(load=0.4)
    end = run_cycles(stepper, *from_point(point), cycles=3000)
    after = moved_point(point, {"load": 0.4}, point.sequence)
    assert_allclose(after.trim, point.trim, rtol=1e-10)
    assert_allclose(end.mean[-1], after.problem.target[0], rtol=1e-9)
    assert 14.9 < after.problem.target[0] < 15.0 - 1e-5
    assert worst_modes(linearise(after))[0].stable


# ---- readings ----


def test_ringing_of_a_known_sequence():
    """A decaying cosine on top of a faster mode: multiplier 0.99 at 0.08 rad per cycle, 1 us cycles."""
    n = np.arange(1500)
    pole = 0.99 * np.exp(0.08j)
    y = (0.4 * pole**n).real - 0.9 * 0.93**n
    mode = Mode(multiplier=pole, frequency_hz=0.08e6 / (2 * np.pi), growth_per_s=1e6 * np.log(0.99), name="")
    found = ringing(y, 1e-6, expected=mode)
    assert found is not None
    assert_allclose(found.multiplier, pole, rtol=1e-6)
    assert_allclose((found.frequency_hz, found.growth_per_s), (mode.frequency_hz, mode.growth_per_s), rtol=1e-5)
    assert ringing(np.zeros(50), 1e-6, expected=mode) is None
    assert prony(y[:3], 1e-6, pole) is None


def test_settling_time_counts_from_the_step():
    """Outside the band for the first three cycles: settled after three periods."""
    stepper, point = closed(13.0)
    rest = run_cycles(stepper, *from_point(point), cycles=6)
    moved = replace(rest, mean=np.array([14.0, 14.5, 14.8, 15.05, 14.95, 15.0]))
    assert_allclose(settling_time(moved, 15.0, 0.1), 3.0 * rest.period, rtol=1e-12)
    assert settling_time(rest, 15.0, 0.1) == 0.0
    assert settling_time(replace(rest, mean=np.linspace(15.0, 16.0, 6)), 15.0, 0.1) is None
