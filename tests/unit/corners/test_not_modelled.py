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
