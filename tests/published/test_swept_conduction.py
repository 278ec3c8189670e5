"""A published sweep: where a SEPIC leaves continuous conduction, over load current and over input voltage."""

from __future__ import annotations

import pytest

import loopdesign as ld

L1, L2, FS, VOUT = 500e-6, 100e-6, 100e3, 80.0
SEPIC = f"""
title = "End of continuous conduction"

[converter]
topology = "sepic"
switching_frequency = {FS}
rectifier = "diode"

[specification]
input_voltage = [120]
output_voltage = {VOUT}
output_current = [2]

[stage]
L1 = {{ inductance = {L1} }}
L2 = {{ inductance = {L2} }}
Cs = {{ capacitance = "470 uF", esr = "1 mohm" }}
Co = {{ capacitance = "2 mF", esr = "1 mohm" }}
switch = {{ resistance = "1 mohm" }}
diode = {{ drop = "0 V", resistance = "1 mohm" }}

[modulator]
scheme = "voltage"
ramp = "1 V"
max_duty = 0.95
"""
"""Inductances, voltages and frequency of the printed example; its capacitors tenfold, for the rule has no ripple in them."""
LINES = (60.0, 120.0, 240.0)


def critical_current(line):
    """S6: R = 2 (L1 || L2) fs / (1 - D)^2 ends continuous conduction, with D = V / (V + Vg) of the lossless stage."""
    duty = VOUT / (VOUT + line)
    return VOUT * (1.0 - duty) ** 2 / (2.0 * L1 * L2 / (L1 + L2) * FS)


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """Load currents in steps of half a percent about the printed end, and about the ends at three lines."""
    path = tmp_path_factory.mktemp("published") / "sepic.toml"
    path.write_text(SEPIC, encoding="utf-8")
    shares = (0.985, 0.995, 0.9985, 1.0015, 1.005, 1.015)
    loads = sorted(critical_current(line) * s for line in LINES for s in shares)
    one = ld.sweep(path, {"specification.output_current": (0.95 * 80 / 46, 1.05 * 80 / 46)}, points=21)
    plane = ld.sweep(path, {"specification.input_voltage": list(LINES), "specification.output_current": loads})
    return one, plane


def test_conduction_ends_where_the_printed_rule_says(swept):
    """S6, Eqs. 15.69-15.71: printed 46 ohm at 120 V, 80 V out, D = 0.4; a sweep over the load changes its mode there once."""
    points = swept[0].points
    words = "".join(p.mode[0] for p in points)
    assert words == "D" * words.count("D") + "C" * words.count("C")
    last = words.count("D") - 1
    below, above = (points[k].values[0] for k in (last, last + 1))
    assert below < critical_current(120.0) < above
    assert VOUT / above < 46.2963 < VOUT / below
    assert VOUT / below == pytest.approx(46.0, rel=1.2e-2)
    assert (above - below) / above < 6e-3


@pytest.mark.parametrize("line", LINES)
def test_boundary_over_the_input_voltage_is_bracketed(swept, line):
    """S6: the same rule at other duties, D = 0.57, 0.4 and 0.25, in points solved together: within half a percent each."""
    here = [(p.values[1], p.mode) for p in swept[1].points if p.values[0] == line]
    assert {mode for _, mode in here} == {"CCM", "DCM"}
    below = max(load for load, mode in here if mode == "DCM")
    above = min(load for load, mode in here if mode == "CCM")
    assert below < above
    assert below < critical_current(line) * (1.0 + 1e-3)
    assert above > critical_current(line) * (1.0 - 1e-3)
    assert (above - below) / above < 5e-3
