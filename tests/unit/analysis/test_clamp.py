"""Leakage and clamp of a flyback in a check: what is told, at which ends, and what is warned of."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.findings import clamp
from loopdesign.analysis.findings.clamp import clamp_findings
from loopdesign.analysis.worst import _with_clamp
from loopdesign.case import parse_case
from loopdesign.cli import run
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import solved
from loopdesign.corners.tolerances import toleranced
from loopdesign.errors import ConvergenceError
from loopdesign.orbit.waveforms import waveforms
from loopdesign.report.basics.status import verdict_sentence
from loopdesign.report.loop.ratings import clamp_sentence

CASE = Path(__file__).parents[3] / "cases" / "ice_radar_flyback.toml"
TEXT = CASE.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def check():
    return ld.check(CASE)


def test_highest_findings_at_the_ends_are_found_again_one_by_one(check):
    """Each is what its own corner with its own ends gives, solved alone; and what is worst for one is not for another."""
    told = check.clamp.at_ends
    for name, found in told.items():
        at = Corners(
            input_voltage=np.array([found.input_voltage]), load_current=np.array([found.load_current]),
            temperature=np.array([25.0]), factors={key: np.array([1.0 + end]) for key, end in found.ends.items()},
        )  # fmt: skip
        converter, point = solved(check.case, at)
        alone = clamp_findings(check.case, at, converter, point, waveforms(converter, point))
        assert getattr(alone, name)[0] == pytest.approx(found.value, rel=1e-8)
    assert told["switch_voltage_peak"].ends["clamp.resistance"] == pytest.approx(0.05)
    assert told["clamp_loss"].ends["clamp.resistance"] == pytest.approx(-0.05)
    assert all(found.ends["leakage.inductance"] == pytest.approx(0.3) for found in told.values())
    assert all(found.ends["L1.inductance"] == pytest.approx(-0.1) for found in told.values())


def test_tolerances_of_leakage_and_clamp_are_among_the_ends(check):
    assert {"leakage.inductance", "clamp.resistance", "clamp.capacitance"} <= {v.name for v in toleranced(check.case)}
    assert check.worst["crossover_hz"].ends["leakage.inductance"] < 0.0


def test_switch_voltage_is_held_against_its_rating(check):
    """The rating sees what the clamp lets through: the highest voltage of the table, and an exceeded one fails."""
    stress = next(s for s in check.stresses if s.name == "switch_voltage")
    np.testing.assert_allclose(stress.reached, check.clamp.nominal.switch_voltage_peak)
    assert stress.met
    tight = parse_case(TEXT.replace('switch_voltage = "200 V"', 'switch_voltage = "150 V"'), "tight.toml")
    assert any("switch voltage 131 V" in told for told in ld.check(tight, nominal=True).reasons)


def test_switch_voltage_at_the_ends_is_held_against_its_rating():
    """131 V with nominal parts and 142 V at the ends, against 170 V less 20 %: the ends alone exceed it."""
    found = ld.check(parse_case(TEXT.replace('switch_voltage = "200 V"', 'switch_voltage = "170 V"'), "tight.toml"))
    (told,) = (reason for reason in found.reasons if "switch voltage" in reason)
    assert told.startswith("switch voltage 142 V at 56 V, 1.8 A with L1 -10 %, leakage +30 %")
    assert found.stable
    assert not found.targets_met


def test_an_end_without_operating_point_is_a_reason(check, monkeypatch):
    """A clamp resistance at its upper end is refused here: the check goes on, and names what it could not solve."""

    def refuse(case, corners, begin=None):
        if (corners.factors["clamp.resistance"] > 1.0).any():
            raise ConvergenceError("none")
        return solved(case, corners, begin)

    monkeypatch.setattr(clamp, "solved", refuse)
    found = _with_clamp(replace(check, reasons=()), check.beyond)
    assert not found.stable
    assert found.reasons == found.beyond.reasons[-1:] == found.clamp.failed
    assert found.reasons[0].startswith("no operating point at 40 V, 0.15 A with L1 -10 %, leakage -30 %")
    assert "clamp resistance +5 %" in found.reasons[0]
    assert "the same at 47 others of 96 ends" in found.reasons[0]
    assert all(at.ends["clamp.resistance"] < 0.0 for at in found.clamp.at_ends.values())
    assert found.reasons[0] in clamp_sentence(found.clamp)
    assert "WITHOUT OPERATING POINT at some tolerance ends: no operating point" in verdict_sentence(found)


def test_a_clamp_that_loads_the_converter_is_warned_of():
    """At 470 ohm the capacitor empties between two pulses; conduction stays continuous, for the clamp carries it over."""
    case = parse_case(TEXT.replace('"6.8 kohm"', '"470 ohm"'), "loaded.toml")
    stage = examine_stage(case)
    assert any("stage.clamp: at 6 of 6 corners" in told and "loads the converter" in told for told in stage.warnings)
    heavy = stage.conditions.load_current > 1.0
    np.testing.assert_array_equal(stage.point.discontinuous, ~heavy)


def test_answer_and_text_tell_of_the_clamp(capsys):
    assert run(["check", str(CASE), "--nominal", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["clamp"]
    assert told["at_ends"] is None
    assert [row["lost_duty"] > 0.0 for row in told["corners"]] == [False, True] * 3
    assert run(["check", str(CASE), "--details"]) == 0
    text = capsys.readouterr().out
    assert "switch voltage up to 142 V (56 V, 1.8 A with" in " ".join(text.split())
    assert "Leakage and clamp, nominal parts" in text


def test_without_a_leakage_there_is_no_clamp():
    plain = "\n".join(line for line in TEXT.splitlines() if not line.startswith(("leakage", "clamp")))
    assert ld.check(parse_case(plain, "plain.toml"), nominal=True).clamp is None
