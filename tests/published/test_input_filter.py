"""Input filter and converter against published impedances, dampers, filters and loops.

Source: R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., Springer, 2020, chapter 17.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar, newton
from stages import averaged_at, converter, one_inductor

from loopdesign.analysis.filter_study import (
    filter_output_impedance,
    filter_study,
    parallel_rc,
    parallel_rl,
    ratio_of_parallel_rc,
    ratio_of_parallel_rl,
    ratio_of_series_rl,
    series_rl,
)
from loopdesign.case import FilterCapacitor, FilterDamper, InductorEntry, InputFilter, Source, load_case
from loopdesign.compensation.compensator import OperationalAmplifier
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import compensation, divider, line_load_corners, network_parts, solved
from loopdesign.corners.input_filter import filter_elements
from loopdesign.margins.margins import find_margins
from loopdesign.models.averaged import average
from loopdesign.models.roots import poles_hz, quality, zeros_hz
from loopdesign.models.switched import input_impedance, linearise
from loopdesign.network.circuit import derive
from loopdesign.network.elements import Capacitor, Resistor, VoltageSource
from loopdesign.network.elements import Inductor as Choke
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.orbit.operating_point import operating_point

DATA = Path(__file__).parent / "data"
L, C, R, VIN = 100e-6, 100e-6, 3.0, 30.0
ESR = 1e-7
"""What a filter capacitor must have here; small enough not to be seen in any of the numbers."""
RATIO = {"buck": lambda D: D, "boost": lambda D: 1 / (1 - D), "inverting": lambda D: D / (1 - D)}


def stage(name, D, source=()):
    vout = VIN * RATIO[name](D)
    return converter(TOPOLOGIES[name], one_inductor(L, C), VIN, vout, vout / R, 200e3, source=source)


def published_impedances(name, D, s):
    """F2, Table 17.1: ZN, ZD and Ze."""
    d = 1 - D
    if name == "buck":
        scale, Le, Ce, right = R / D**2, L, C, 0.0
        Ze = s * L / D**2
    elif name == "boost":
        scale, Le, Ce, right = d**2 * R, L / d**2, C, L / (d**2 * R)
        Ze = s * L
    else:
        scale, Le, Ce, right = d**2 * R / D**2, L / d**2, C, D * L / (d**2 * R)
        Ze = s * L / D**2
    ZD = scale * (1 + s * Le / R + s**2 * Le * Ce) / (1 + s * R * C)
    return -scale * (1 - s * right), ZD, Ze


def responses(model, f):
    """Rows output, input current; columns duty, line, load; (F,) each, input current counted into the converter."""
    rows = {"v": ("v(out)", 1.0), "i": ("i(line)", -1.0)}
    return {
        out + source[0]: sign * model.response(f, source, probe)[0]
        for out, (probe, sign) in rows.items()
        for source in ("control", "line")
    } | {"vs": model.response(f, "load", "v(out)")[0], "is": -model.response(f, "load", "i(line)")[0]}


@pytest.mark.parametrize("D", [0.3, 0.5, 0.65])
@pytest.mark.parametrize("name", RATIO)
def test_driving_point_impedances(name, D):
    """F2, Table 17.1: input impedance with the duty held (ZD), the output nulled (ZN) and the output shorted (Ze)."""
    f = np.geomspace(20.0, 50e3, 15)
    ZN, ZD, Ze = published_impedances(name, D, 2j * np.pi * f)
    g = responses(averaged_at(stage(name, D), D), f)
    assert_allclose(1 / g["il"], ZD, rtol=1e-8)
    assert_allclose(1 / (g["il"] - g["ic"] * g["vl"] / g["vc"]), ZN, rtol=1e-8)
    assert_allclose(1 / (g["il"] - g["is"] * g["vl"] / g["vs"]), Ze, rtol=1e-8)


def test_printed_buck_impedances():
    """F1, Eqs. 17.21-17.31: R/D^2 = 12 ohm, f0 = 1.6 kHz, |ZD(f0)| = 1.33 ohm from asymptotes (1.264911 exactly)."""
    model = averaged_at(stage("buck", 0.5), 0.5)
    low, corner = (abs(1 / responses(model, np.array([f]))["il"][0]) for f in (0.01, 1591.549))
    assert low == pytest.approx(12.0, rel=1e-6)
    assert corner == pytest.approx(1.264911, rel=1e-6)
    sweep = np.linspace(1500.0, 1700.0, 20001)
    sizes = np.abs(1 / responses(model, sweep)["il"])
    assert sizes.min() == pytest.approx(1.264734, rel=1e-6)
    assert sweep[np.argmin(sizes)] == pytest.approx(1587.08, abs=0.1)  # the minimum is flat


def test_printed_buck_asymptotes():
    """F1, Eqs. 17.21-17.31: ZD has f0 = 1.6 kHz, Q = 3, R0/D^2 = 4 ohm between R/D^2 = 12 ohm and R/D^2/Q^2 = 1.33 ohm."""
    model = averaged_at(stage("buck", 0.5), 0.5)
    pole = complex(poles_hz(model, 0)[0])  # where the control response has its poles, ZD has its zeros
    assert abs(pole) == pytest.approx(1600.0, rel=6e-3)
    assert abs(pole) == pytest.approx(1591.55, rel=1e-5)
    assert quality(pole) == pytest.approx(3.0, rel=1e-6)
    low, high = (abs(1 / responses(model, np.array([f]))["il"][0]) for f in (0.01, 1e6))
    resistance = low / quality(pole)  # R/D^2 over Q is the characteristic resistance over D^2
    assert resistance == pytest.approx(4.0, rel=1e-6)
    # the inductor's asymptote meets the characteristic resistance at f0 as well
    assert high * abs(pole) / 1e6 == pytest.approx(resistance, rel=1e-4)
    assert low / quality(pole) ** 2 == pytest.approx(1.33, abs=0.005)


def test_printed_filter_asymptotes():
    """F1: ff = 400 Hz, R0f = 0.84 ohm, 4700 uF is 0.084 ohm there; read off the program's filter without its damper."""
    netlist, period = elements(330e-6, 470e-6), np.array([1e-5])
    inductive, capacitive = (abs(filter_output_impedance(netlist, period, np.array([f]))[0, 0]) for f in (0.4, 400e3))
    choke, susceptance = inductive / 0.4, capacitive * 400e3  # ohm per hertz, ohm times hertz
    assert np.sqrt(susceptance / choke) == pytest.approx(404.124, rel=1e-4)
    assert np.sqrt(susceptance / choke) == pytest.approx(400.0, rel=0.0125)
    assert np.sqrt(susceptance * choke) == pytest.approx(0.84, rel=5e-3)
    assert np.sqrt(susceptance * choke) == pytest.approx(0.837931, rel=1e-4)
    damped = elements(330e-6, 470e-6, FilterDamper(resistance=1e-6, capacitance=4700e-6))
    both = abs(filter_output_impedance(damped, period, np.array([400e3]))[0, 0]) * 400e3
    assert 1 / (1 / both - 1 / susceptance) / 404.124 == pytest.approx(0.084, rel=5e-3)


