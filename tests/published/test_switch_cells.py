"""The switch and rectifier as one three-terminal cell, put by hand into each circuit and held against the program's models.

Source: V. Vorperian, "Simplified analysis of PWM converters using model of PWM switch", IEEE Trans. Aerospace and Electronic
Systems 26(3), 1990 (duty-controlled cell), and "Analysis of current-controlled PWM converters using the model of the
current-controlled PWM switch", Power Conversion, October 1990 (both from memory); R. W. Erickson, D. Maksimovic, "Fundamentals
of Power Electronics", 3rd ed., Springer, 2020 (EM3), for the modulator pole. Terminals: active a (the switch), passive p
(the rectifier), common c; ia flows into a, ic out of c. The program averages whole networks and has no such cell.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import averaged_at, converter, one_inductor

from loopdesign.models.averaged import average
from loopdesign.models.roots import poles_hz
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.orbit.operating_point import operating_point

L, C, ESR, R, VIN, FS = 160e-6, 160e-6, 0.15, 10.0, 30.0, 200e3
RE = ESR * R / (ESR + R)
# Output over input of the cell itself at dc: vcp = D (vap - ic re D') and ia = D ic.
RATIO = {
    "buck": lambda D: D,
    "boost": lambda D: 1 / (1 - D + D * RE / R),
    "inverting": lambda D: D / (1 - D + D * RE / R),
}
# Node of each terminal: the line, the output (mirrored to be positive in the inverting stage), ground, and the inductor's far
# end "x". Per stage: a, p, c, then what the inductor lies between, and the sign of the output's own node.
PLACES = {
    "buck": ("in", "0", "x", ("x", "out"), 1.0),
    "boost": ("0", "out", "x", ("in", "x"), 1.0),
    "inverting": ("in", "out", "x", ("x", "0"), -1.0),
}


def duty_cell(name, D, s, source):
    """Output over control or line (F,) of a stage with the duty-controlled cell in it, by nodal equations written here.

    ia = D ic + Ic d and vcp = D (vap - ic re D') + d (Vap + Ic (D - D') re), with re the capacitor's resistance beside the load
    where the rectifier feeds the output in pulses, and none in the buck.
    """
    a, p, c, (left, right), sign = PLACES[name]
    d = 1.0 - D
    V = sign * VIN * RATIO[name](D)
    into_output = V / R  # dc current of the inductor or of the rectifier into the output node
    Ic = into_output if name == "buck" else -into_output / d
    volts = {"in": VIN, "out": V, "0": 0.0}
    Vap = volts[a] - volts[p]
    re = 0.0 if name == "buck" else RE
    # unknowns: v(in), v(out), v(x), ia, ic, i of the inductor from left to right
    order = {"in": 0, "out": 1, "x": 2}
    M, rhs = np.zeros((len(s), 6, 6), complex), np.zeros((len(s), 6), complex)

    def voltage(row, node, factor):
        if node != "0":
            M[:, row, order[node]] += factor

    M[:, 0, 0] = 1.0  # the line
    rhs[:, 0] = 1.0 if source == "line" else 0.0
    M[:, 1, 1] = 1.0 / R + 1.0 / (ESR + 1.0 / (s * C))  # currents out of the output node
    for node, column, out in ((a, 3, 1.0), (p, 3, -1.0), (p, 4, 1.0), (c, 4, -1.0), (left, 5, 1.0), (right, 5, -1.0)):
        if node in ("out", "x"):  # ip = ic - ia flows into p
            M[:, order[node] if node == "out" else 2, column] += out
    M[:, 3, 3], M[:, 3, 4] = 1.0, -D
    M[:, 4, 4] = D * d * re
    for node, factor in ((c, 1.0), (p, -1.0), (a, -D), (p, D)):
        voltage(4, node, factor)
    if source == "control":
        rhs[:, 3], rhs[:, 4] = Ic, Vap + Ic * (D - d) * re
    voltage(5, left, 1.0)
    voltage(5, right, -1.0)
    M[:, 5, 5] = -s * L
    return sign * np.linalg.solve(M, rhs[:, :, None])[:, 1, 0]


@pytest.mark.parametrize("D", [0.25, 0.6])
@pytest.mark.parametrize("name", PLACES)
def test_duty_controlled_cell(name, D):
    """C9, first cell (from memory): control and line to output with the capacitor's resistance, where re D D' counts."""
    f = np.geomspace(20.0, 90e3, 25)
    vout = VIN * RATIO[name](D)
    model = averaged_at(converter(TOPOLOGIES[name], one_inductor(L, C, esr=ESR), VIN, vout, vout / R, FS), D)
    for source in ("control", "line"):
        expected = duty_cell(name, D, 2j * np.pi * f, source)
        assert_allclose(model.response(f, source, "v(out)")[0], expected, rtol=1e-9)


SENSE, HELD = 0.25, 1e3
"""Sense gain [V/A], and an output capacitor [F] so large that it holds the output."""


def common_current(name, conv, s):
    """Current of terminal c, the inductor's, over control (F,): what leaves the line and what reaches the output, summed."""
    model = average(operating_point(conv), conv.modulator)
    f = s.imag / (2 * np.pi)
    drawn = -model.response(f, "control", "i(line)")[0]
    delivered = model.response(f, "control", "v(out)")[0] * (1 / R + s * HELD)
    return {"buck": delivered, "boost": drawn, "inverting": drawn + delivered}[name]


