"""A case that asks for what the engine leaves out is refused, never simplified in silence."""

from __future__ import annotations

import pytest
from wholecase import SEPIC, change

from loopdesign.analysis.check import examine_stage
from loopdesign.case import parse_case
from loopdesign.corners.not_modelled import not_modelled
from loopdesign.errors import CaseError

ASKED = {
    "targets.step_deviation": ('crossover = "auto"', 'crossover = "auto"\nstep_deviation = "300 mV"'),
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