def elements(choke, capacitance, damper=None, source=None, leakage=None):
    """Netlist of a filter as a case describes it."""
    given = InputFilter(
        L=InductorEntry(inductance=choke),
        C=FilterCapacitor(capacitance=capacitance, esr=ESR),
        damper=damper,
        source=source or Source(),
        choke_leakage=leakage,
    )
    case = load_case(DATA / "buck_regulator.toml").model_copy(update={"input_filter": given})
    one = np.ones(1)
    return filter_elements(case, Corners(input_voltage=28.0 * one, load_current=one, temperature=25.0 * one))


def peak(netlist, around_hz):
    """Peak of a filter's output impedance [ohm] and where [Hz]."""
    period = np.array([1e-5])

    def size(x):
        return -abs(filter_output_impedance(netlist, period, np.array([np.exp(x)]))[0, 0])

    f = np.geomspace(around_hz / 30, around_hz * 30, 1200)
    k = int(np.argmax(np.abs(filter_output_impedance(netlist, period, f)[0])))
    found = minimize_scalar(size, bounds=tuple(np.log([f[k - 1], f[k + 1]])), method="bounded", options={"xatol": 1e-9})
    return -found.fun, float(np.exp(found.x))


def test_printed_filter_peak():
    """F1: 330 uH, 470 uF, damped by 1 ohm and 4700 uF: peak 1.00757 ohm at 388.70 Hz; R0 = 0.84 ohm, f0 = 400 Hz."""
    size, at = peak(elements(330e-6, 470e-6, FilterDamper(resistance=1.0, capacitance=4700e-6)), 400.0)
    assert size == pytest.approx(1.00757, rel=1e-5)
    assert at == pytest.approx(388.70, rel=1e-4)


