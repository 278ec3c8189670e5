"""A case that asks for what the engine leaves out is refused, never simplified in silence."""

from __future__ import annotations

import pytest
from wholecase import SEPIC, change

from loopdesign.analysis.check import examine_stage
from loopdesign.case import parse_case
from loopdesign.corners.not_modelled import not_modelled
from loopdesign.errors import CaseError

FILTER = '[output_filter]\nL = { inductance = "1 uH" }\nC = { capacitance = "22 uF", esr = "5 mohm" }\n\n[modulator]'
LOAD = 'load = "voltage"\nvoltage_load = { drop = "12 V", resistance = "2 ohm" }'
ASKED = {
    "specification.load": ('load = "resistive"', LOAD),
    "output_filter": ("[modulator]", FILTER),
    "modulator.turn_off_delay": ("max_duty = 0.9", 'max_duty = 0.9\nturn_off_delay = "100 ns"'),
    "modulator.blanking": ("max_duty = 0.9", 'max_duty = 0.9\nblanking = "180 ns"'),
    "targets.step_deviation": ('crossover = "auto"', 'crossover = "auto"\nstep_deviation = "300 mV"'),
    "modulator.current_limit": ("max_duty = 0.9", 'max_duty = 0.9\ncurrent_limit = "250 mV"'),
}


def test_nothing_is_refused_without_them():
    assert not_modelled(parse_case(SEPIC, "s.toml")) == ()


@pytest.mark.parametrize("key", ASKED)
def test_each_is_refused_by_its_key(key):
    case = parse_case(change(SEPIC, ASKED[key]), "s.toml")
    with pytest.raises(CaseError, match="is not modelled by this version") as caught:
        examine_stage(case)
    assert [(f.file, f.key) for f in caught.value.faults] == [("s.toml", key)]
    assert caught.value.exit_status == 2
    (fault,) = caught.value.faults
    line = change(SEPIC, ASKED[key]).split("\n")[fault.line - 1]
    assert line.lstrip("[").startswith(key.rpartition(".")[2])


def test_what_an_optocoupler_needs_is_refused_by_its_keys():
    amplifier = (
        'kind = "shunt optocoupler"\ntransfer_ratio = "100 %"\nbandwidth = "20 kHz"\npull_up = "4.7 kohm"\n'
        'led_resistance = "1 kohm"\npull_up_supply = "5 V"\nled_supply = "12 V"'
    )
    case = parse_case(
        change(SEPIC, ('kind = "transconductance"\ngm = "1 mS"\noutput_resistance = "2 Mohm"', amplifier)), "s"
    )
    assert [f.key for f in not_modelled(case)] == ["error_amplifier.pull_up_supply", "error_amplifier.led_supply"]


def test_all_are_named_at_once():
    case = parse_case(change(SEPIC, *(p for k, p in ASKED.items() if not k.startswith("modulator")),
                             ("max_duty = 0.9", 'max_duty = 0.9\nblanking = "180 ns"\nturn_off_delay = "0.1 us"')), "s")  # fmt: skip
    assert {f.key for f in not_modelled(case)} == {
        "specification.load", "output_filter", "modulator.blanking", "modulator.turn_off_delay", "targets.step_deviation",
    }  # fmt: skip
