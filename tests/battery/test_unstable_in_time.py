"""What makes a converter oscillate besides a missing ramp, shown in time: coupling resonance, input filter, discontinuous conduction.

Each case has a twin that is cured. A small departure from the periodic orbit is stepped by brute force, once with either sign; half
the difference at the clock edges is the departure alone. It grows or dies as d[k+2] = a d[k+1] + b d[k], and the roots of that must
be the largest multiplier: verdict, growth and frequency.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from stepping import Circuit

from loopdesign.analysis.check import examine
from loopdesign.case import parse_case

SIZE, MOST, CYCLES = 1e-5, 30.0, 80
"""Departure as a share of each state's size, its growth or decay at most, and cycles at most."""
_HEAD = """
title = "Harbour-light supply"
[converter]
topology = "{topology}"
switching_frequency = 300000.0
[specification]
input_voltage = [{vin}]
output_voltage = {vout}
output_current = [{load}]
[stage]
{stage}
switch = {{ resistance = "25 mohm" }}
diode = {{ drop = "0.45 V", resistance = "20 mohm" }}
{ahead}
[modulator]
scheme = "peak current"
sense_gain = 0.07
slope = {slope}
max_duty = 0.95
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type II"
{network}
"""
_PAIR = """
L1 = { inductance = "22 uH", resistance = "30 mohm" }
L2 = { inductance = "22 uH", resistance = "30 mohm" }
coupling = 0.0
Cs = { capacitance = "4 uF", esr = "5 mohm" }
Co = { capacitance = "100 uF", esr = "10 mohm" }
"""
_ONE = """
L1 = { inductance = "22 uH", resistance = "40 mohm" }
Co = { capacitance = "100 uF", esr = "15 mohm" }
"""
_LIGHT = """
L1 = { inductance = "5 uH", resistance = "20 mohm" }
Co = { capacitance = "20 uF", esr = "1 mohm" }
"""
_DAMPER = 'damper = { resistance = "2.2 ohm", capacitance = "22 uF" }\n'
_FILTER = """
[input_filter]
L = { inductance = "150 uH", resistance = "10 mohm" }
C = { capacitance = "47 uF", esr = "3 mohm" }
"""
_FILTER_DAMPER = 'damper = { resistance = "2.2 ohm", capacitance = "220 uF" }\n'
_SLOW = 'R1 = "3.9 kohm"\nC1 = "47 nF"\nC2 = "470 pF"'
_FAST = 'R1 = "1 kohm"\nC1 = "47 pF"\nC2 = "47 pF"'
_SEPIC = {"topology": "sepic", "vin": 6.0, "vout": 15.0, "load": 1.25, "slope": 80e3, "ahead": "", "network": _SLOW}
_BOOST = {"topology": "boost", "vin": 9.0, "vout": 18.0, "load": 0.9, "slope": 40e3, "stage": _ONE, "network": _SLOW}
_BUCK = {"topology": "buck", "vin": 24.0, "vout": 9.0, "load": 0.1, "slope": 0.0, "stage": _LIGHT, "ahead": ""}
CASES = {
    "coupling resonance": (_SEPIC | {"stage": _PAIR}, False, "CCM", "coupling resonance"),
    "coupling resonance, damped": (_SEPIC | {"stage": _PAIR + _DAMPER}, True, "CCM", None),
    "input filter": (_BOOST | {"ahead": _FILTER}, False, "CCM", "input filter resonance"),
    "input filter, damped": (_BOOST | {"ahead": _FILTER + _FILTER_DAMPER}, True, "CCM", None),
    "discontinuous": (_BUCK | {"network": _FAST}, False, "DCM", "voltage loop"),
    "discontinuous, slow loop": (_BUCK | {"network": _SLOW}, True, "DCM", None),
}  # fmt: skip


@cache
def found(name):
    case = parse_case(_HEAD.format(**CASES[name][0]), name)
    return examine(case, case.compensation.parts)


def departure(model, cycles):
    """Departure (cycles + 1, n) at the clock edges, each state over its size, laid along the worst mode."""
    modes = model.period_modes
    k = int(np.argmax(np.abs(modes.values[0])))
    point, vector = model.point, modes.vectors[0, :, k]
    scale = np.maximum(np.maximum(np.abs(point.start[0]), np.abs(point.at_duty[0])), 1e-9)
    kick = SIZE * vector.real / np.abs(vector / scale).max()
    circuit, runs = Circuit(point), []
    for sign in (1.0, -1.0):
        states = [point.start[0] + sign * kick]
        for _ in range(cycles):
            states.append(circuit.cycle(states[-1]))
        runs.append(states)
    return 0.5 * np.subtract(*runs) / scale


def multiplier_of(d, *, real):
    """Root of the recursion that every state follows in every cycle."""
    if real:
        return complex(np.sum(d[1:] * d[:-1]) / np.sum(d[:-1] ** 2))
    a, b = np.linalg.lstsq(np.column_stack([d[1:-1].ravel(), d[:-2].ravel()]), d[2:].ravel(), rcond=None)[0]
    return complex(max(np.roots([1.0, -a, -b]), key=lambda r: (abs(r), r.imag)))


@pytest.mark.parametrize("name", CASES)
def test_verdict_growth_and_frequency_are_what_time_shows(name):
    _, stable, mode, called = CASES[name]
    assessment = found(name)
    worst = assessment.verdicts[0].worst_mode
    assert bool(assessment.stage.point.discontinuous[0]) is (mode == "DCM")
    assert worst.stable is stable
    assert called is None or worst.name == called
    cycles = min(CYCLES, int(abs(np.log(MOST) / np.log(abs(worst.multiplier)))))
    d = departure(assessment.closed_loop, cycles)
    real = abs(worst.multiplier.imag) < 1e-9
    root = multiplier_of(d, real=real)
    fs = assessment.case.converter.switching_frequency
    assert (abs(root) < 1.0) is stable
    assert abs(root) == pytest.approx(abs(worst.multiplier), abs=1e-7)
    assert np.log(abs(root)) * fs == pytest.approx(worst.growth_per_s, rel=1e-4)
    assert abs(np.angle(root)) * fs / (2 * np.pi) == pytest.approx(worst.frequency_hz, rel=1e-4, abs=1e-6 * fs)