def test_extra_element_correction():
    """F2, Eqs. 17.4-17.14: with the filter, control to output is multiplied by (1 + Zo/ZN)/(1 + Zo/ZD)."""
    damper = FilterDamper(resistance=1.0, capacitance=4700e-6)
    netlist = elements(330e-6, 470e-6, damper)
    f = np.geomspace(20.0, 50e3, 25)
    Zo = filter_output_impedance(netlist, np.array([1e-5]), f)[0]
    for name in RATIO:
        ZN, ZD, _ = published_impedances(name, 0.5, 2j * np.pi * f)
        plain, filtered = (
            averaged_at(stage(name, 0.5, source=s), 0.5).response(f, "control", "v(out)")[0] for s in ((), netlist)
        )
        assert_allclose(filtered, plain * (1 + Zo / ZN) / (1 + Zo / ZD), rtol=1e-5)


@pytest.mark.parametrize("n", [0.5, 1.0, 2.519129, 6.0])
@pytest.mark.parametrize("kind", ["parallel_rc", "parallel_rl", "series_rl"])
def test_optimum_dampers_by_minimisation(kind, n):
    """F3 to F5, Eqs. 17.33-17.46: no other resistance has a lower peak, and peak and its place are as the formula says."""
    choke, capacitance = 330e-6, 470e-6
    form = {"parallel_rc": parallel_rc, "parallel_rl": parallel_rl, "series_rl": series_rl}[kind](choke, capacitance, n)

    def built(resistance):
        if kind == "parallel_rc":
            return elements(choke, capacitance, FilterDamper(resistance=resistance, capacitance=form.capacitance))
        if kind == "parallel_rl":
            return elements(choke, capacitance, FilterDamper(resistance=resistance, inductance=form.inductance))
        return (
            Choke(name="Lf", a="line", b="m", inductance=choke),
            Choke(name="Lb", a="m", b="supply", inductance=form.inductance),
            Resistor(name="Rf", a="m", b="supply", resistance=resistance),
            Capacitor(name="Cf", a="supply", b="0", capacitance=capacitance, esr=ESR),
        )

    size, at = peak(built(form.resistance), 404.124)
    assert size == pytest.approx(form.peak, rel=1e-5)
    assert at == pytest.approx(form.peak_hz, rel=1e-3)
    best = minimize_scalar(
        lambda x: peak(built(form.resistance * np.exp(x)), 404.124)[0], bounds=(-0.5, 0.5), method="bounded",
        options={"xatol": 1e-5},
    )  # fmt: skip
    assert best.fun == pytest.approx(form.peak, rel=1e-4)
    assert best.x == pytest.approx(0.0, abs=5e-3)