def programmed(name, D, ramp):
    """Stage in peak current mode with its output held; ``ramp`` is Se/Sn."""
    vout = VIN * {"buck": D, "boost": 1 / (1 - D), "inverting": D / (1 - D)}[name]
    up = (VIN - vout if name == "buck" else VIN) / L
    modulator = PeakCurrentMode(sense_gain=SENSE, slope=ramp * SENSE * up)
    return converter(TOPOLOGIES[name], one_inductor(L, HELD), VIN, vout, vout / R, FS, modulator=modulator)


@pytest.mark.parametrize(("D", "ramp"), [(0.3, 0.0), (0.45, 0.5), (0.7, 1.5)])
@pytest.mark.parametrize("name", PLACES)
def test_current_controlled_cell(name, D, ramp):
    """C9, second cell (from memory): ic = vc/Ri - (go + s Cs) vcp, go = (Ts/L)(D' Se/Sn + 1/2 - D), Cs = 4/(L ws^2).

    With L between c and a voltage that holds, ic = (vc/Ri)/(1 + s L go + s^2 L Cs). ``ramp`` is Se/Sn.
    """
    s = 2j * np.pi * np.geomspace(500.0, 0.5 * FS, 30)
    go = ((1 - D) * ramp + 0.5 - D) / (L * FS)
    Cs = 4.0 / (L * (2 * np.pi * FS) ** 2)
    expected = 1.0 / SENSE / (1 + s * L * go + s**2 * L * Cs)
    assert_allclose(common_current(name, programmed(name, D, ramp), s), expected, rtol=1e-6)


@pytest.mark.parametrize(("D", "ratio"), [(0.3, 0.0), (0.5, 0.1), (0.5, 5.0), (0.7, 0.5)])
@pytest.mark.parametrize("name", PLACES)
def test_modulator_pole(name, D, ratio):
    """D6, EM3 Eq. 18.177: fx = (pi/4)(1 - 2D + 2D Ma/M2) fs, where one copy reads pi^2/4; and C6: fhf fx = (fs/2)^2.

    Current loop and modulator pole close to 1 + s/whf + s^2/(whf wx), so -wx is the sum of the pair's roots and whf wx their
    product; fhf = (fs/pi)/(1 - 2D + 2D Ma/M2). ``ratio`` is Ma/M2.
    """
    conv = programmed(name, D, ratio * D / (1 - D))
    pair = poles_hz(average(operating_point(conv), conv.modulator), 0)
    pair = sorted(pair, key=abs)[1:]  # the slowest is the held output's
    size = 1 - 2 * D + 2 * D * ratio
    assert len(pair) == 2
    assert -sum(pair).real == pytest.approx(np.pi / 4 * size * FS, rel=1e-6)
    fhf = 1.0 / -sum(1.0 / p for p in pair).real
    assert fhf == pytest.approx(FS / np.pi / size, rel=1e-6)
    assert fhf * np.pi / 4 * size * FS == pytest.approx((FS / 2) ** 2, rel=1e-6)
