"""The target for the output's ripple: its worst place, against single checks of every combination of tolerance ends."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.case import parse_case
from loopdesign.report.loop.answer import answer
from loopdesign.report.loop.terminal import check_text

TEXT = """\
title = "Hydrophone preamplifier supply"
[converter]
topology = "buck"
switching_frequency = "300 kHz"
rectifier = "synchronous"
[specification]
input_voltage = ["9 V", "15 V"]
output_voltage = "5 V"
output_current = ["0.2 A", "1 A"]
[stage]
L1 = {{ inductance = "{L} uH"{L_ends} }}
Co = {{ capacitance = "{C} uF", esr = "{esr} mohm"{C_ends} }}
switch = {{ resistance = 0 }}
[modulator]
scheme = "voltage"
ramp = "1.5 V"
[error_amplifier]
kind = "operational"
dc_gain = "80 dB"
gain_bandwidth = "5 MHz"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type II"
R1 = "200 ohm"
C1 = "470 nF"
C2 = "47 nF"
[targets]
output_ripple = "20 mV"
"""
ENDS = {"L_ends": ', tolerance = "20 %"', "C_ends": ', tolerance = "20 %", esr_tolerance = "50 %"'}


def text_of(L=22.0, C=10.0, esr=5.0, **ends):
    return TEXT.format(L=L, C=C, esr=esr, **{"L_ends": "", "C_ends": "", **ends})


def test_closed_form_without_series_resistance():
    """Buck, ideal parts: Vo (1 - D) T^2 / (8 L C) peak to peak (derived from the charge of half a period)."""
    found = ld.check(parse_case(text_of(esr=0.0), "buck"), nominal=True)
    assert found.worst["output_ripple_v"].value == pytest.approx(
        5.0 * (1 - 5 / 15) / (8 * 22e-6 * 10e-6 * 300e3**2), rel=2e-3
    )
    assert found.worst["output_ripple_v"].input_voltage == 15.0


@pytest.fixture(scope="module")
def found():
    return ld.check(parse_case(text_of(**ENDS), "buck"))


def test_worst_ends_are_those_of_single_checks(found):
    """Every combination of ends as a case of its own: none has more ripple, and the one named has exactly that."""
    alone = {}
    for coil, c, e in product((0.8, 1.2), (0.8, 1.2), (0.5, 1.5)):
        check = ld.check(parse_case(text_of(22.0 * coil, 10.0 * c, 5.0 * e), "buck"), nominal=True)
        alone[coil, c, e] = check.worst["output_ripple_v"].value
    worst = found.worst["output_ripple_v"]
    assert worst.value == pytest.approx(max(alone.values()), rel=1e-6)
    assert worst.value == pytest.approx(alone[0.8, 0.8, 1.5], rel=1e-6)
    assert worst.ends == {"L1.inductance": -0.2, "Co.capacitance": -0.2, "Co.esr": 0.5}


def test_target_decides_and_is_told(found):
    worst = found.worst["output_ripple_v"]
    assert worst.value > 20e-3
    assert not found.targets_met
    (reason,) = [r for r in found.reasons if "ripple" in r]
    assert reason.startswith(f"output ripple {1e3 * worst.value:.4g} mV at 15 V")
    assert reason.endswith("is above 20.00 mV")
    told = answer(found)
    assert told["output_ripple"] == told["worst"]["output_ripple_v"] == worst.to_dict()
    assert {"name": "output_ripple", "value": 0.02, "unit": "V", "source": "case file"} in told["limits"]
    shown = check_text(found)
    assert reason in " ".join(shown.split())
    assert "output ripple p-p" in shown
    assert "output ripple" in shown.split("Verdict:")[1].split("\n")[0]


def test_samples_stay_below_the_worst_ends_and_reach_towards_them(found):
    spread = ld.spread(found.case, samples=64)
    ripple = spread.ripple.output_ripple_v
    assert np.isfinite(ripple).all()
    assert 0.8 * spread.ripple.worst.value < ripple.max() <= spread.ripple.worst.value
    assert spread.off_target.count >= (ripple.max(axis=1) > 20e-3).sum() > 0