def test_printed_dampers():
    """F3: 1 ohm takes n = 2.5, 1200 uF, 0.67 ohm; F4: n = 0.516 and 0.93, 6 dB at n = 1, 9.5 dB at 0.5; F5: 0.512348 at n = 1."""
    R0 = np.sqrt(330e-6 / 470e-6)
    n = ratio_of_parallel_rc(1.0 / R0)
    assert n == pytest.approx(2.519129, rel=1e-6)
    rc = parallel_rc(330e-6, 470e-6, n)
    assert rc.capacitance == pytest.approx(1200e-6, rel=0.015)
    assert rc.resistance == pytest.approx(0.67, rel=0.01)
    assert (rc.peak, rc.peak_hz) == (pytest.approx(1.0, rel=1e-9), pytest.approx(268.845, rel=1e-5))
    rl = parallel_rl(330e-6, 470e-6, 0.516)
    assert rl.resistance / R0 == pytest.approx(0.93, rel=2e-3)
    assert parallel_rl(1e-6, 1e-6, 1.0).attenuation_loss_db == pytest.approx(6.0, abs=0.03)
    assert parallel_rl(1e-6, 1e-6, 0.5).attenuation_loss_db == pytest.approx(9.5, abs=0.05)
    assert parallel_rl(1e-6, 1e-6, 1.0).peak == pytest.approx(np.sqrt(6.0))
    for n, ratio, size in ((1.0, 0.512348, 3.464102), (2.5, 0.761766, 2.244994)):
        series = series_rl(1e-6, 1e-6, n)
        assert series.resistance == pytest.approx(ratio, rel=1e-5)  # R0 is 1 ohm
        assert series.peak == pytest.approx(size, rel=1e-6)


@pytest.mark.parametrize("p", [0.7, 1.6, 4.0])
def test_ratios_invert_the_peaks(p):
    assert parallel_rc(1.0, 1.0, ratio_of_parallel_rc(p)).peak == pytest.approx(p)
    assert parallel_rl(1.0, 1.0, ratio_of_parallel_rl(p)).peak == pytest.approx(p)
    ratio = ratio_of_series_rl(p)
    if p > np.sqrt(2.0):
        assert ratio is not None
        assert series_rl(1.0, 1.0, ratio).peak == pytest.approx(p)
    else:
        assert ratio is None


def attenuation_db(netlist, frequency_hz):
    """Attenuation [dB] from the source to the converter; by reciprocity that of a current drawn, on its way to the source."""
    period = np.array([1e-6])
    parts = (VoltageSource(name="line", a="line", b="0"), *netlist)
    network = derive(parts, (frozenset(),), ("v(supply)",), period=period)
    (c,) = network.configurations
    s = 2j * np.pi * frequency_hz * period[0]
    x = np.linalg.solve(s * np.eye(c.A.shape[-1]) - c.A[0], c.B[0, :, network.input_index("line")])
    return -20 * np.log10(abs(c.C[0, 0] @ x + c.D[0, 0, network.input_index("line")]))


def test_two_section_filter():
    """F6, Eqs. 17.51-17.58: printed parts give 80 dB at 250 kHz and an output impedance that peaks near 10 dBohm."""
    first = parallel_rl(31.2e-6, 6.9e-6, 0.5)
    second = parallel_rl(5.8e-6, 11.7e-6, 0.5)
    for found, printed in (
        (first, (15.6e-6, 1.9, 15.3e3, 3.0)), (second, (2.9e-6, 0.65, 27.2e3, 1.0)),
    ):  # fmt: skip
        assert found.inductance == pytest.approx(printed[0], rel=1e-3)
        assert found.resistance == pytest.approx(printed[1], rel=0.03)
        assert found.peak_hz == pytest.approx(printed[2], rel=0.01)
        assert found.peak == pytest.approx(printed[3], rel=0.01)
    parts = (  # the second section lies on the source's side
        Choke(name="L2", a="line", b="m", inductance=5.8e-6),
        Choke(name="L2b", a="line", b="m", inductance=2.9e-6, resistance=0.65),
        Capacitor(name="C2", a="m", b="0", capacitance=11.7e-6, esr=ESR),
        Choke(name="L1", a="m", b="supply", inductance=31.2e-6),
        Choke(name="L1b", a="m", b="supply", inductance=15.6e-6, resistance=1.9),
        Capacitor(name="C1", a="supply", b="0", capacitance=6.9e-6, esr=ESR),
    )
    size, at = peak(parts, 12e3)
    assert 20 * np.log10(size) == pytest.approx(10.0, abs=0.5)
    assert size == pytest.approx(3.3097, rel=1e-3)
    assert at == pytest.approx(12.14e3, rel=2e-3)
    assert attenuation_db(parts, 250e3) == pytest.approx(80.0, abs=0.5)
    assert attenuation_db(parts, 250e3) == pytest.approx(79.76, abs=0.01)


