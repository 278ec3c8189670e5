"""From a case to values: decibels of an amplifier's gain, capacitors at their own bias wherever they stand, single parts and banks."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.case import parse_case
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import (
    amplifier,
    compensation,
    divider,
    line_load_corners,
    network_parts,
    open_loop,
    solved,
)
from loopdesign.corners.effective import effective_values
from loopdesign.network.elements import Capacitor
from loopdesign.orbit.waveforms import average_state, waveforms

CASES = Path(__file__).parents[3] / "cases"
BEACON = (CASES / "beacon_boost.toml").read_text(encoding="utf-8")
SOUNDER = (CASES / "echo_sounder_flyback.toml").read_text(encoding="utf-8")
OPERATIONAL = """kind = "operational"
dc_gain = "{gain}"
gain_bandwidth = "5 MHz"
reference = "1.2 V"

[divider]
lower = "5.62 kohm"

[compensation]
network = "type II"
R1 = "30 kohm"
C1 = "4.7 nF"
C2 = "100 pF"
"""


def operational(gain):
    head = BEACON.split("kind = ")[0]
    return parse_case(head + OPERATIONAL.format(gain=gain), "beacon.toml")


@pytest.mark.parametrize(
    ("gain", "ratio"), [("80 dB", 1e4), ("66 dB", 1995.262314968), ("6 dB", 1.995262314968), ("20 dB", 10.0)]
)
def test_decibels_of_a_finite_gain(gain, ratio):
    """20 dB are a factor of ten in voltage; at dc the network is open and the divided gain is all that is left."""
    case = operational(gain)
    found = amplifier(case)
    assert found.dc_gain == pytest.approx(ratio, rel=1e-12)
    parts = network_parts(case, case.compensation.parts)
    dc = abs(compensator_response(found, divider(case), parts, [0.0])[0])
    assert dc == pytest.approx(ratio * 1.2 / 24.0, rel=1e-9)


def test_decibels_of_the_shunt_regulator():
    given = parse_case(SOUNDER, "sounder.toml")
    assert given.error_amplifier.kind == "shunt optocoupler"
    assert amplifier(given).dc_gain == pytest.approx(1000.0, rel=1e-12)
    other = parse_case(SOUNDER.replace('"60 dB"', '"40 dB"'), "sounder.toml")
    assert amplifier(other).dc_gain == pytest.approx(100.0, rel=1e-12)


CURVE = "[[0.0, 1.0], [30.0, 0.1]]"


def biased(*changes):
    """Beacon supply with one output capacitor and a filter capacitor, both losing three per cent of their value per volt."""
    text = BEACON[: BEACON.index("Co = [")] + BEACON[BEACON.index("switch = {") :]
    text = text.replace(
        "switch = {", f'Co = {{ capacitance = "150 uF", esr = "2 mohm", bias_curve = {CURVE} }}\nswitch = {{', 1
    )
    text = text.replace(
        'C = { capacitance = "10 uF", esr = "4 mohm" }',
        f'C = {{ capacitance = "10 uF", esr = "4 mohm", bias_curve = {CURVE} }}',
    )
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return parse_case(text, "beacon.toml")


def left(volts):
    return 1.0 - 0.9 / 30.0 * np.asarray(volts)


def test_filter_capacitor_stands_at_the_voltage_its_source_leaves():
    """Behind 1 ohm of source the bias is the input less the drop at the input current; power in is power out and losses."""
    case = biased(
        ('"30 mohm", inductance', '"1 ohm", inductance'),
        ('min = "9 V", nominal = "12 V", max = "16 V"', 'min = "14 V", max = "16 V"'),
    )
    corners = line_load_corners(case)
    converter, point = solved(case, corners)
    figures = {f.name: f for f in waveforms(converter, point).figures()}
    bias = corners.input_voltage - (1.0 + 0.015) * figures["i(Lf)"].average
    assert bias[1] < corners.input_voltage[1] - 1.0
    (found,) = [e for e in converter.source if isinstance(e, Capacitor) and e.name == "Cf"]
    assert_allclose(found.capacitance, 10e-6 * left(bias), rtol=1e-6)
    (bank,) = converter.stage.Co
    assert_allclose(bank.capacitance, 150e-6 * left(24.0), rtol=1e-6)
    # what is solved is the converter with just these values
    states = point.network.states
    mean = average_state(point) / point.network.state_scale
    assert_allclose(mean[:, states.index("v(Cf)")], bias, rtol=1e-9)
    assert_allclose(mean[:, states.index("v(Co)")], 24.0, rtol=1e-9)


def test_bias_makes_a_difference_only_where_a_curve_is():
    """The bank's first capacitor of the shipped case has no curve, the second has: 45 % at 24 V."""
    case = parse_case(BEACON, "beacon.toml")
    converter, _ = solved(case, line_load_corners(case))
    first, second = converter.stage.Co
    assert first.capacitance == 150e-6
    assert_allclose(second.capacitance, 4.5e-6, rtol=1e-6)
    plain = open_loop(case, line_load_corners(case))
    assert plain.stage.Co[1].capacitance == 10e-6


def test_corners_are_every_line_at_every_load():
    """Line changes slowest; temperature is nominal."""
    corners = line_load_corners(parse_case(BEACON, "beacon.toml"))
    assert corners.input_voltage.tolist() == [9.0, 9.0, 12.0, 12.0, 16.0, 16.0]
    assert corners.load_current.tolist() == [0.1, 1.0] * 3
    assert corners.temperature.tolist() == [25.0] * 6


