"""Values that are fine by themselves and hard to believe together get their word; those of ordinary designs do not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from wholecase import SEPIC, change

from loopdesign.analysis.check import examine_stage
from loopdesign.case import STAGES, load_case, parse_case, template
from loopdesign.case.checks.estimate import lossless_estimate
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.orbit.waveforms import waveforms

CASES = sorted((Path(__file__).parents[3] / "cases").glob("*.toml"))
NAMED = [p for p in CASES if load_case(p).converter.topology in TOPOLOGIES]


def told(*pairs):
    return parse_case(change(SEPIC, *pairs), "s.toml").warnings


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.stem)
def test_shipped_cases_are_believed(path):
    assert load_case(path).warnings == ()


@pytest.mark.parametrize("topology", STAGES)
def test_templates_are_believed(topology):
    assert parse_case(template(topology), "start.toml").warnings == ()


@pytest.mark.parametrize("path", NAMED, ids=lambda path: path.stem)
def test_estimate_is_near_the_exact_waveforms(path):
    """Average and ripple of every inductor at the nominal line and the highest load, within the share the losses make."""
    case = load_case(path)
    stage = examine_stage(case)
    line, current = case.specification.input_voltage.nominal, case.specification.output_current.highest
    at = stage.conditions
    (item,) = np.flatnonzero((at.input_voltage == line) & (at.load_current == current))
    found = {f.name: f for f in waveforms(stage.converter, stage.point).figures()}
    near = lossless_estimate(case, line, current)
    if stage.point.discontinuous[item]:
        assert not near.continuous
        return
    assert near.continuous
    for winding in near.windings:
        exact = found[f"i({winding.name})"]
        assert winding.average == pytest.approx(exact.average[item], rel=0.15)
        assert winding.ripple == pytest.approx(exact.ripple[item], rel=0.35)
    assert near.peak_switch_current == pytest.approx(found["i(switch)"].peak[item], rel=0.15)


def test_inductor_in_millihenries():
    """13 V to 15 V: duty 15/28, ripple 13 V x 0.536 / (6.8 mH x 330 kHz) = 3.1 mA of 1.5 A x 15/13 = 1.73 A: 0.18 %.

    0.3 of 1.73 A would take 13 x 0.536 / (0.519 x 330 kHz) = 41 uH.
    """
    (word,) = told(('L1 = { inductance = "33 uH"', 'L1 = { inductance = "6.8 mH"'))
    assert word.startswith("stage.L1.inductance: 6.80 mH is unusually large: at 13.00 V, 1.50 A its ripple is 0.179 %")
    assert "41 µH would make 30 %" in word
    assert "check the prefix" in word


def test_inductor_in_nanohenries():
    """33 nH: a thousand times the ripple of 33 uH, far beyond twenty times the average current."""
    words = told(('L1 = { inductance = "33 uH"', 'L1 = { inductance = "33 nH"'))
    assert any(w.startswith("stage.L1.inductance: 33.0 nH is unusually small") for w in words)


def test_sense_gain_without_milli():
    """At 8 V and 1.5 A the switch carries (15/8 + 1) x 1.5 A and half the ripples: about 5 A, and 150 V/A makes 750 V."""
    (word,) = told(('sense_gain = "60 mV/A"', 'sense_gain = "150 V/A"'))
    assert word.startswith("modulator.sense_gain: 150 V/A is unusually large: a switch current of 4.79 A makes 718.")
    (word,) = told(('sense_gain = "60 mV/A"', 'sense_gain = "60 uV/A"'), ('slope = "40 mV/us"', 'slope = "10 uV/us"'))
    assert word.startswith("modulator.sense_gain: 60.0 µV/A is unusually small")


def test_no_ramp_above_half_duty():
    """8 V to 15 V takes 65 % duty. Off-slope: 15 V (1/33 uH + 1/33 uH) x 60 mV/A = 54.5 mV/us; half of it 27 mV/us."""
    (word,) = told(('slope = "40 mV/us"', "slope = 0"))
    assert word.startswith(
        "modulator.slope: without a ramp the current loop oscillates at half the switching frequency"
    )
    assert "8.000 V needs about 65 %" in word
    assert "half the sensed down-slope is 27 mV/µs" in word


def test_no_ramp_below_half_duty_or_in_discontinuous_conduction_is_fine():
    high = ('{ min = "8 V", nominal = "13 V", max = "30 V" }', '["20 V", "30 V"]')
    assert told(('slope = "40 mV/us"', "slope = 0"), high) == ()
    light = ('output_current = { min = "0.1 A", max = "1.5 A" }', 'output_current = ["0.1 A"]')
    step = ('load_step = { from = "0.5 A", to = "1.5 A" }', "")
    assert told(('slope = "40 mV/us"', "slope = 0"), light, step) == ()


def test_ramp_without_milli():
    (word,) = told(('slope = "40 mV/us"', 'slope = "40 V/us"'))
    assert word.startswith(
        "modulator.slope: 40.0 V/µs is unusually steep, 733 times the sensed down-slope of 54.5 mV/µs"
    )


def test_divider_that_disagrees_a_little():
    """1.2 V (1 + 121/10) = 15.7 V: 4.8 % above 15 V."""
    (word,) = told(('lower = "10 kohm"', 'lower = "10 kohm"\nupper = "121 kohm"'))
    assert word.startswith("divider.upper: the divider sets 15.72 V, the specified output is 15.00 V")
    assert told(('lower = "10 kohm"', 'lower = "10 kohm"\nupper = "115 kohm"')) == ()


def test_voltage_load_that_draws_another_current():
    """12 V and 2 ohm at 15 V draw 1.5 A; the other level, 0.1 A, needs another drop."""
    load = ('load = "resistive"', 'load = "voltage"\nvoltage_load = { drop = "12 V", resistance = "2 ohm" }')
    (word,) = told(load)
    assert word.startswith("specification.voltage_load: at 15.00 V it draws 1.50 A, not 100 mA")


def test_temperature_beyond_a_curve():
    curve = 'temperature_curve = [["-20 degC", 0.9, 3.0], ["25 degC", 1.0, 1.0], ["60 degC", 1.0, 0.8]]'
    words = told(
        ('Co = { capacitance = "120 uF"', f'Co = {{ {curve}, capacitance = "120 uF"'),
        ('load = "resistive"', 'load = "resistive"\ntemperature = { min = "-40 degC", max = "60 degC" }'),
    )
    assert words == (
        "stage.Co.temperature_curve: -40.0 °C lies below its last point at -20.0 °C, whose shares are used",
    )


def test_blanking_longer_than_the_shortest_on_time():
    """30 V to 15 V takes a third of 3.03 us: 1.01 us, less than 1 us of blanking and 100 ns of delay together."""
    (word,) = told(("max_duty = 0.9", 'max_duty = 0.9\nblanking = "1 us"\nturn_off_delay = "100 ns"'))
    assert word == "modulator.blanking: at 30.00 V input the switch conducts for about 1.01 µs, shorter than 1.10 µs"


def test_two_parallel_statements_of_the_regulated_current():
    """0.25 V over 0.24 ohm hold 1.04 A, 4 % above the highest level."""
    from test_case_keys import LAMP

    text = change(LAMP, ('resistance = "0.25 ohm"', 'resistance = "0.24 ohm"'))
    (word,) = parse_case(text, "lamp.toml").warnings
    assert word.startswith(
        "current_sense.resistance: the reference sets 1.04 A, the highest regulated current is 1.00 A"
    )
    assert parse_case(LAMP, "lamp.toml").warnings == ()


CONDUCTANCE = 'kind = "transconductance"\ngm = "1 mS"\noutput_resistance = "2 Mohm"'
OPTOCOUPLER = (
    'kind = "shunt optocoupler"\ntransfer_ratio = "100 %"\nbandwidth = "20 kHz"\npull_up = "4.7 kohm"\n'
    'led_resistance = "1 kohm"\n'
)


def test_optocoupler_without_its_pull_up_supply():
    (warning,) = told((CONDUCTANCE, OPTOCOUPLER + 'led_drop = "1.1 V"'))
    assert warning == "error_amplifier.led_drop: nothing follows from it without pull_up_supply"


def test_optocoupler_of_which_not_all_is_said():
    given = OPTOCOUPLER + 'pull_up_supply = "5 V"\nled_drop = "1.1 V"\nregulator_minimum_voltage = "2.5 V"'
    (warning,) = told((CONDUCTANCE, given))
    assert warning.startswith(
        "error_amplifier.pull_up_supply: regulator_minimum_current, saturation_voltage not given and counted as zero"
    )
