"""Ratings against the textbook currents and voltages of a boost without losses."""

from __future__ import annotations

import numpy as np
import pytest

from loopdesign.analysis.check import examine
from loopdesign.analysis.findings.ratings import overstressed
from loopdesign.case import parse_case

TEXT = """\
title = "Beacon supply without losses"
[converter]
topology = "boost"
switching_frequency = "200 kHz"
[specification]
input_voltage = ["12 V"]
output_voltage = "24 V"
output_current = ["0.5 A", "1 A"]
[stage]
L1 = {{ inductance = "100 uH" }}
Co = {bank}
switch = {{ resistance = 0 }}
diode = {{ drop = 0 }}
[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "40 mV/us"
[ratings]
{ratings}
"""
ONE = '{ capacitance = "1 mF", esr = "1 uohm" }'


def examined(ratings, bank=ONE):
    return examine(parse_case(TEXT.format(ratings=ratings, bank=bank), "boost.toml"), {})


def test_boost_without_losses_by_hand():
    """Half duty; 2 A on average with 0.3 A of ripple at full load; the output stands across switch and diode.

    Peaks 2.15 A and 24 V. The capacitor carries -1 A for half the period and 1 A -/+ 0.15 A for the other:
    rms sqrt((1 + 1 + 0.3^2/12) / 2) = 1.00187 A.
    """
    given = """
switch_voltage = "30 V"
switch_current = "3 A"
diode_voltage = "30 V"
diode_current = "3 A"
L1_current = "3 A"
Co_voltage = "35 V"
Co_current = "2 A"
"""
    found = examined(given)
    reached = {s.name: s.reached for s in found.stresses}
    for name in ("switch_current", "diode_current", "L1_current"):
        np.testing.assert_allclose(reached[name], [1.15, 2.15], rtol=1e-3)
    for name in ("switch_voltage", "diode_voltage", "Co_voltage"):
        np.testing.assert_allclose(reached[name], 24.0, rtol=1e-3)
    assert reached["Co_current"][1] == pytest.approx(1.00187, rel=1e-3)
    assert all(s.met for s in found.stresses)
    assert not any("ratings." in r for r in found.reasons)


def test_a_rating_exceeded_fails_where_it_is_worst():
    found = examined('switch_current = "2 A"\nswitch_voltage = "60 V"')
    (told,) = [r for r in found.reasons if "ratings." in r]
    assert told == "switch current 2.15 A at 12 V, 1 A is above 2.00 A (ratings.switch_current)"
    assert not found.targets_met


def test_derating_is_taken_off_every_rating():
    """20 % off 28 V is 22.4 V, below the 24 V of the output; 20 % off 3 A is 2.4 A, above 2.15 A."""
    found = examined('switch_voltage = "28 V"\nswitch_current = "3 A"\nderating = "20 %"')
    assert [s.allowed for s in found.stresses] == pytest.approx([22.4, 2.4])
    (told,) = overstressed(found.stresses, ["light", "full"])
    assert told.startswith("switch voltage 24.0 V at ")
    assert told.endswith("is above 22.4 V (ratings.switch_voltage, 28.0 V less derating)")


def test_each_capacitor_of_a_bank_and_each_of_equal_parts():
    """Equal capacitors share the ripple current: 1.00187 A over 2 + 1 parts is 0.33396 A each."""
    each = '{ capacitance = "1 mF", esr = "10 mohm", count = 2 }, { capacitance = "1 mF", esr = "10 mohm" }'
    found = examined('Co_current = "0.2 A"', f"[{each}]")
    assert [s.part for s in found.stresses] == ["Co1", "Co2"]
    np.testing.assert_allclose([s.reached[1] for s in found.stresses], 1.00187 / 3, rtol=2e-3)
    assert len([r for r in found.reasons if "ratings.Co_current" in r]) == 2


def test_nothing_rated_nothing_told():
    found = examined('derating = "20 %"')
    assert found.stresses == ()


def test_sensed_peak_against_the_current_limit():
    """2.15 A at 60 mV/A are 129 mV; with 5 % more gain 135.45 mV, against 130 mV less 10 %, 117 mV."""
    text = TEXT.format(ratings="", bank=ONE).replace(
        'sense_gain = "60 mV/A"',
        'sense_gain = "60 mV/A"\nsense_gain_tolerance = "5 %"\ncurrent_limit = "130 mV"\ncurrent_limit_tolerance = "10 %"',
    )
    found = examine(parse_case(text, "boost.toml"), {})
    (stress,) = found.stresses
    assert stress.reached[1] == pytest.approx(0.06 * 1.05 * 2.15, rel=1e-3)
    assert stress.allowed == pytest.approx(0.117)
    assert not stress.met
    assert any("lower end of modulator.current_limit" in reason for reason in found.reasons)
