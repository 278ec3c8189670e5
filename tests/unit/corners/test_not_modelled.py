"""A case that asks for what the engine leaves out is refused, never simplified in silence."""

from __future__ import annotations

import pytest
from wholecase import SEPIC, change

from loopdesign.analysis.check import examine_stage
from loopdesign.case import parse_case
from loopdesign.corners import not_modelled
from loopdesign.errors import CaseError

GIVEN = parse_case(change(SEPIC, ('crossover = "auto"', 'crossover = "auto"\nstep_deviation = "300 mV"')), "s.toml")
ASKED = {"targets.step_deviation": (lambda case: case.targets.step_deviation is not None, "a limit on the departure")}
"""An entry as a key has that is read before anything computes with it."""


def test_every_key_is_modelled():
    assert not_modelled.not_modelled(GIVEN) == ()


def test_each_is_refused_by_its_key(monkeypatch):
    monkeypatch.setattr(not_modelled, "_USED", ASKED)
    with pytest.raises(CaseError, match="a limit on the departure is not modelled by this version") as caught:
        examine_stage(GIVEN)
    (fault,) = caught.value.faults
    assert (fault.file, fault.key, caught.value.exit_status) == ("s.toml", "targets.step_deviation", 2)
    assert SEPIC.split("\n")[fault.line - 2].startswith("crossover")


def test_nothing_is_refused_without_them(monkeypatch):
    monkeypatch.setattr(not_modelled, "_USED", ASKED)
    assert not_modelled.not_modelled(parse_case(SEPIC, "s.toml")) == ()
