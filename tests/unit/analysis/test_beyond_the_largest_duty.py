"""A load of constant power that needs more than the largest duty, and one that runs away where it is not held."""

import re

import numpy as np
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


def test_no_output_is_told_of_a_converter_that_runs_away():
    case = parse_case(RIPPLING.replace("max_duty = 0.85", "max_duty = 0.9"), "rippling")
    told = " ".join(examine(case, {"R1": 18e3, "C1": 9.9e-9, "C2": 0.0}).reasons)
    assert "it runs away" in told
    assert "taken as linear" in told
    volts = [float(v) for v in re.findall(r"([\d.]+(?:e[+-]?\d+)?) V", told)]
    assert np.max(volts) < 100.0
