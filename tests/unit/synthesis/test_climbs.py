"""Climbs by the exact loop from several places: the one that ends highest counts."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from loopdesign.case import parse_case
from loopdesign.synthesis.choice import descent
from loopdesign.synthesis.choice.choose import choose

INVERTER = """
title = "Ice-buoy inverter, invented"
[converter]
topology = "inverting"
switching_frequency = "250 kHz"
rectifier = "synchronous"
[specification]
input_voltage = { min = "9 V", nominal = "12 V", max = "18 V" }
output_voltage = "12 V"
output_current = { min = "0.3 A", max = "1.2 A" }
load = "power"
[stage]
L1 = { inductance = "33 uH", resistance = "30 mohm", tolerance = "20 %" }
Co = [
  { capacitance = "220 uF", esr = "25 mohm", tolerance = "20 %" },
  { capacitance = "22 uF", esr = "3 mohm", tolerance = "10 %" },
]
switch = { resistance = "18 mohm" }
diode = { drop = "0.45 V", resistance = "12 mohm" }
[modulator]
scheme = "voltage"
ramp = "1.5 V"
max_duty = 0.9
[error_amplifier]
kind = "operational"
dc_gain = "80 dB"
gain_bandwidth = "10 MHz"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type III"
[targets]
phase_margin = "55 deg"
gain_margin = "10 dB"
modulus_margin = 0.5
"""


@pytest.mark.parametrize(
    ("ends", "highest"), [([[3.0], [7.0, 6.0]], 1), ([[3.0], []], 0), ([[], [1.0]], 1), ([[], []], 0)]
)
def test_climb_that_ends_highest_counts(ends, highest, monkeypatch):
    def climb(_exam, _work, begin):
        return SimpleNamespace(begin=begin, result=SimpleNamespace(scores=np.array(ends[begin[0]])))

    monkeypatch.setattr(descent, "climb", climb)
    assert descent.highest_climb(None, None, [[0], [1]]).begin == [highest]


@pytest.mark.nightly
def test_climb_goes_on_from_where_the_last_round_stood():
    """Where nothing of a round is confirmed, the combination that falls short least crosses at 57 Hz; far from the best."""
    found = choose(parse_case(INVERTER, "inverter.toml"))
    assert found.check.targets_met
    assert found.best.score > 1000.0
