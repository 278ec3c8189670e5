"""Peak current mode of the shipped one-inductor stages against published models and numbers.

Source: R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., Springer, 2020, chapter 18. The comparator
here has no volts per ampere of its own beyond the sense gain, so currents in the source are volts over that gain.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import averaged_at, converter, one_inductor

from loopdesign.averaged import average
from loopdesign.converter import operating_point
from loopdesign.insight import plants
from loopdesign.modulator import PeakCurrentMode, VoltageMode
from loopdesign.switched import control_to_output, line_to_output, linearise
from loopdesign.topologies import TOPOLOGIES

RATIO = {"buck": lambda D: D, "boost": lambda D: 1 / (1 - D), "inverting": lambda D: D / (1 - D)}


def current_mode(name, stage, vin, vout, load, fs, ramp):
    """Build a stage with a sense gain of 1 V/A and a ramp [A/s]; ``load`` in ohm."""
    modulator = PeakCurrentMode(sense_gain=1.0, slope=ramp)
    return converter(TOPOLOGIES[name], stage, vin, vout, vout / load, fs, modulator=modulator)


@pytest.mark.parametrize(("vout", "expected"), [(50.0, -1.5), (30.0, -0.5)])
def test_period_ratio_of_the_boost(vout, expected):
    """C1, Eqs. 18.40-18.56: boost from 20 V without a ramp, perturbations multiply by -1.5 at 50 V and by -0.5 at 30 V."""
    conv = current_mode("boost", one_inductor(100e-6, 0.1), 20.0, vout, 50.0, 100e3, 0.0)
    multipliers = linearise(operating_point(conv)).multipliers[0]
    assert min(multipliers, key=lambda m: m.real).real == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("D", [0.3, 0.6])
@pytest.mark.parametrize("name", RATIO)
def test_simple_model_is_the_limit_of_small_ripple(name, D):
    """C2, Tables 18.3-18.5: Gvc and Gvg of the first-order model, met where the ripple vanishes (400 MHz)."""
    L, C, R, vin = 160e-6, 160e-6, 10.0, 30.0
    d = 1 - D
    f = np.geomspace(5.0, 20e3, 12)
    s = 2j * np.pi * f
    Gvc, Gvg = {
        "buck": (R / (1 + s * R * C), 0 * s),
        "boost": (
            d * R / 2 * (1 - s * L / (d**2 * R)) / (1 + s * R * C / 2), 1 / (2 * d) / (1 + s * R * C / 2),
        ),
        "inverting": (
            R * d / (1 + D) * (1 - s * D * L / (d**2 * R)) / (1 + s * R * C / (1 + D)),
            # the source counts this output negative: its minus sign goes with the mirror
            D**2 / (1 - D**2) / (1 + s * R * C / (1 + D)),
        ),
    }[name]  # fmt: skip
    conv = current_mode(name, one_inductor(L, C), vin, vin * RATIO[name](D), R, 400e6, 0.0)
    model = averaged_at(conv, D)
    assert_allclose(model.response(f, "control", "v(out)")[0], Gvc, rtol=2e-3)
    assert_allclose(model.response(f, "line", "v(out)")[0], Gvg, rtol=2e-3, atol=1e-3)


def test_printed_simple_models():
    """C2 (derived numbers): boost 20 V to 50 V: 2.0 ohm, 2546.48 Hz, 318.310 Hz; inverting E1 parts: 2.5 ohm, 2652.58, 159.155."""
    for name, stage, vin, vout, numbers in (
        ("boost", one_inductor(100e-6, 100e-6), 20.0, 50.0, (2.0, 2546.48, 318.310)),
        ("inverting", one_inductor(160e-6, 160e-6), 30.0, 45.0, (2.5, 2652.58, 159.155)),
    ):
        conv = current_mode(name, stage, vin, vout, 10.0, 400e6, 0.0)
        plant = plants(conv, operating_point(replace(conv, modulator=PeakCurrentMode(sense_gain=1.0, slope=1e7))))[0]
        assert plant.dc_gain == pytest.approx(numbers[0], rel=2e-3)
        assert plant.right_half_plane_zero_hz == pytest.approx(numbers[1], rel=2e-3)
        assert abs(plant.poles_hz[0]) == pytest.approx(numbers[2], rel=2e-3)


def accurate_model(name, conv, point, f):
    """C3, Eqs. 18.67-18.90 and Table 18.2 (3rd edition form): Gvc and Gvg from the duty-controlled responses."""
    D, T = float(point.duty[0]), conv.period
    L, V, vin = conv.stage.L1.inductance, float(conv.output_voltage[0]), float(conv.input_voltage[0])
    up, down = {"buck": (vin - V, V), "boost": (vin, V - vin), "inverting": (vin, V)}[name]
    Fm = 1 / ((conv.modulator.slope + (up - down) / L / 2) * T)
    both = D * (1 - D) * T / (2 * L)
    Fg, Fv = {"buck": (both, 0.0), "boost": (0.0, both), "inverting": (both, -both)}[name]
    if name == "inverting":
        Fv = both  # the source's output is negative; here it is counted positive, which turns the sign
    plain = averaged_at(replace(conv, modulator=VoltageMode(ramp=1.0)), D)

    def of(source, output):
        return plain.response(f, source, output)[0]

    Gvd, Gvg = of("control", "v(out)"), of("line", "v(out)")
    # inductor current from the output's balance: what reaches the node is v (1/R + sC)
    s, R, C = 2j * np.pi * f, V / float(conv.load_current[0]), conv.stage.Co[0].capacitance
    Y = 1 / R + s * C
    fed = {"buck": (1.0, 0.0)}.get(name, (1 - D, V / R / (1 - D)))
    Gid, Gig = (Gvd * Y + fed[1]) / fed[0], Gvg * Y / fed[0]
    den = 1 + Fm * (Gid + Fv * Gvd)
    return Fm * Gvd / den, (Gvg - Fm * Fg * Gvd + Fm * (Gvg * Gid - Gig * Gvd)) / den


@pytest.mark.parametrize("name", RATIO)
def test_accurate_model_meets_the_switched_one_at_low_frequency(name):
    """C3: control and line response within 0.1 dB of the exact ones up to fs/50, at half a down-slope of ramp."""
    L, C, R, vin, fs, D = 40e-6, 200e-6, 10.0, 30.0, 200e3, 0.45
    vout = vin * RATIO[name](D)
    down = {"buck": vout, "boost": vout - vin, "inverting": vout}[name] / L
    conv = current_mode(name, one_inductor(L, C), vin, vout, R, fs, 0.5 * down)
    point = operating_point(conv)
    f = np.geomspace(20.0, fs / 50, 12)
    Gvc, Gvg = accurate_model(name, conv, point, f)
    model = linearise(point)
    for found, exact in ((control_to_output(model, f)[0], Gvc), (line_to_output(model, f)[0], Gvg)):
        if name == "buck" and exact is Gvg:
            assert_allclose(np.abs(found), 0.0, atol=2e-3)  # half the down-slope nulls a buck's line response
        else:
            assert np.abs(20 * np.log10(np.abs(found / exact))).max() < 0.1


CPM_BUCK = {"vin": 12.0, "load": 10.0, "fs": 200e3, "ramp": 0.6 * 200e3}


def programmed_buck(vout):
    stage = one_inductor(35e-6, 100e-6, winding=0.05)
    return current_mode("buck", stage, CPM_BUCK["vin"], vout, CPM_BUCK["load"], CPM_BUCK["fs"], CPM_BUCK["ramp"])


def test_programmed_buck_operating_point():
    """C4, 18.5.3, Fig. 18.32: with 1.4 V of control and 0.6 V of ramp D = 0.676, V = 8.1 V, IL = 0.81 A (8.06765 V exactly)."""
    conv = programmed_buck(8.06765)
    point = operating_point(conv)
    assert point.trim[0] == pytest.approx(1.4, rel=5e-3)
    assert point.duty[0] == pytest.approx(0.676, rel=5e-3)
    assert conv.load_current[0] == pytest.approx(0.81, rel=5e-3)


def test_programmed_buck_plant():
    """C5, 18.4.2, 18.6.2: Gc0 = 7.92 ohm (18 dB), dominant pole 201 Hz, line gain at dc more than 30 dB below duty's 0.67.

    The line gain itself (-37.9 dB in the source) is what remains of a near cancellation by a ramp of 0.525 of the down-slope, and
    the winding resistance, which the source's formula leaves out, moves it.
    """
    conv = programmed_buck(8.06765)
    point = operating_point(conv)
    plant = plants(conv, point)[0]
    assert plant.dc_gain == pytest.approx(7.92, rel=0.02)
    assert abs(plant.poles_hz[0]) == pytest.approx(201.0, rel=0.02)
    dc = np.array([0.1])
    line = 20 * np.log10(abs(line_to_output(linearise(point), dc)[0, 0]))
    assert line < 20 * np.log10(0.67) - 30.0
    averaged = average(point, conv.modulator).response(dc, "line", "v(out)")[0, 0]
    assert abs(averaged) == pytest.approx(10 ** (line / 20), abs=1e-3)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("name", ["inverting", "flyback"])
def test_programmed_discontinuous_output(name, share):
    """C10, Eqs. 18.178-18.195: V = Ic sqrt(R L fs/2)/(1 + Ma/M1) in discontinuous conduction, ramp a share of the up-slope."""
    L, R, fs, vin, V = 20e-6, 30.0, 100e3, 20.0, 15.0
    stage = one_inductor(L, 5e-3)
    if name == "flyback":
        stage = replace(stage, turns=0.8)
    conv = current_mode(name, stage, vin, V, R, fs, share * vin / L)
    point = operating_point(conv)
    assert point.discontinuous[0]
    assert point.trim[0] == pytest.approx(V * (1 + share) / np.sqrt(R * L * fs / 2), rel=1e-5)


@pytest.mark.parametrize(
    ("M", "ramp", "stable"),
    [(0.660, 0.0, True), (0.673, 0.0, False), (0.8, 0.08, False), (0.8, 0.09, True), (0.95, 0.09, True)],
)
def test_programmed_discontinuous_buck(M, ramp, stable):
    """C10: without a ramp unstable for M > 2/3 in discontinuous conduction; a ramp of (3 - 2 sqrt 2)/2 = 0.086 m2 cures every M."""
    L, fs, vin = 5e-6, 100e3, 24.0
    V = M * vin
    load = 40 * 2 * L * fs / (1 - M)  # well within discontinuous conduction
    conv = current_mode("buck", one_inductor(L, 100e-6), vin, V, load, fs, ramp * V / L)
    point = operating_point(conv)
    assert point.discontinuous[0]
    assert bool((np.abs(linearise(point).multipliers[0]) < 1.0).all()) is stable
