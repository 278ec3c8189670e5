"""Loads of constant power that need more than the largest duty, or are not held; an output that rises up to it."""

import re

import pytest

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.case import parse_case
from loopdesign.corners.converters import one_corner, solved
from loopdesign.errors import UnreachableOutputError

RIPPLING = """
title = "Sounding-lead supply"
[converter]
topology = "flyback"
switching_frequency = "120 kHz"
[specification]
input_voltage = ["14.7 V"]
output_voltage = "15.5 V"
output_current = ["2.4 A"]
load = "power"
[stage]
L1 = { inductance = "130 uH", resistance = "16.5 mohm" }
turns = 0.32
secondary_resistance = "1.42 mohm"
Co = { capacitance = "9.8 uF", esr = "690 mohm" }
switch = { resistance = "24.1 mohm" }
diode = { drop = "780 mV", resistance = "4.74 mohm" }
[modulator]
scheme = "voltage"
ramp = "2.38 V"
max_duty = 0.85
[error_amplifier]
kind = "transconductance"
gm = 0.0023
output_resistance = "660 kohm"
reference = 1.2
[divider]
lower = "1.2 kohm"
[compensation]
network = "type II"
R1 = "18 kohm"
C1 = "9.9 nF"
C2 = "none"
"""
"""Values are invented: an output ripple so large that a load of constant power needs another duty than a resistor."""


def test_a_duty_above_the_largest_is_refused_with_the_highest_output():
    with pytest.raises(UnreachableOutputError, match=r"15\.5 V is out of reach at 14\.7 V input and 2\.4 A") as caught:
        examine_stage(parse_case(RIPPLING, "rippling"))
    error = caught.value
    told = float(re.search(r"needs a duty of ([\d.]+)", str(error))[1])
    assert 0.85 < told < 0.86
    assert error.duty == 0.85
    # with the highest output for its target the same stage needs just the largest duty
    text = RIPPLING.replace('"15.5 V"', str(error.highest_output))
    case = parse_case(text, "rippling")
    _, point = solved(case, one_corner(case, 14.7, 2.4))
    assert float(point.duty[0]) == pytest.approx(0.85, rel=1e-6)


def test_a_resistor_in_its_place_is_within_reach():
    case = parse_case(RIPPLING.replace('load = "power"', 'load = "resistive"'), "rippling")
    assert float(examine_stage(case).point.duty[0]) < 0.85


def test_no_output_is_told_where_a_load_of_constant_power_is_no_longer_linear():
    case = parse_case(RIPPLING.replace("max_duty = 0.85", "max_duty = 0.9"), "rippling")
    told = " ".join(examine(case, {"R1": 18e3, "C1": 9.9e-9, "C2": 0.0}).reasons)
    assert "its output collapses, where a load of constant power is not modelled" in told
    assert "with an output of" not in told


CLAMPED = """
title = "Buoy-lamp supply"
[converter]
topology = "buck"
switching_frequency = "170 kHz"
rectifier = "synchronous"
[specification]
input_voltage = ["18.6 V"]
output_voltage = "13.4 V"
output_current = ["167 mA"]
load = "resistive"
[stage]
L1 = { inductance = "59 uH", resistance = "38.1 mohm" }
Co = [{ capacitance = "300 nF", esr = "300 mohm" }, { capacitance = "140 nF", esr = "24 mohm" }]
switch = { resistance = "31.6 mohm" }
diode = { drop = "0 V", resistance = "27.1 mohm" }
[modulator]
scheme = "peak current"
sense_gain = 0.17
slope = 1.499e+04
max_duty = 0.86
[error_amplifier]
kind = "operational"
dc_gain = "62 dB"
gain_bandwidth = "6.7 MHz"
reference = 0.6
clamp = { min = 0.2254, max = 1.033 }
[divider]
lower = "3.2 kohm"
[compensation]
network = "type II"
R1 = "3.3 kohm"
C1 = "84 nF"
C2 = "830 pF"
"""
"""Values are invented: the lowest control voltage asks for more current than the load takes, whatever the pulse."""


def test_an_output_that_rises_up_to_the_largest_duty_rests_there():
    """At the largest duty of a synchronous buck: duty times input, less what the load drops across switch and coil."""
    case = parse_case(CLAMPED, "clamped")
    check = examine(case, {"R1": 3.3e3, "C1": 84e-9, "C2": 830e-12})
    light = check.light_loads[0]
    load = 13.4 / 0.167
    resistance = 0.0381 + 0.86 * 0.0316 + 0.14 * 0.0271
    assert light.regime == "output rises"
    assert light.mean_output_v == pytest.approx(0.86 * 18.6 * load / (load + resistance), rel=1e-4)
    told = " ".join(check.reasons)
    assert "even the least that the controller gives is too much, and the output rises to 16.0 V" in told
