"""The averaged model approaches the switched one at the order theory gives; features carry the trade's names."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import BOOST, BUCK, BUCK_BOOST, SEPIC, averaged_at, converter, one_inductor, trap, trap_stage

from loopdesign.models.averaged import average, by_mode
from loopdesign.models.insight import plants
from loopdesign.models.roots import poles_hz, quality, zeros_hz
from loopdesign.models.switched import linearise
from loopdesign.network.modulator import PeakCurrentMode, VoltageMode
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.waveforms import average_state

DAMPER = (2.2, 22e-6)
SCHEMES = {"voltage": VoltageMode(ramp=1.5), "peak current": PeakCurrentMode(sense_gain=0.05, slope=108e3)}
SOURCES = ("control", "line", "load")


def relative_error(conv, f, source, output="v(out)"):
    """Averaged over switched response, less one."""
    point = operating_point(conv)
    exact = linearise(point).response(f, source, [output])[0, 0]
    return average(point, conv.modulator).response(f, source, output)[0] / exact - 1.0


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("coupling", [0.0, 0.9])
@pytest.mark.parametrize("source", SOURCES)
def test_averaging_error_falls_with_the_square_of_the_period(scheme, coupling, source):
    """The same stage at ever higher switching frequency: ripple and sampling effects are of second order in the period.

    First-order terms cancel: natural sampling has no delay, and the current loop's sampling is in the model.
    """
    f = np.geomspace(100.0, 15e3, 25)
    damper = None if coupling else DAMPER
    errors = []
    for fs in (2.4e6, 4.8e6, 9.6e6):
        conv = converter(
            SEPIC, trap_stage(damper=damper, coupling=coupling), 13.0, 15.0, 1.25, fs, modulator=SCHEMES[scheme]
        )
        errors.append(np.abs(relative_error(conv, f, source)).max())
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert orders[-1] == pytest.approx(2.0, abs=0.1)
    assert orders[0] == pytest.approx(2.0, abs=0.2)
    assert errors[-1] < 1e-4


@pytest.mark.parametrize("vin", [6.0, 13.0, 30.0])
@pytest.mark.parametrize("cure", [{"damper": DAMPER}, {"coupling": 0.98}], ids=["damper", "coupled"])
def test_continuous_conduction_below_a_tenth(vin, cure):
    """Within 0.25 dB and 1.5 degrees below fs/10: what the model promises."""
    error = 1.0 + relative_error(trap(vin, **cure), np.geomspace(30.0, 30e3, 60), "control")
    assert np.abs(20 * np.log10(np.abs(error))).max() < 0.25
    assert np.abs(np.degrees(np.angle(error))).max() < 1.5


@pytest.mark.parametrize("vin", [8.0, 13.0, 30.0])
@pytest.mark.parametrize("current", [0.02, 0.05])
@pytest.mark.parametrize("source", ["control", "load", "line"])
@pytest.mark.parametrize("cure", [{"damper": DAMPER}, {"coupling": 0.9}], ids=["damper", "coupled"])
def test_discontinuous_conduction(vin, current, source, cure):
    """Within 0.5 dB and 3 degrees below fs/20, the reduced-order model of discontinuous conduction."""
    conv = trap(vin, current=current, **cure)
    assert operating_point(conv).discontinuous[0]
    error = 1.0 + relative_error(conv, np.geomspace(30.0, 300e3 / 20, 60), source)
    assert np.abs(20 * np.log10(np.abs(error))).max() < 0.5
    assert np.abs(np.degrees(np.angle(error))).max() < 3.0


def test_input_current_response():
    """Input impedance from the averaged model, loop open."""
    error = relative_error(trap(13.0, damper=DAMPER), np.geomspace(30.0, 15e3, 30), "line", "i(line)")
    assert np.abs(error).max() < 0.05


DCM = {
    "buck": (BUCK, 12.0, 5.0, lambda D, M, V: (2 * V / D * (1 - M) / (2 - M), (2 - M) / (1 - M))),
    "boost": (BOOST, 12.0, 20.0, lambda D, M, V: (2 * V / D * (M - 1) / (2 * M - 1), (2 * M - 1) / (M - 1))),
    "buck-boost": (BUCK_BOOST, 12.0, 9.0, lambda D, M, V: (V / D, 2.0)),
}


@pytest.mark.parametrize("name", DCM)
def test_discontinuous_table(name):
    """E10, R. W. Erickson, D. Maksimovic, 2020, Table 15.3: Gd0 and pole of Gvd, and Gg0 = M."""
    topology, vin, vout, formula = DCM[name]
    R, C, fs = 100.0, 2e-3, 100e3
    conv = converter(topology, one_inductor(10e-6, C), vin, vout, vout / R, fs)
    point = operating_point(conv)
    assert point.discontinuous[0]
    D, M = float(point.duty[0]), vout / vin
    gain, pole = formula(D, M, vout)
    model = average(point, conv.modulator)
    assert abs(model.response(np.array([1e-5]), "control", "v(out)")[0, 0]) == pytest.approx(gain, rel=1e-3)
    assert -poles_hz(model, 0)[0].real == pytest.approx(pole / (2 * np.pi * R * C), rel=1e-3)
    assert abs(model.response(np.array([1e-5]), "line", "v(out)")[0, 0]) == pytest.approx(M, rel=1e-3)


def test_discontinuous_boost_example():
    """E11, Eqs. 15.61-15.65: D = 0.25, Gd0 = 72 V, fp = 112 Hz (112.876), f2 = 64 kHz, right-half-plane zero 127 kHz."""
    conv = converter(BOOST, one_inductor(5e-6, 470e-6), 24.0, 36.0, 3.0, 100e3)
    point = operating_point(conv)
    assert point.duty[0] == pytest.approx(0.25, rel=1e-3)
    plant = plants(conv, point)[0]
    assert plant.dc_gain == pytest.approx(72.0, rel=2e-3)
    assert -plant.poles_hz[0].real == pytest.approx(112.876, rel=2e-3)
    assert -plant.poles_hz[1].real == pytest.approx(63.662e3, rel=5e-3)
    assert plant.right_half_plane_zero_hz == pytest.approx(127.324e3, rel=0.01)
    assert plant.named("discontinuous-conduction pole").frequency_hz == pytest.approx(63.662e3, rel=5e-3)


@pytest.mark.parametrize("current", [1.25, 0.05])
@pytest.mark.parametrize("scheme", SCHEMES)
def test_python_control_system_is_the_same_model(current, scheme):
    """SI units, named inputs and outputs; frequency response by python-control."""
    base = trap(20.0, damper=DAMPER, current=current)
    conv = converter(SEPIC, base.stage, 20.0, 15.0, current, 300e3, modulator=SCHEMES[scheme])
    model = average(operating_point(conv), conv.modulator)
    system = model.to_control()
    f = np.geomspace(10.0, 100e3, 12)
    values = system(2j * np.pi * f)
    for i, output in enumerate(system.output_labels):
        for j, source in enumerate(system.input_labels):
            assert_allclose(values[i, j], model.response(f, source, output)[0], rtol=1e-8, atol=1e-12)
    assert list(system.input_labels) == ["control", "line", "load"]
    assert list(system.output_labels) == ["v(out)", "i(line)", "v(regulated)"]


@pytest.mark.parametrize("current", [1.25, 0.05])
def test_poles_and_zeros_are_those_of_the_response(current):
    """The response is small at a zero and large at a pole: gain times roots gives the response back."""
    conv = trap(20.0, damper=DAMPER, current=current)
    plant = plants(conv, operating_point(conv))[0]
    model = average(operating_point(conv), conv.modulator)
    f = np.geomspace(10.0, 20e3, 30)
    s = 1j * f
    product = plant.dc_gain * np.prod(1 - s / plant.zeros_hz[:, None], 0) / np.prod(1 - s / plant.poles_hz[:, None], 0)
    assert_allclose(product, model.response(f, "control", "v(out)")[0], rtol=1e-5)


def test_average_state_of_a_periodic_orbit():
    """Averages of an orbit are known without the waveform: charge balance and volt-second balance."""
    conv = trap(np.array([13.0, 20.0]), damper=DAMPER, current=np.array([1.25, 0.05]))
    point = operating_point(conv)
    assert point.discontinuous.tolist() == [False, True]
    mean = average_state(point) / point.network.state_scale
    states = point.network.states
    # L2 returns the load current: the diode's average less that of L1 is what flows through Cs, nothing
    assert_allclose(mean[:, states.index("i(L2)")], [1.25, 0.05], rtol=1e-9)
    volts = conv.input_voltage - 0.03 * mean[:, states.index("i(L1)")] + 0.03 * mean[:, states.index("i(L2)")]
    assert_allclose(mean[:, states.index("v(Cs)")], volts, rtol=1e-9)
    assert_allclose(mean[:, states.index("v(Cd)")], volts, rtol=1e-9)
    assert [list(s) for s in by_mode(point)] == [[0], [1]]


def test_features_of_the_trap():
    """The undamped current loop shows its resonance with a negative quality at low line and a positive one at high line."""
    conv = trap(np.array([6.0, 30.0]))
    low, high = plants(conv, operating_point(conv))
    expected = 1 / (2 * np.pi * np.sqrt(4e-6 * 44e-6))
    for plant, right in ((low, True), (high, False)):
        pair = plant.named("coupling-capacitor resonance")
        assert pair.frequency_hz == pytest.approx(expected, rel=0.03)
        assert pair.right_half_plane is right
        assert (pair.quality < 0) is right
        assert plant.named("half-switching-frequency pair").frequency_hz == pytest.approx(150e3, rel=0.01)
    esr = low.named("output capacitor ESR zero")
    assert esr.frequency_hz == pytest.approx(1 / (2 * np.pi * 0.01 * 100e-6), rel=1e-2)


def test_batched_plants_keep_their_order():
    """Corners of both conduction modes come back in the order given."""
    conv = trap(np.array([20.0, 20.0, 8.0]), damper=DAMPER, current=np.array([0.05, 1.25, 0.05]))
    point = operating_point(conv)
    together = plants(conv, point)
    for k in range(3):
        one = trap(conv.input_voltage[k], damper=DAMPER, current=conv.load_current[k])
        alone = plants(one, operating_point(one))[0]
        assert together[k].dc_gain == pytest.approx(alone.dc_gain, rel=1e-8)
        assert_allclose(np.abs(together[k].poles_hz), np.abs(alone.poles_hz), rtol=1e-6)


def test_quality_of_roots():
    assert quality(-3.0 + 0.0j) is None
    assert quality(-3.0 + 4.0j) == pytest.approx(5 / 6)
    assert quality(3.0 + 4.0j) == pytest.approx(-5 / 6)
    assert quality(4.0j) == np.inf


def test_line_response_has_zeros_of_its_own():
    """Control and line reach the output by different ways: a boost's line response has no right-half-plane zero (Table 8.2)."""
    model = averaged_at(converter(BOOST, one_inductor(160e-6, 160e-6), 30.0, 75.0, 7.5, 200e3), 0.6)
    assert len(zeros_hz(model, 0, "line")) == 0
    assert len(zeros_hz(model, 0, "control")) == 1
