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

from loopdesign.compensation.compensator import Divider, NetworkParts, OperationalAmplifier
from loopdesign.compensation.response import compensator_response
from loopdesign.margins.margins import find_margins
from loopdesign.models.averaged import average
from loopdesign.models.insight import plants
from loopdesign.models.switched import control_to_output, line_to_output, linearise
from loopdesign.network.modulator import PeakCurrentMode, VoltageMode
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.orbit.operating_point import operating_point

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


def published_factors(point):
    """C5, Eqs. 18.106-18.119: Ma/M2, Fm, Fg, Gc0, fc, Qc, fp1, fhf of the programmed buck, at the operating point given."""
    L, C, R, T, V = 35e-6, 100e-6, CPM_BUCK["load"], 1 / CPM_BUCK["fs"], 8.0
    D, ramp, up, down = float(point.duty[0]), CPM_BUCK["ramp"], (CPM_BUCK["vin"] - V) / L, V / L
    Fm = 1 / ((ramp + (up - down) / 2) * T)
    more = 1 + Fm * V / (D * R)
    fc = np.sqrt(more / (L * C)) / (2 * np.pi)
    Qc = R * np.sqrt(C / L) * np.sqrt(more) / (1 + R * C * Fm * V / (D * L))
    return {
        "Ma/M2": ramp / down, "Fm": Fm, "Fg": D * (1 - D) * T / (2 * L), "Gc0": V / D * Fm / more, "fc": fc, "Qc": Qc,
        "fp1": Qc * fc, "fhf": fc / Qc,
    }  # fmt: skip


