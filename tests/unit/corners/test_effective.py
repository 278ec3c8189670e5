"""What each part is worth at each corner, against arithmetic done by hand."""

from __future__ import annotations

import numpy as np
import pytest
from wholecase import SEPIC, change

from loopdesign.analysis.check import examine_stage
from loopdesign.case import parse_case
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import amplifier, modulator, open_loop, reference_factor, solved
from loopdesign.corners.effective import effective_values
from loopdesign.orbit.waveforms import waveforms

BOOST = """\
title = "Beacon supply without losses"
[converter]
topology = "boost"
switching_frequency = "200 kHz"
[specification]
input_voltage = ["12 V"]
output_voltage = "24 V"
output_current = ["1 A"]
[stage]
L1 = { inductance = "100 uH" }
Co = { capacitance = "100 uF", esr = "10 mohm" }
switch = { resistance = 0 }
diode = { drop = 0 }
[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "40 mV/us"
"""


def corners_at(*degrees, voltage=12.0, current=1.0):
    n = len(degrees)
    return Corners(
        input_voltage=np.full(n, voltage), load_current=np.full(n, current), temperature=np.array(degrees, float)
    )


def boost(*pairs):
    return parse_case(change(BOOST, *pairs), "boost.toml")


def test_temperature_curve_is_read_by_straight_lines_and_held_at_its_ends():
    """From (-40, 0.8, 8) to (25, 1, 1): at -7.5 degC, halfway, 0.9 of the capacitance and 4.5 times the esr."""
    curve = 'temperature_curve = [["-40 degC", 0.8, 8.0], ["25 degC", 1.0, 1.0], ["85 degC", 0.9, 0.7]]'
    case = boost(('esr = "10 mohm"', f'esr = "10 mohm", {curve}'))
    (co,) = open_loop(case, corners_at(-60.0, -40.0, -7.5, 25.0, 55.0, 85.0, 125.0)).stage.Co
    np.testing.assert_allclose(co.capacitance, 1e-6 * np.array([80.0, 80.0, 90.0, 100.0, 95.0, 90.0, 90.0]))
    np.testing.assert_allclose(co.esr, 1e-3 * np.array([80.0, 80.0, 45.0, 10.0, 8.5, 7.0, 7.0]))


def test_equal_parts_in_parallel():
    """Three of 100 uF and 10 mohm are one of 300 uF and 3.33 mohm."""
    case = boost(('esr = "10 mohm"', 'esr = "10 mohm", count = 3'))
    (co,) = open_loop(case, corners_at(25.0)).stage.Co
    assert co.capacitance == pytest.approx(300e-6)
    assert co.esr == pytest.approx(10e-3 / 3)


def test_inductance_stands_at_its_average_current():
    """The lossless boost from 12 V to 24 V at 1 A draws 2 A: halfway down a curve that ends at 0.75 with 4 A."""
    curve = ('inductance = "100 uH"', 'inductance = "100 uH", current_curve = [["0 A", 1.0], ["4 A", 0.75]]')
    converter, point = solved(boost(curve, ('esr = "10 mohm"', 'esr = "1 uohm"')), corners_at(25.0))
    np.testing.assert_allclose(converter.stage.L1.inductance, 100e-6 * 0.875, rtol=1e-6)
    assert not point.discontinuous.any()


def test_coupled_values_settle_together():
    """Bias and current in one case: each value is the curve's at the average of the very point that was solved."""
    case = parse_case(
        change(SEPIC, ('resistance = "45 mohm", tolerance', 'resistance = "45 mohm", current_curve = [["0 A", 1.0], ["3 A", 0.7]], tolerance')),
        "s.toml",
    )  # fmt: skip
    stage = examine_stage(case)
    rows = {(row.part, row.quantity): row for row in effective_values(case, stage.conditions, stage.point)}
    mean = {f.name: f.average for f in waveforms(stage.converter, stage.point).figures()}
    for name in ("L1", "L2"):
        share = np.interp(np.abs(mean[f"i({name})"]), [0.0, 3.0], [1.0, 0.7])
        np.testing.assert_allclose(rows[name, "inductance"].values, 33e-6 * share, rtol=1e-6)
        np.testing.assert_allclose(getattr(stage.converter.stage, name).inductance, 33e-6 * share, rtol=1e-6)
    share = np.interp(mean["v(Cs)"], [0.0, 16.0, 35.0], [1.0, 0.8, 0.45])
    np.testing.assert_allclose(rows["Cs", "capacitance"].values, 6.8e-6 * share, rtol=1e-6)
    assert set(rows) == {("L1", "inductance"), ("L2", "inductance"), ("Cs", "capacitance")}
    assert [rows["Cs", "capacitance"].given, rows["Cs", "capacitance"].unit] == [6.8e-6, "F"]


