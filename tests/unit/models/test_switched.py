"""The exact small-signal response and the multipliers, against routes that share no formula with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from stages import BOOST, SEPIC, converter, one_inductor, scaled, trap, two_inductor

from loopdesign.compensation.compensator import Divider, NetworkParts, TransconductanceAmplifier
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.models.switched import (
    control_to_output,
    input_impedance,
    line_to_output,
    linearise,
    loop_gain,
    output_impedance,
)
from loopdesign.network.modulator import VoltageMode
from loopdesign.network.topologies.base import CapacitorValue
from loopdesign.orbit.operating_point import operating_point

FS = 300e3
DAMPER = (2.2, 22e-6)
PARTS = NetworkParts(network="type II", R1=6.8e3, C1=22e-9, C2=220e-12)
FREQUENCIES = np.geomspace(30.0, 0.45 * FS, 40)


def close(conv, parts=PARTS, gm=1e-3):
    """Close the loop around a transconductance amplifier and a 1.2 V reference."""
    amplifier = TransconductanceAmplifier(gm=gm, output_resistance=2e6)
    return conv.closed(compensator_netlist(amplifier, Divider(upper=115e3, lower=10e3), parts))


def cycle(point, x, item=0):
    """Step one period from any start, edges found where they fall: exponentials by scipy, edges by bisection and secant."""
    u = point.inputs[item]
    th = point.problem.threshold
    off, diode = point.network.configurations[1], point.network.output_index("i(diode)")

    def flow(k, x, t):
        c = point.network.configurations[k]
        n = len(x)
        M = np.zeros((n + 1, n + 1))
        M[:n, :n], M[:n, n] = c.A[item], c.B[item] @ u
        return (scipy.linalg.expm(M * t) @ np.append(x, 1.0))[:n]

    def above(t):
        return th.row_state[item] @ flow(0, x, t) + th.row_input[item] @ u + th.ramp[item] * t

    def conducting(t):
        return off.C[item, diode] @ flow(1, first, t) + off.D[item, diode] @ u

    tight = {"xtol": 1e-15, "rtol": 1e-14}
    t1 = brentq(above, 0.5 * point.duty[item], 0.5 * (1 + point.duty[item]), **tight)
    first = flow(0, x, t1)
    if not point.discontinuous[item]:
        return flow(1, first, 1.0 - t1)
    length = point.conduction_end[item] - t1
    t2 = brentq(conducting, 0.9 * length, 1.0 - t1, **tight)
    return flow(2, flow(1, first, t2), 1.0 - t1 - t2)


def differenced_map(point):
    """Period map by central differences of the stepped cycle, with the size of each state's step."""
    x = point.start[0]
    sizes = 1e-6 * np.maximum(np.abs(x), 1e-4 * np.abs(x).max())
    columns = []
    for j, size in enumerate(sizes):
        e = np.zeros(len(x))
        e[j] = size
        columns.append((cycle(point, x + e) - cycle(point, x - e)) / (2 * size))
    return np.stack(columns, axis=1), sizes


CASES = {
    "continuous": lambda: trap(13.0, damper=DAMPER),
    "unstable": lambda: trap(6.0),
    "coupled": lambda: trap(13.0, coupling=0.98),
    "discontinuous": lambda: trap(20.0, damper=DAMPER, current=0.05),
    "closed": lambda: close(trap(13.0, damper=DAMPER)),
    "closed, discontinuous": lambda: close(trap(20.0, damper=DAMPER, current=0.05)),
    "power load": lambda: trap(13.0, damper=DAMPER, load="power"),
    "voltage mode": lambda: replace(trap(13.0), modulator=VoltageMode(ramp=1.5)),
    "synchronous": lambda: trap(20.0, damper=DAMPER, current=0.05, synchronous=True),
}


@pytest.mark.parametrize("name", CASES)
def test_multipliers_against_a_stepped_cycle(name):
    """Eigenvalues of the period map against those of a finite-difference map, the edges found numerically."""
    point = operating_point(CASES[name]())
    model = linearise(point)
    by_steps, sizes = differenced_map(point)
    assert_allclose(cycle(point, point.start[0]), point.start[0], atol=1e-9 * np.abs(point.start).max())
    weigh = sizes / sizes[:, None]  # entries per unit of what is a small step of each state
    assert_allclose(model.period_map[0] * weigh, by_steps * weigh, atol=1e-5 * np.abs(by_steps * weigh).max())
    found, expected = model.multipliers[0], np.linalg.eigvals(by_steps).astype(complex)
    for e in expected:
        assert np.abs(found - e).min() < 2e-5  # two equal multipliers would split by the root of the differencing error
    assert np.abs(found).max() == pytest.approx(np.abs(expected).max(), rel=1e-6)