PRINTED = {
    "Ma/M2": 0.525, "Fm": 3.2, "Fg": 0.016, "Gc0": 7.92, "fc": 5.9e3, "Qc": 0.034, "fp1": 201.0, "fhf": 174e3,
}  # fmt: skip
RECOMPUTED = {
    "Ma/M2": 0.525, "Fm": 3.18182, "Fg": 0.0157929, "Gc0": 7.92570, "fc": 5906.77, "Qc": 0.0339653, "fp1": 200.625,
    "fhf": 173906.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def eight_volts():
    """C5's operating point: 8 V, lossless, for its formulas leave the winding out."""
    stage = one_inductor(35e-6, 100e-6)
    conv = current_mode("buck", stage, CPM_BUCK["vin"], 8.0, CPM_BUCK["load"], CPM_BUCK["fs"], CPM_BUCK["ramp"])
    return conv, operating_point(conv)


def test_programmed_buck_factors(eight_volts):
    """C5, 18.4.2, 18.6.2: every printed factor within 1 % (3.2 and 0.016 within their rounding); the program's plant agrees.

    The source goes on with D = 0.67 for 2/3, which moves Fg and Qc by half a percent.
    """
    conv, point = eight_volts
    found = published_factors(point)
    for name, value in found.items():
        assert value == pytest.approx(RECOMPUTED[name], rel=0.01), name
        assert value == pytest.approx(PRINTED[name], rel=0.012 if name == "Fg" else 0.01), name
    plant = plants(conv, point)[0]
    assert plant.dc_gain == pytest.approx(found["Gc0"], rel=1e-6)
    assert plant.dc_gain == pytest.approx(7.92, rel=0.01)
    assert 20 * np.log10(plant.dc_gain) == pytest.approx(18.0, abs=0.05)
    assert abs(plant.poles_hz[0]) == pytest.approx(201.0, rel=0.01)


def test_programmed_buck_voltage_loop(eight_volts):
    """C5, Eqs. 18.148-18.153: Gcm = 67.1 for 40 kHz, PM 72 - 13 = 59 deg; exactly 40.986 kHz and 58.98 deg (derived).

    The source's plant has two poles, Gc0/((1 + s/wp1)(1 + s/whf)), and no sampling. The program's has the sampled pair at fs/2,
    here of Q = 1.7, so at fs/5 it crosses higher; below fs/50 the two are one.
    """
    _, point = eight_volts
    k = published_factors(point)
    H, fcv = 0.375, 40e3
    Gcm = 1.0 / (H * k["Gc0"]) * fcv / k["fp1"]
    assert Gcm == pytest.approx(67.1, rel=0.01)
    assert np.degrees(np.arctan(3.0) - np.arctan(fcv / k["fhf"])) == pytest.approx(59.0, rel=0.01)

    def plant(f):
        return k["Gc0"] / ((1 + 1j * f / k["fp1"]) * (1 + 1j * f / k["fhf"]))

    # R1 = 67.1 x 10 kohm in series with C1: an inverted zero at fcv/3 over a divider of 0.375
    upper, lower = 10e3, 6e3
    parts = NetworkParts(network="type II", R1=Gcm * H * upper, C1=1 / (2 * np.pi * Gcm * H * upper * fcv / 3), C2=0.0)
    divided = Divider(upper=upper, lower=lower)
    assert lower / (upper + lower) == H
    (found,) = find_margins(
        lambda f: plant(f) * compensator_response(OperationalAmplifier(), divided, parts, f), low_hz=100.0, high_hz=99e3
    )
    assert found.crossover_hz == pytest.approx(40.986e3, rel=0.01)
    assert found.phase_margin_deg == pytest.approx(58.98, rel=0.01)
    f = np.geomspace(20.0, CPM_BUCK["fs"] / 50, 20)
    ratio = control_to_output(linearise(point), f)[0] / plant(f)
    assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.1


def test_programmed_buck_line_gain():
    """C5: line gain at dc more than 30 dB below duty's 0.67 (-37.9 dB in the source), at the losses and 8.068 V of C4.

    The gain itself is what remains of a near cancellation by a ramp of 0.525 of the down-slope, and the winding resistance, which
    the source's formula leaves out, moves it.
    """
    conv = programmed_buck(8.06765)
    point = operating_point(conv)
    dc = np.array([0.1])
    line = 20 * np.log10(abs(line_to_output(linearise(point), dc)[0, 0]))
    assert line < 20 * np.log10(0.67) - 30.0
    averaged = average(point, conv.modulator).response(dc, "line", "v(out)")[0, 0]
    assert abs(averaged) == pytest.approx(10 ** (line / 20), abs=1e-3)


def test_programmed_buck_line_gain_without_losses(eight_volts):
    """C5: -37.93 dB at dc (derived from rounded values): what a near cancellation leaves, so 0.15 dB; exactly in closed form.

    V/R = Ic - ma V T/Vg - (Vg - V) V T/(2 L Vg), an output without ripple, gives dV/dVg = (ma - V/(2 L)) (V T/Vg^2) over
    1/R + ma T/Vg + (T/2L)(1 - 2V/Vg). The ripple of 100 uF takes 0.4 % of it.
    """
    _, point = eight_volts
    ma, V, Vg, load, T, L = CPM_BUCK["ramp"], 8.0, CPM_BUCK["vin"], CPM_BUCK["load"], 1 / CPM_BUCK["fs"], 35e-6
    exact = (ma - V / (2 * L)) * V * T / Vg**2 / (1 / load + ma * T / Vg + T / (2 * L) * (1 - 2 * V / Vg))
    stiff = operating_point(current_mode("buck", one_inductor(L, 0.1), Vg, V, load, 1 / T, ma))
    assert line_to_output(linearise(stiff), np.array([1e-4]))[0, 0].real == pytest.approx(exact, rel=2e-5)
    line = line_to_output(linearise(point), np.array([0.1]))[0, 0]
    assert line.real == pytest.approx(exact, rel=5e-3)
    assert 20 * np.log10(abs(line)) == pytest.approx(-37.93, abs=0.15)


@pytest.mark.parametrize("ramp", [0.0, 0.7])
@pytest.mark.parametrize("D", [0.3, 0.45])
@pytest.mark.parametrize("name", RATIO)
def test_feedforward_gains_of_the_continuous_time_model(name, D, ramp):
    """C7 (R. B. Ridley, IEEE Trans. Power Electronics 6(2), 1991, from memory): kf and kr, read off the averaged responses.

    d = Fm (vc - He Ri iL + kf vg + kr vo). The control response gives kr, the line response then kf, at every frequency alike.
    """
    L, C, R, vin, fs, Ri = 40e-6, 200e-6, 10.0, 30.0, 200e3, 0.25
    T, d = 1 / fs, 1 - D
    vout = vin * RATIO[name](D)
    up, down = {"buck": (vin - vout, vout), "boost": (vin, vout - vin), "inverting": (vin, vout)}[name]
    modulator = PeakCurrentMode(sense_gain=Ri, slope=ramp * Ri * down / L)
    conv = converter(TOPOLOGIES[name], one_inductor(L, C), vin, vout, vout / R, fs, modulator=modulator)
    f = np.geomspace(50.0, 0.4 * fs, 9)
    s = 2j * np.pi * f
    plain = averaged_at(replace(conv, modulator=VoltageMode(ramp=1.0)), D)
    programmed = averaged_at(conv, D)
    Gvd, Gvg = (plain.response(f, source, "v(out)")[0] for source in ("control", "line"))
    Gvc, closed = (programmed.response(f, source, "v(out)")[0] for source in ("control", "line"))
    # inductor current from the output's balance: v (1/R + s C) is what reaches the node
    share, fed = (1.0, 0.0) if name == "buck" else (d, vout / R / d)
    Gid, Gig = (Gvd * (1 / R + s * C) + fed) / share, Gvg * (1 / R + s * C) / share
    Fm = 1 / ((Ri * up / L + modulator.slope) * T)
    He = 1 - s * T / 2 + (s * T / np.pi) ** 2
    kr = (He * Ri * Gid + 1 / Fm - Gvd / Gvc) / Gvd
    duty = (closed - Gvg) / Gvd
    kf = duty / Fm + He * Ri * (Gig + Gid * duty) - kr * closed
    unit = T * Ri / L
    on = -D * (1 - D / 2) * unit
    expected = {
        "buck": (on, unit / 2), "boost": (-unit / 2, d**2 * unit / 2), "inverting": (on, d**2 * unit / 2),
    }[name]  # fmt: skip
    assert_allclose(kf, expected[0], rtol=1e-6)
    assert_allclose(kr, expected[1], rtol=1e-6)


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
