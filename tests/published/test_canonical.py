"""The canonical converters in continuous conduction, voltage mode.

Source: R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., Springer, 2020. The buck-boost of these
tests has a one-to-one transformer across its inductor, so that its output is positive where the source's is negative.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import BOOST, BUCK, BUCK_BOOST, averaged_at, converter, one_inductor, point_at

from loopdesign.models.insight import plants
from loopdesign.models.switched import control_to_output, line_to_output, linearise
from loopdesign.network.circuit import derive
from loopdesign.network.elements import Capacitor, Inductor, Resistor, VoltageSource
from loopdesign.orbit.operating_point import operating_point

FS = 200e3
L, C, R = 160e-6, 160e-6, 10.0
TOPOLOGIES = {"buck": BUCK, "boost": BOOST, "buck-boost": BUCK_BOOST}
RATIO = {"buck": lambda D: D, "boost": lambda D: 1 / (1 - D), "buck-boost": lambda D: D / (1 - D)}


def lossless(name, D, vin=30.0, fs=FS):
    vout = vin * RATIO[name](D)
    return converter(TOPOLOGIES[name], one_inductor(L, C), vin, vout, vout / R, fs)


def table(name, D, vin):
    """Table 8.2: Gg0, Gd0, w0, Q and right-half-plane zero."""
    d = 1.0 - D
    V = vin * RATIO[name](D)
    w0 = 1 / np.sqrt(L * C)
    if name == "buck":
        return D, V / D, w0, R * np.sqrt(C / L), np.inf
    wz = d**2 * R / L
    return (
        V / vin,
        V / d / (D if name == "buck-boost" else 1.0),
        d * w0,
        d * R * np.sqrt(C / L),
        (wz / D if name == "buck-boost" else wz),
    )


def state_space(name, D, vin, s):
    """Numeric averaged responses of control and line to the output from hand-written 2-state equations, over s (F,)."""
    V = vin * RATIO[name](D)
    inductor_feeds_output = {"buck": (1.0, 1.0), "boost": (0.0, 1.0), "buck-boost": (0.0, 1.0)}[name]
    line_on_inductor = {"buck": (1.0, 0.0), "boost": (1.0, 1.0), "buck-boost": (1.0, 0.0)}[name]
    on, off = (np.array([[0.0, -g / L], [g / C, -1.0 / (R * C)]]) for g in inductor_feeds_output)
    b_on, b_off = (np.array([g / L, 0.0]) for g in line_on_inductor)
    A, b = D * on + (1 - D) * off, D * b_on + (1 - D) * b_off
    X = -np.linalg.solve(A, b * vin)
    assert_allclose(X[1], V, rtol=1e-12)
    drive = (on - off) @ X + (b_on - b_off) * vin
    inner = s[:, None, None] * np.eye(2) - A
    Gvd = np.linalg.solve(inner, np.broadcast_to(drive[:, None], (len(s), 2, 1)))[:, 1, 0]
    Gvg = np.linalg.solve(inner, np.broadcast_to(b[:, None], (len(s), 2, 1)))[:, 1, 0]
    return Gvd, Gvg


def test_printed_buck_boost():
    """E1, Eqs. 8.145-8.146, Fig. 8.35: Gg0 = 1.5, Gd0 = 187.5 V, f0 = 400 Hz, Q = 4, zero 2.65 kHz."""
    conv = lossless("buck-boost", 0.6)
    plant = plants(conv, point_at(conv, 0.6))[0]
    assert plant.dc_gain == pytest.approx(187.5, rel=1e-12)
    assert 20 * np.log10(plant.dc_gain) == pytest.approx(45.5, abs=0.1)
    pair = plant.named("output resonance")
    assert pair.frequency_hz == pytest.approx(400.0, rel=6e-3)
    assert pair.frequency_hz == pytest.approx(397.887, rel=2e-6)
    assert pair.quality == pytest.approx(4.0, rel=1e-12)
    zero = plant.named("right-half-plane zero")
    assert zero.frequency_hz == pytest.approx(2650.0, rel=1e-3)
    assert zero.right_half_plane
    assert plant.right_half_plane_zero_hz == pytest.approx(2652.58, rel=2e-6)
    line = averaged_at(conv, 0.6).response(np.array([1e-3]), "line", "v(out)")[0, 0]
    assert abs(line) == pytest.approx(1.5, rel=1e-9)


def test_boost_with_the_same_parts():
    """E2, extra numbers (derived): Gd0 = 187.5 V, f0 = 397.887 Hz, Q = 4, zero 1591.55 Hz."""
    conv = lossless("boost", 0.6)
    plant = plants(conv, point_at(conv, 0.6))[0]
    found = [plant.dc_gain, *(abs(plant.poles_hz[:1])), *(abs(plant.zeros_hz))]
    assert_allclose(found, [187.5, 397.887, 1591.55], rtol=2e-6)


@pytest.mark.parametrize("name", TOPOLOGIES)
@pytest.mark.parametrize("D", [0.2, 0.5, 0.77])
def test_table_of_transfer_functions(name, D):
    """E2, Table 8.2: averaged responses equal closed form and hand-written state space."""
    conv = lossless(name, D)
    f = np.geomspace(1.0, FS / 2, 120)
    s = 2j * np.pi * f
    Gg0, Gd0, w0, Q, wz = table(name, D, 30.0)
    shape = 1.0 / (1 + s / (Q * w0) + (s / w0) ** 2)
    model = averaged_at(conv, D)
    Gvd, Gvg = (model.response(f, source, "v(out)")[0] for source in ("control", "line"))
    assert_allclose(Gvd, Gd0 * (1 - s / wz) * shape, rtol=1e-9)
    assert_allclose(Gvg, Gg0 * shape, rtol=1e-9)
    by_hand = state_space(name, D, 30.0, s)
    assert_allclose(Gvd, by_hand[0], rtol=1e-9)
    assert_allclose(Gvg, by_hand[1], rtol=1e-9)


@pytest.mark.parametrize("name", TOPOLOGIES)
@pytest.mark.parametrize("D", [0.3, 0.6])
def test_canonical_model(name, D):
    """E3, Table 7.1: v = M He (vg + e d) and ig = j d + M i; e and j follow from the four averaged responses."""
    d = 1.0 - D
    vin = 30.0
    V = vin * RATIO[name](D)
    f = np.geomspace(10.0, 20e3, 40)
    s = 2j * np.pi * f
    model = averaged_at(lossless(name, D), D)
    Gvd, Gvg = (model.response(f, source, "v(out)")[0] for source in ("control", "line"))
    Gid, Gig = (-model.response(f, source, "i(line)")[0] for source in ("control", "line"))
    e = Gvd / Gvg
    expected_e = {
        "buck": V / D**2 + 0 * s,
        "boost": V * (1 - s * L / (d**2 * R)),
        "buck-boost": V / D**2 * (1 - s * D * L / (d**2 * R)),
    }[name]
    assert_allclose(e, expected_e, rtol=1e-8)
    j = Gid - e * Gig
    assert_allclose(j, V / R if name == "buck" else V / (d**2 * R), rtol=1e-8)


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_switched_response_meets_the_table_at_a_high_switching_frequency(name):
    """E2 again, by the switched model at 20 MHz, where the averaged forms hold to better than 1e-3 (D f / fs of phase)."""
    conv = lossless(name, 0.4, fs=20e6)
    point = operating_point(conv)
    assert point.duty[0] == pytest.approx(0.4, rel=1e-6)
    f = np.geomspace(20.0, 4000.0, 20)
    expected = state_space(name, 0.4, 30.0, 2j * np.pi * f)
    switched = linearise(point)
    assert_allclose(control_to_output(switched, f)[0], expected[0], rtol=1e-3)
    assert_allclose(line_to_output(switched, f)[0], expected[1], rtol=1e-3)


def test_filter_with_capacitor_resistance():
    """E12, Eqs. 16.39-16.43: f0 = 15.9 kHz and Q0 = 10 without, 15.8 kHz and Q = 3.37 with 2 ohm; zero at 79.577 kHz."""
    for esr, frequency, q in ((0.0, 15915.5, 10.0), (2.0, 15758.7, 3.36650)):
        parts = (
            VoltageSource(name="line", a="in", b="0"),
            Inductor(name="L", a="in", b="out", inductance=100e-6),
            Capacitor(name="C", a="out", b="0", capacitance=1e-6, esr=esr),
            Resistor(name="R", a="out", b="0", resistance=100.0),
        )
        net = derive(parts, (frozenset(),), ("v(out)",), period=1e-6)
        c = net.configurations[0]
        pole = np.linalg.eigvals(c.A[0])[0] / 1e-6
        assert abs(pole) / (2 * np.pi) == pytest.approx(frequency, rel=5e-6)
        assert -abs(pole) / (2 * pole.real) == pytest.approx(q, rel=2e-6)
        f = np.geomspace(100.0, 1e6, 30)
        s = 2j * np.pi * f
        x = np.linalg.solve(s[:, None, None] * 1e-6 * np.eye(2) - c.A[0], np.broadcast_to(c.B[0], (30, 2, 1)))
        found = (c.C[0] @ x + c.D[0])[:, 0, 0]
        zero = 1 + s * esr * 1e-6
        expected = zero / (1 + s * (1e-6 + esr * 1e-6) + s**2 * 1e-10 * (100 + esr) / 100)
        assert_allclose(found, expected, rtol=1e-10)