@pytest.mark.parametrize(
    "name", ["continuous", "discontinuous", "coupled", "voltage mode", "synchronous", "power load"]
)
def test_dc_limits_are_slopes_of_the_operating_point(name):
    """Far below everything the responses are differences between neighbouring operating points."""
    conv = CASES[name]()
    f = np.array([1e-3])
    model = linearise(operating_point(conv))

    def point(dv=0.0, dline=0.0):
        base = float(conv.output_voltage[0])
        # the load resistor and the sink stay what they are: only output and line move
        moved = replace(conv, input_voltage=conv.input_voltage + dline, output_voltage=conv.output_voltage + dv)
        resistive = moved.load == "resistive"
        current = conv.load_current * (base + dv) / base if resistive else conv.load_current
        return operating_point(replace(moved, load_current=current))

    if conv.load == "resistive":
        h = 1e-4
        slope = 2 * h / (point(dv=h).trim[0] - point(dv=-h).trim[0])
        found = control_to_output(model, f)[0, 0]
        assert found.real == pytest.approx(slope, rel=1e-5)
        assert abs(found.imag) < 1e-3 * abs(found)
    # at constant output, control must undo the line: dvc/dvin = -Gvg/Gvc
    h = 1e-3
    undo = (point(dline=h).trim[0] - point(dline=-h).trim[0]) / (2 * h)
    ratio = line_to_output(model, f)[0, 0] / control_to_output(model, f)[0, 0]
    assert ratio.real == pytest.approx(-undo, rel=1e-4, abs=1e-6)


def test_output_impedance_at_dc():
    """A current load: d vout / d i at a held control voltage, from neighbouring operating points."""
    conv = trap(13.0, damper=DAMPER, load="current")
    h = 1e-4
    f = np.array([0.1])  # low enough for 1e-6; a state without any decay in one interval costs digits further down
    more, less = (operating_point(replace(conv, load_current=conv.load_current + d)).trim[0] for d in (h, -h))
    model = linearise(operating_point(conv))
    expected = (more - less) / (2 * h) * control_to_output(model, f)[0, 0].real
    assert output_impedance(model, f)[0, 0].real == pytest.approx(expected, rel=1e-5)


def test_loop_gain_is_near_the_product_of_its_parts():
    """Far below the switching frequency the ripple at the comparator no longer matters: T = Gvc times compensator.

    The compensator's closed form: divider ratio, gm, and Ro in parallel with R1 + C1 and with C2 (K6, common practice).
    """
    conv = trap(13.0, damper=DAMPER)
    f = np.geomspace(20.0, 2e3, 20)
    s = 2j * np.pi * f
    Z = 1 / (1 / 2e6 + s * 220e-12 + 1 / (6.8e3 + 1 / (s * 22e-9)))
    product = control_to_output(linearise(operating_point(conv)), f)[0] * 1e-3 * Z * 10 / 125
    T = loop_gain(linearise(operating_point(close(conv))), f)[0]
    difference = T / product
    assert np.abs(20 * np.log10(np.abs(difference))).max() < 0.5
    assert np.abs(np.degrees(np.angle(difference))).max() < 3.0


def test_closed_loop_identities():
    """Line and load responses fall by 1 + T at low frequency, where the control voltage has no ripple to speak of."""
    conv = trap(13.0, damper=DAMPER)
    open_model, closed = linearise(operating_point(conv)), linearise(operating_point(close(conv)))
    f = np.geomspace(20.0, 1e3, 15)
    T = loop_gain(closed, f)[0]
    for response in (line_to_output, output_impedance):
        ratio = response(open_model, f)[0] / response(closed, f)[0]
        assert_allclose(np.abs(ratio / (1 + T)), 1.0, atol=0.06)


def test_input_impedance_is_negative_at_low_frequency():
    """A regulated converter draws constant power: -Vin / Iin at dc, but for losses that vary (common practice)."""
    conv = trap(13.0, damper=DAMPER)
    point = operating_point(close(conv))
    Z = input_impedance(linearise(point), np.array([1.0]))[0, 0]
    h = 1e-3
    # slope of average input current over input voltage from neighbouring operating points: current of L1 is the input's
    from loopdesign.orbit.waveforms import average_state

    def drawn(d):
        moved = operating_point(replace(conv, input_voltage=conv.input_voltage + d))
        return (average_state(moved) / moved.network.state_scale)[0, 0]

    assert Z.real == pytest.approx(2 * h / (drawn(h) - drawn(-h)), rel=2e-3)
    assert Z.real < 0.0


