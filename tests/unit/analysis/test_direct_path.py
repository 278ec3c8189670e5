"""The path through the LED resistor alone, held against the exact loop with a network that does next to nothing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.findings.direct_path import direct_path_too_fast
from loopdesign.case import parse_case, read_text
from loopdesign.errors import NoDesignError
from loopdesign.synthesis.choice.choose import choose
from loopdesign.units.preferred import between

FLYBACK = read_text(Path(__file__).parents[3] / "cases" / "echo_sounder_flyback.toml")
NOTHING = {"R1": 100.0, "C1": 1e-6, "C2": 0.0}
"""A network whose gain above 2 kHz is R1 over the upper divider resistor, 0.6 %: what is left is the direct path."""
LIMIT = 10e3


def fed(led_resistance, *changes):
    """The flyback with every optocoupler at 160 % and another LED resistor."""
    text = FLYBACK.replace('led_resistance = "3.3 kohm"', f"led_resistance = {led_resistance}")
    text = re.sub(r'transfer_ratio(_min)? = ".*"', r'transfer_ratio\1 = "160 %"', text)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_case(text, "flyback.toml")


def told_of(case):
    stage = examine_stage(case)
    return direct_path_too_fast(case, stage.conditions, stage.converter, stage.point, LIMIT)


def resistor_told(case):
    (told,) = told_of(case)
    value, prefix = re.search(r"LED resistor of ([\d.]+) (k?)Ω or more", told).groups()
    return float(value) * (1e3 if prefix else 1.0), told


def highest_crossover(case):
    return max(m.crossover_hz for m in examine(case, NOTHING).margins)


def test_resistor_told_brings_the_exact_loop_below_the_limit_and_the_next_smaller_one_does_not():
    value, told = resistor_told(fed(470.0))
    assert "at 60 V, 2 A with a transfer ratio of 160 %" in told
    smaller = float(between("E24", value / 1.2, value * 0.99)[-1])
    # the network's own 0.6 % moves the crossover by no more than 1 %
    assert highest_crossover(fed(value)) < 1.01 * LIMIT
    assert highest_crossover(fed(smaller)) > 0.99 * LIMIT


def test_where_the_path_crosses_over_is_where_the_exact_loop_does():
    _, told = resistor_told(fed(1.2e3))
    crossing = float(re.search(r"up to about ([\d.]+) kHz", told).group(1)) * 1e3
    assert_allclose(highest_crossover(fed(1.2e3)), crossing, rtol=0.1)  # read from a grid of 10 % steps


@pytest.mark.parametrize("change", [(), (('reference = "2.5 V"', 'reference = "2.5 V"\nled_supply = "12 V"'),)])
def test_nothing_is_said_of_a_slow_path_or_of_none(change):
    case = fed(3.3e3) if not change else fed(470.0, *change)
    assert told_of(case) == ()


def test_resistor_that_the_pull_up_does_not_allow_is_told():
    """At 160 % alike the pull-up needs (12 - 1.1 - 2.5) V / ((8 - 0.165) V / (1.6 x 4.7 kohm)) = 8.06 kohm at most."""
    keys = 'reference = "2.5 V"\npull_up_supply = "40 V"\nled_drop = "1.1 V"\nregulator_minimum_voltage = "2.5 V"'
    _, told = resistor_told(fed(470.0, ('reference = "2.5 V"', keys)))
    most = 8.4 / ((40.0 - 0.1646) / (1.6 * 4.7e3))
    found = re.search(r"with more than ([\d.]+) kΩ the optocoupler", told)
    assert_allclose(float(found.group(1)) * 1e3, most, rtol=5e-3)
    assert "led_supply" in told


def test_check_says_it_beside_the_crossover_that_is_missed():
    check = examine(fed(470.0), {"R1": 3.3e3, "C1": 47e-9, "C2": 1e-9})
    assert any(r.startswith("the path through the LED resistor alone") for r in check.reasons)
    slow = examine(fed(3.3e3), {"R1": 3.3e3, "C1": 47e-9, "C2": 1e-9})
    assert not any("LED resistor" in r for r in slow.reasons)


@pytest.mark.nightly
def test_refusal_says_it():
    with pytest.raises(NoDesignError, match="no combination") as caught:
        choose(fed(470.0, ('capacitor_series = "E12"', 'capacitor_series = "E3"'), ('"E96"', '"E6"')))
    assert any(o.startswith("the path through the LED resistor alone") for o in caught.value.obstacles)