def test_peak_and_bias_beyond_the_curves_are_told():
    """2 A on average with a ripple of 12 V x 0.5 / (100 uH x 200 kHz) = 0.3 A peaks at 2.15 A; Co stands at 24 V."""
    given = ('inductance = "100 uH"', 'inductance = "100 uH", current_curve = [["0 A", 1.0], ["2.1 A", 1.0]]')
    biased = ('esr = "10 mohm"', 'esr = "10 mohm", bias_curve = [["0 V", 1.0], ["20 V", 0.8]]')
    told = examine_stage(boost(given, biased)).warnings
    assert len(told) == 2
    assert told[0].startswith("Co: its bias reaches 24.00 V, beyond the end of bias_curve at 20.00 V")
    assert told[1].startswith("L1: its peak current of 2.15 A lies beyond the end of current_curve at 2.10 A")
    enough = (given[0], given[1].replace("2.1 A", "2.2 A"))
    assert examine_stage(boost(enough)).warnings == ()


def test_diode_drop_falls_with_temperature_and_never_below_zero():
    """0.5 V at 25 degC and -2 mV/K: 0.38 V at 85 degC, 0.63 V at -40 degC, nothing at 300 degC."""
    case = boost(("drop = 0", 'drop = "0.5 V", drop_temperature_coefficient = "-2 mV/K"'))
    drop = open_loop(case, corners_at(25.0, 85.0, -40.0, 300.0)).stage.diode_drop
    np.testing.assert_allclose(drop, [0.5, 0.38, 0.63, 0.0], atol=1e-12)


def test_controller_values_follow_temperature():
    """gm -3000 ppm/K and sense gain 4000 ppm/K over 60 K: factors 0.82 and 1.24; slope -1000 ppm/K: 0.94."""
    case = parse_case(
        change(
            SEPIC,
            ('gm = "1 mS"', 'gm = "1 mS"\ngm_temperature_coefficient = "-3000 ppm/K"'),
            ('reference = "1.2 V"', 'reference = "1.2 V"\nreference_temperature_coefficient = "100 ppm/K"'),
            ('slope = "40 mV/us"', 'slope = "40 mV/us"\nsense_gain_temperature_coefficient = "0.4 %/K"\nslope_temperature_coefficient = "-1000 ppm/K"'),
        ),
        "s.toml",
    )  # fmt: skip
    at = corners_at(25.0, 85.0)
    np.testing.assert_allclose(amplifier(case, at).gm, [1e-3, 0.82e-3])
    np.testing.assert_allclose(modulator(case, at).sense_gain, [0.06, 0.0744])
    np.testing.assert_allclose(modulator(case, at).slope, [40e3, 37.6e3])
    np.testing.assert_allclose(reference_factor(case, at), [1.0, 1.006])


def test_filter_parts_have_effective_values_too():
    """Two filter capacitors of 10 uF with 3 mohm in parallel, and a choke at the average input current."""
    case = parse_case(
        change(
            SEPIC,
            ('capacitance = "10 uF", esr = "3 mohm"', 'capacitance = "10 uF", esr = "3 mohm", count = 2'),
            ('"4.7 uH", resistance = "20 mohm"', '"4.7 uH", resistance = "20 mohm", current_curve = [["0 A", 1.0], ["10 A", 0.5]]'),
        ),
        "s.toml",
    )  # fmt: skip
    stage = examine_stage(case)
    rows = {(row.part, row.quantity): row.values for row in effective_values(case, stage.conditions, stage.point)}
    np.testing.assert_allclose(rows["input_filter.C", "capacitance"], 20e-6)
    np.testing.assert_allclose(rows["input_filter.C", "esr"], 1.5e-3)
    mean = {f.name: f.average for f in waveforms(stage.converter, stage.point).figures()}
    np.testing.assert_allclose(rows["input_filter.L", "inductance"], 4.7e-6 * (1 - 0.05 * mean["i(Lf)"]), rtol=1e-6)


def test_nothing_to_tell_where_every_part_is_as_given():
    case = boost()
    stage = examine_stage(case)
    assert effective_values(case, stage.conditions, stage.point) == ()