@given(vin=st.floats(7.0, 30.0), current=st.floats(0.05, 1.25), factor=st.floats(0.1, 10.0))
def test_impedance_scaling_leaves_control_to_output(vin, current, factor):
    conv = trap(vin, current=current)
    one, other = (linearise(operating_point(c)) for c in (conv, scaled(conv, factor)))
    assert_allclose(control_to_output(other, FREQUENCIES), control_to_output(one, FREQUENCIES), rtol=1e-6)
    assert_allclose(output_impedance(other, FREQUENCIES), factor * output_impedance(one, FREQUENCIES), rtol=1e-6)


def test_bank_equals_its_equivalent_capacitor():
    conv = trap(13.0, damper=DAMPER)
    third = CapacitorValue(capacitance=100e-6 / 3, esr=0.03)
    bank = replace(conv, stage=replace(conv.stage, Co=(third,) * 3))
    one, three = (linearise(operating_point(c)) for c in (conv, bank))
    assert_allclose(control_to_output(three, FREQUENCIES), control_to_output(one, FREQUENCIES), rtol=1e-7)


def test_batch_equals_item_by_item():
    vin, current = np.array([8.0, 20.0, 30.0]), np.array([1.25, 0.05, 0.4])
    whole = linearise(operating_point(close(trap(vin, damper=DAMPER, current=current))))
    T = loop_gain(whole, FREQUENCIES)
    assert whole.point.discontinuous.any()
    assert T.shape == (3, 40)
    for k in range(3):
        one = linearise(operating_point(close(trap(vin[k], damper=DAMPER, current=current[k]))))
        assert_allclose(T[k], loop_gain(one, FREQUENCIES)[0], rtol=1e-6)
        assert_allclose(np.sort(np.abs(whole.multipliers[k])), np.sort(np.abs(one.multipliers[0])), atol=1e-8)


def test_frequencies_may_differ_by_item():
    model = linearise(operating_point(trap(np.array([10.0, 20.0]), damper=DAMPER)))
    f = np.array([[100.0, 1e3, 1e4], [200.0, 3e3, 5e4]])
    both = control_to_output(model, f)
    for k in range(2):
        assert_allclose(both[k], control_to_output(model, f[k])[k], rtol=1e-12)


def test_stable_loop_agrees_with_nyquist():
    """Where the open loop is stable, encirclements of -1 decide: the multipliers must say the same as the gain margin.

    The type II network's gain is raised until the loop's phase crossing passes -1; the multipliers leave the circle there.
    """
    conv = trap(13.0, damper=DAMPER)
    assert np.abs(linearise(operating_point(conv)).multipliers).max() < 1.0
    guess = operating_point(conv).sequence

    def loop(gm):
        return linearise(operating_point(close(conv, gm=gm), guess))

    f = np.geomspace(1e3, 0.499 * FS, 4000)
    T = loop_gain(loop(1e-3), f)[0]
    phase = np.unwrap(np.angle(T))
    k = int(np.argmax(phase < -np.pi))
    edge = 1e-3 / abs(T[k])
    assert np.abs(loop(0.9 * edge).multipliers).max() < 1.0
    assert np.abs(loop(1.25 * edge).multipliers).max() > 1.0


def test_boost_current_loop_multiplier():
    """C1 (R. W. Erickson, D. Maksimovic, 2020, Eq. 18.56): alpha = -D/D' without a ramp, as one multiplier of a real boost."""
    from loopdesign.network.modulator import PeakCurrentMode

    stage = one_inductor(50e-6, 2e-3)
    for vout, expected in ((50.0, -1.5), (30.0, -0.5)):
        conv = converter(BOOST, stage, 20.0, vout, 5.0, 100e3, modulator=PeakCurrentMode(sense_gain=0.1, slope=0.0))
        multipliers = linearise(operating_point(conv)).multipliers[0]
        assert np.abs(multipliers - expected).min() < 2e-2  # the output is stiff, but no voltage source


def test_resonance_of_the_coupling_capacitor_is_taken_away_by_coupling():
    """The loop of Cs sees L1 + L2 - 2M = 2 L (1 - k): its resonance rises as 1 / sqrt(1 - k) (common practice)."""
    seen = []
    for k in (0.0, 0.75):
        stage = two_inductor(22e-6, 22e-6, 4e-6, 100e-6, esr1=0.005, esr2=0.01, coupling=k)
        conv = converter(SEPIC, stage, 15.0, 15.0, 1.25, 3e6)
        modes = linearise(operating_point(conv)).multipliers[0]
        seen.append(np.abs(np.angle(modes)).max() * 3e6 / (2 * np.pi))
    assert seen[0] == pytest.approx(1 / (2 * np.pi * np.sqrt(4e-6 * 44e-6)), rel=0.03)
    assert seen[1] / seen[0] == pytest.approx(2.0, rel=0.02)