def test_factors_of_controller_filter_and_bank():
    """Each factor reaches its own value and no other, in the amplifier, the divider, the network, the filter and the bank."""
    case = parse_case(
        BEACON.replace('network = "type II"', 'network = "type II"\nR1 = "10 kohm"\nC1 = "10 nF"\nC2 = "100 pF"'),
        "b.toml",
    )
    two = np.array([0.9, 1.2])
    names = (
        "gm", "divider.upper", "compensation.C2", "filter.L.inductance", "filter.C.capacitance", "filter.damper.resistance",
        "filter.damper.capacitance", "Co1.capacitance", "Co2.esr",
    )  # fmt: skip

    def values(name):
        corners = Corners(
            input_voltage=np.full(2, 12.0), load_current=np.ones(2), temperature=np.full(2, 25.0),
            factors={} if name is None else {name: two},
        )  # fmt: skip
        conv, parts, split = (
            open_loop(case, corners),
            network_parts(case, case.compensation.parts, corners),
            divider(case, corners),
        )
        source = {e.name: e for e in conv.source}
        return {
            "gm": amplifier(case, corners).gm, "divider.upper": split.upper, "divider.lower": split.lower,
            "compensation.R1": parts.R1, "compensation.C1": parts.C1, "compensation.C2": parts.C2,
            "filter.L.inductance": source["Lf"].inductance - 0.8e-6, "filter.C.capacitance": source["Cf"].capacitance,
            "filter.damper.resistance": source["Rfd"].resistance, "filter.damper.capacitance": source["Cfd"].capacitance,
            "Co1.capacitance": conv.stage.Co[0].capacitance, "Co1.esr": conv.stage.Co[0].esr,
            "Co2.capacitance": conv.stage.Co[1].capacitance, "Co2.esr": conv.stage.Co[1].esr,
        }  # fmt: skip

    nominal = values(None)
    assert nominal["divider.upper"] == pytest.approx(5620.0 * 19.0)
    assert nominal["filter.L.inductance"] == pytest.approx(3.3e-6)
    for name in names:
        for key, value in values(name).items():
            assert_allclose(value, nominal[key] * (two if key == name else 1.0), rtol=1e-12, err_msg=f"{name} {key}")


def test_compensation_is_at_the_corners_factors():
    """The elements of the closed loop's netlist carry the factor too."""
    case = parse_case(
        BEACON.replace('network = "type II"', 'network = "type II"\nR1 = "10 kohm"\nC1 = "10 nF"\nC2 = "100 pF"'),
        "b.toml",
    )
    corners = Corners(
        input_voltage=np.full(1, 12.0), load_current=np.ones(1), temperature=np.full(1, 25.0),
        factors={"compensation.C1": np.array([1.3])},
    )  # fmt: skip
    sizes = [
        np.ravel(e.capacitance)[0]
        for e in compensation(case, case.compensation.parts, corners)
        if isinstance(e, Capacitor)
    ]
    assert pytest.approx(max(sizes)) == 13e-9
    assert pytest.approx(min(sizes)) == 100e-12


EFFECTIVE = [
    ("L1.inductance", "L1", "inductance", "H", 33e-6), ("L2.inductance", "L2", "inductance", "H", 33e-6),
    ("Cs.capacitance", "Cs", "capacitance", "F", 6.8e-6), ("Cs.esr", "Cs", "esr", "ohm", 4e-3),
    ("Co1.capacitance", "Co1", "capacitance", "F", 120e-6), ("Co2.esr", "Co2", "esr", "ohm", 3e-3),
    ("damper.resistance", "damper", "resistance", "ohm", 2.7), ("damper.capacitance", "damper", "capacitance", "F", 33e-6),
    ("sense_gain", "modulator", "sense_gain", "V/A", 60e-3), ("slope", "modulator", "slope", "V/s", 40e3),
    ("reference", "error_amplifier", "reference", "V", 1.2), ("gm", "error_amplifier", "gm", "S", 1e-3),
]  # fmt: skip


@pytest.mark.parametrize(("cause", "part", "quantity", "unit", "given"), EFFECTIVE)
def test_one_factor_makes_one_effective_value(cause, part, quantity, unit, given):
    """Whatever a factor moves is told, under its own name, and nothing else."""
    text = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
    case = parse_case(re.sub(r", bias_curve = \[\[.*?\]\] }", " }", text), "gauge.toml")
    factors = {cause: np.array([0.8, 1.0, 1.3])}
    corners = Corners(
        input_voltage=np.full(3, 13.0), load_current=np.ones(3), temperature=np.full(3, 25.0), factors=factors
    )
    (found,) = effective_values(case, corners, solved(case, corners)[1])
    assert (found.part, found.quantity, found.unit, found.given) == (part, quantity, unit, pytest.approx(given))
    assert_allclose(found.values, given * factors[cause], rtol=1e-12)


def test_without_factors_and_curves_every_part_is_as_given():
    case = parse_case(SOUNDER, "sounder.toml")
    corners = line_load_corners(case)
    assert effective_values(case, corners, solved(case, corners)[1]) == ()
    ratio = Corners(
        input_voltage=corners.input_voltage, load_current=corners.load_current, temperature=corners.temperature,
        factors={"transfer_ratio": np.full(len(corners), 0.7)},
    )  # fmt: skip
    (found,) = effective_values(case, ratio, solved(case, ratio)[1])
    assert (found.part, found.quantity) == ("error_amplifier", "transfer_ratio")
    assert_allclose(found.values, 0.7 * case.error_amplifier.transfer_ratio)