# --- filter and closed loop ------------------------------------------------------------------------------------------


def regulator(damper=None, *, ideal=True):
    """F7: the published regulator on 1 ohm, with 31 uH and 47 uF ahead of it; ``damper`` is (resistance, capacitance)."""
    case = load_case(DATA / "buck_regulator.toml")
    given = None
    if damper is not None:
        given = InputFilter(
            L=InductorEntry(inductance=31e-6),
            C=FilterCapacitor(capacitance=47e-6, esr=ESR),
            damper=FilterDamper(resistance=damper[0], capacitance=damper[1]),
        )
    return case.model_copy(update={"input_filter": given})


def averaged_loop(case):
    """Averaged plant on 1 ohm times the compensator with an ideal amplifier, and the averaged model."""
    one = np.ones(1)
    corners = Corners(input_voltage=28.0 * one, load_current=15.212765957446809 * one, temperature=25.0 * one)
    conv, point = solved(case, corners)
    model = average(point, conv.modulator)
    parts = network_parts(case, case.compensation.parts)

    def loop(f):
        return model.response(f, "control", "v(out)") * compensator_response(
            OperationalAmplifier(), divider(case), parts, f
        )

    return loop, model, conv, point


def test_loop_without_filter():
    """F7 (derived): 5344.7 Hz, 50.83 deg."""
    loop, *_ = averaged_loop(regulator())
    (found,) = find_margins(loop, low_hz=20.0, high_hz=50e3)
    assert found.crossover_hz == pytest.approx(5344.7, rel=1e-3)
    assert found.phase_margin_deg == pytest.approx(50.83, abs=0.03)


def test_loop_with_a_damped_filter():
    """F7 (a), Figs. 17.34-17.37: three crossovers, left-half-plane zero pair near 4 kHz, stable; numbers derived."""
    case = regulator((1.7, 29e-6))
    loop, model, conv, point = averaged_loop(case)
    (found,) = find_margins(loop, low_hz=20.0, high_hz=50e3)
    assert_allclose(found.crossovers_hz, [3185.7, 4107.9, 5659.5], rtol=1e-3)
    assert_allclose(found.phase_margins_deg, [23.94, 123.64, 70.16], atol=0.1)
    pair = [z for z in zeros_hz(model, 0) if z.imag > 0]
    assert_allclose(pair, [-58.6 + 3697.8j], atol=0.1)
    closed = linearise(operating_point(conv.closed(compensation(case, case.compensation.parts)), point.sequence))
    assert (np.abs(closed.multipliers) < 1.0).all()
    # every closed-loop pole of the source's averaged loop left of -219 Hz: roots of 1 + T, sought from the switched model's modes
    modes = np.log(closed.multipliers[0] + 0j) * 100e3 / (2 * np.pi)
    slow = modes[(modes.real > -2e3) & (modes.imag >= -1e-6)]

    def returned(z):
        """1 + T at a complex frequency [Hz], with the network of E7 in factors."""
        network = 1.25 * (1 + 491.219 / z) * (1 + z / 1702.19) / (1 + z / 14855.5)
        return 1 + model.response(np.array([z / 1j]), "control", "v(out)").item() * network

    assert returned(1j * 3185.7) == pytest.approx(1 + loop(np.array([3185.7])).item(), rel=1e-4)
    roots = [newton(returned, z, tol=1e-9) for z in slow]
    assert max(z.real for z in roots) == pytest.approx(-219.0, abs=1.0)
    assert max(z.real for z in slow) == pytest.approx(-219.0, rel=0.03)


def test_zero_pair_of_an_undamped_filter():
    """F7 (b), Figs. 17.38-17.39: the zero pair near 4 kHz lies in the right half-plane (+317.6 +- j 4009.0 Hz, derived)."""
    _, model, *_ = averaged_loop(regulator((5.2, 8e-6)))
    pair = [z for z in zeros_hz(model, 0) if z.imag > 0]
    assert_allclose(pair, [317.6 + 4009.0j], atol=0.3)
    assert len(poles_hz(model, 0)) == 5


# --- source inductance with a bridged choke --------------------------------------------------------------------------


