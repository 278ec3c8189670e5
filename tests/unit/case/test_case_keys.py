"""Loads, regulation, filters, tolerances, curves, ratings and document: what a valid file holds, in SI units."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from wholecase import SEPIC, change

from loopdesign.case import CurrentRegulated, Levels, Tolerance, VoltageRegulated, json_schema, parse_case
from loopdesign.case.fields import ToleranceField
from loopdesign.units.quantities import exact_quantity

LAMP = """\
title = "Beacon lamp supply"
[converter]
topology = "boost"
switching_frequency = "330 kHz"
[specification]
input_voltage = ["9 V", "13 V"]
output_current = ["0.35 A", "1 A"]
regulate = "current"
load = "voltage"
voltage_load = { drop = "20 V", resistance = "3 ohm" }
[stage]
L1 = { inductance = "33 uH" }
Co = { capacitance = "120 uF", esr = "15 mohm" }
switch = { resistance = "18 mohm" }
diode = { drop = "0.45 V" }
[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "40 mV/us"
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "0.25 V"
[current_sense]
resistance = "0.25 ohm"
tolerance = "1 %"
"""


def sepic(*pairs):
    return parse_case(change(SEPIC, *pairs), "s.toml")


def test_voltage_load_of_a_regulated_voltage():
    case = sepic(('load = "resistive"', 'load = "voltage"\nvoltage_load = { drop = "12 V", resistance = "2 ohm" }'))
    assert isinstance(case.specification, VoltageRegulated)
    assert (case.specification.load, case.specification.regulate) == ("voltage", "voltage")
    assert (case.specification.voltage_load.drop, case.specification.voltage_load.resistance) == (12.0, 2.0)
    assert case.specification.output_voltage_at(0.2) == 15.0


def test_output_voltage_follows_where_the_current_is_regulated():
    """20 V and 3 ohm: 21.05 V at 0.35 A and 23 V at 1 A."""
    case = parse_case(LAMP, "lamp.toml")
    assert isinstance(case.specification, CurrentRegulated)
    assert case.specification.output_current.values == (0.35, 1.0)
    assert case.specification.output_voltage_at(0.35) == pytest.approx(21.05)
    assert case.specification.output_voltage == 23.0
    assert (case.divider, case.current_sense.resistance, case.current_sense.tolerance) == (None, 0.25, (-0.01, 0.01))


def test_output_filter():
    text = (
        '[output_filter]\nL = { inductance = "1 uH", resistance = "5 mohm" }\nC = { capacitance = "22 uF", esr = "5 mohm" }\n'
        'damper = { resistance = "0.5 ohm", capacitance = "100 uF" }\nsense = "before"\n\n[modulator]'
    )
    given_filter = sepic(("[modulator]", text)).output_filter
    assert (given_filter.L.inductance, given_filter.C.capacitance, given_filter.damper.resistance) == (1e-6, 22e-6, 0.5)
    assert given_filter.sense == "before"
    assert sepic(("[modulator]", text.replace('sense = "before"', ""))).output_filter.sense == "after"
    assert sepic().output_filter is None


def test_times_and_limit_of_the_modulator():
    extra = 'max_duty = 0.9\nturn_off_delay = "100 ns"\nblanking = "180 ns"\ncurrent_limit = "250 mV"\ncurrent_limit_tolerance = "10 %"'
    modulator = sepic(("max_duty = 0.9", extra)).modulator
    assert (modulator.turn_off_delay, modulator.blanking) == (pytest.approx(1e-7), pytest.approx(1.8e-7))
    assert (modulator.current_limit, modulator.current_limit_tolerance) == (0.25, (-0.1, 0.1))
    plain = sepic().modulator
    assert (plain.turn_off_delay, plain.blanking, plain.current_limit) == (0.0, 0.0, None)


def test_curves_count_and_pairs_of_a_part():
    case = sepic(
        ('esr = "15 mohm", tolerance = "20 %"', ('esr = "15 mohm", tolerance = ["-20 %", "+80 %"], esr_tolerance = [-0.5, 4], count = 3, '
         'temperature_curve = [["-40 degC", 0.8, 8.0], ["25 degC", 1.0, 1.0]]')),
        ('L1 = { inductance = "33 uH", resistance = "45 mohm"', 'L1 = { inductance = "33 uH", current_curve = [["0 A", 1.0], ["4 A", "75 %"]], resistance = "45 mohm"'),
    )  # fmt: skip
    (co,) = case.stage.Co
    assert (co.tolerance, co.esr_tolerance, co.count) == ((-0.2, 0.8), (-0.5, 4.0), 3)
    assert co.temperature_curve == ((-40.0, 0.8, 8.0), (25.0, 1.0, 1.0))
    assert case.stage.L1.current_curve == ((0.0, 1.0), (4.0, 0.75))
    assert case.stage.Cs.count == 1
    assert case.stage.L1.tolerance == Tolerance(-0.2, 0.2)


def test_coupling_as_number_and_as_range():
    assert sepic(("coupling = 0.0", "coupling = 0.97")).stage.coupling == Levels(values=(0.97,), nominal=0.97)
    ranged = sepic(("coupling = 0.0", "coupling = { min = 0.95, max = 0.99 }")).stage.coupling
    assert (ranged.lowest, ranged.nominal, ranged.highest) == (0.95, pytest.approx(0.97), 0.99)


def test_targets_ratings_and_document():
    case = sepic(
        ('crossover = "auto"', 'crossover = "2 kHz"\ncrossover_min = "500 Hz"\nstep_deviation = "300 mV"'),
        ("[targets]", ('[ratings]\nswitch_voltage = "60 V"\nCs_current = "2 A"\nderating = "20 %"\n\n[document]\n'
         'prepared_by = "the harbour office"\nrevision = "B"\ndate = 2026-05-01\n\n[targets]')),
    )  # fmt: skip
    assert (case.targets.crossover, case.targets.crossover_min, case.targets.step_deviation) == (2e3, 500.0, 0.3)
    assert (case.ratings.switch_voltage, case.ratings.Cs_current, case.ratings.derating) == (60.0, 2.0, 0.2)
    assert case.ratings.diode_voltage is None
    assert (case.document.prepared_by, case.document.reviewed_by) == ("the harbour office", "")
    assert (case.document.revision, case.document.date) == ("B", "2026-05-01")


def test_what_the_optocoupler_needs_at_its_operating_point():
    amplifier = (
        'kind = "shunt optocoupler"\ntransfer_ratio = "100 %"\nbandwidth = "20 kHz"\npull_up = "4.7 kohm"\n'
        'led_resistance = "1 kohm"\npull_up_supply = "5 V"\nled_drop = "1.1 V"\nregulator_minimum_voltage = "2.5 V"\n'
        'regulator_minimum_current = "1 mA"\nsaturation_voltage = "200 mV"'
    )
    case = sepic(('kind = "transconductance"\ngm = "1 mS"\noutput_resistance = "2 Mohm"', amplifier))
    given_amplifier = case.error_amplifier
    assert (given_amplifier.pull_up_supply, given_amplifier.led_drop, given_amplifier.led_supply) == (5.0, 1.1, None)
    assert given_amplifier.regulator_minimum_voltage == 2.5
    assert given_amplifier.regulator_minimum_current == pytest.approx(1e-3)
    assert given_amplifier.saturation_voltage == pytest.approx(0.2)


@given(low=st.floats(-0.99, 0.0), high=st.floats(0.0, 20.0))
def test_pairs_of_ends_read_back(low, high):
    """As numbers, and as shares with their signs, as a person writes them."""
    field = ToleranceField()
    assert field.read([low, high]) == Tolerance(low, high)
    assert field.read([exact_quantity(low, "%"), f"+{exact_quantity(high, '%')}"]) == Tolerance(low, high)


@given(share=st.floats(0.0, 0.99))
def test_one_share_is_both_ends(share):
    assert ToleranceField().read(share) == Tolerance(-share, share)
    assert ToleranceField().read(exact_quantity(share, "%")) == Tolerance(-share, share)
    assert ToleranceField().read([-share, share]).even


def test_schema_knows_every_table_and_pair():
    schema = json_schema()
    assert {"output_filter", "current_sense", "ratings", "document"} <= set(schema["properties"])
    capacitor = schema["$defs"]["CapacitorEntry"]["properties"]
    one, pair = capacitor["tolerance"]["anyOf"]
    assert one["anyOf"][1]["exclusiveMaximum"] == 1
    assert (pair["minItems"], pair["maxItems"]) == (2, 2)
    triple = capacitor["temperature_curve"]
    assert triple["items"]["minItems"] == triple["items"]["maxItems"] == 3
    assert schema["$defs"]["CurrentRegulated"]["required"] == [
        "input_voltage", "output_current", "regulate", "load", "voltage_load",
    ]  # fmt: skip