def test_bridged_choke_behind_a_source_inductance():
    """Choke and R-L damper share the source's inductance and resistance: impedance by hand, in parallel and in series."""
    damper = FilterDamper(resistance=1.9, inductance=15.6e-6)
    source = Source(resistance=0.03, inductance=2e-6)
    leakage = InductorEntry(inductance=1.5e-6, resistance=0.01)
    netlist = elements(31.2e-6, 6.9e-6, damper, source, leakage)
    f = np.geomspace(100.0, 1e6, 40)
    s = 2j * np.pi * f
    bridge, choke = 1.9 + s * 15.6e-6, s * 31.2e-6
    series = 0.04 + s * 3.5e-6 + bridge * choke / (bridge + choke)
    capacitor = ESR + 1 / (s * 6.9e-6)
    expected = series * capacitor / (series + capacitor)
    assert_allclose(filter_output_impedance(netlist, np.array([3e-6]), f)[0], expected, rtol=1e-9)


# --- the study -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def undamped():
    case = regulator()
    poor = InputFilter(
        L=InductorEntry(inductance=330e-6, resistance=0.02), C=FilterCapacitor(capacitance=100e-6, esr=0.005)
    )
    return case.model_copy(update={"input_filter": poor})


def test_study_finds_the_filter_that_turns_the_verdict(undamped):
    """Impedances as computed apart, the warning's frequency at the filter's resonance, and a damper that cures it."""
    study = filter_study(undamped, undamped.compensation.parts)
    resonance = 1 / (2 * np.pi * np.sqrt(330e-6 * 100e-6))
    assert all(v.stable for v in study.verdicts_without)
    assert any(study.turned)
    worst = int(np.argmin(study.separation.db))
    assert study.separation.db[worst] < 0.0
    assert study.separation.frequency_hz[worst] == pytest.approx(resonance, rel=0.02)
    assert any("UNSTABLE with it: input filter resonance" in w for w in study.warnings)
    assert any("exceeds by" in w and "have less than the 6 dB that are common practice" in w for w in study.warnings)
    proposal = study.proposal
    assert proposal is not None
    assert proposal.stable
    assert proposal.separation.db.min() > 5.5
    assert proposal.damping.capacitance is not None
    assert 1.0 < proposal.damping.ratio <= 10.0
    assert np.abs(study.loop_change_db).max() > 1.0


def test_study_of_a_well_damped_filter_has_no_warning(undamped):
    filtered = undamped.input_filter.model_copy(
        update={"L": InductorEntry(inductance=10e-6), "damper": FilterDamper(resistance=0.33, capacitance=470e-6)}
    )
    case = undamped.model_copy(update={"input_filter": filtered})
    study = filter_study(case, case.compensation.parts)
    assert study.warnings == ()
    assert study.proposal is None
    assert not any(study.turned)
    assert study.separation.db.min() > 6.0
    # (1 + Zo/ZN)/(1 + Zo/ZD) with both ratios below one half
    assert np.abs(study.loop_change_db).max() < 20.0 * np.log10(1.5 / 0.5)


def test_study_without_a_loop_holds_the_control_voltage(undamped):
    study = filter_study(undamped, {}, propose=False)
    assert not study.closed
    assert study.margins_with == ()
    assert study.loop_with.shape == (2, 0)
    bare = undamped.model_copy(update={"input_filter": None})
    conv, point = solved(bare, line_load_corners(bare))
    assert conv.source == ()
    assert_allclose(study.converter_ohm, input_impedance(linearise(point), study.frequencies_hz), rtol=1e-9)


def test_study_needs_a_filter():
    with pytest.raises(ValueError, match=r"no \[input_filter\]"):
        filter_study(regulator(), {})


def test_input_resistance_is_negative_at_low_frequency(undamped):
    """A regulated lossless stage draws constant power: -V^2/P at low frequency."""
    study = filter_study(undamped, undamped.compensation.parts, propose=False)
    power = 15.212765957446809 * study.conditions.load_current
    low = study.converter_ohm[:, 0]
    assert_allclose(low.real, -(28.0**2) / power, rtol=5e-3)
