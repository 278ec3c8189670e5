"""Operating points of stages with several rectifiers, found side by side as each is found by itself.

By itself a point is followed edge by edge from cycle to cycle until it repeats itself, begun beside its orbit: no sequence is
tried on it that another point keeps.
"""

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from customcase import forward_case

import loopdesign as ld
from loopdesign.analysis.outputs.cross import _combinations
from loopdesign.corners.converters import line_load_corners, solved
from loopdesign.network.batch import occurring, take
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.operating_point import delayed, operating_point, undelayed
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search import closing
from loopdesign.orbit.search.duty import FOLLOWED, followed
from loopdesign.orbit.search.follow import fixed_duty_stepper, follow
from loopdesign.orbit.search.mending import mended, shown_by
from loopdesign.orbit.search.trial import tries_on
from loopdesign.orbit.sequence import Edge

CASES = Path(__file__).parents[3] / "cases"


@pytest.mark.parametrize("name", ["mooring_head_flyback", "current_profiler_bipolar"])
def test_points_beside_each_other_are_those_followed_one_by_one(name):
    """Every third corner of line and loads of two outputs, continuous and discontinuous in five different ways."""
    case = ld.load_case(CASES / f"{name}.toml")
    corners = _combinations(case, case.stage)
    converter, together = solved(case, corners)
    size = len(corners.input_voltage)
    for k in range(0, size, 3):
        one = take(converter, np.array([k]), size).plain()
        alone = followed(one, float(together.duty[k]), together.start[k] * 0.98)
        point = operating_point(one, alone)
        assert point.sequence.same_structure(together.sequence.take(np.array([k]))).all()
        assert point.duty == pytest.approx(together.duty[[k]], rel=1e-9)
        assert point.start == pytest.approx(together.start[[k]], rel=1e-8, abs=1e-10)


def test_a_guess_of_another_sequence_is_mended():
    """The sequence of one corner is given for all, and the sequences come out as they do without a guess."""
    case = ld.load_case(CASES / "current_profiler_bipolar.toml")
    corners = _combinations(case, case.stage)
    converter, wanted = solved(case, corners)
    for k in (0, 11):
        found = operating_point(converter, wanted.sequence.take(np.full(len(wanted), k)))
        assert found.sequence.same_structure(wanted.sequence).all()
        assert found.duty == pytest.approx(wanted.duty, rel=1e-9)


def test_sequences_are_put_right_by_what_their_orbits_show():
    """Each corner begun with the sequence of every other: what mending keeps are the orbits stepped and followed before.

    Nothing is stepped or followed for it, and hardly any pair is left over.
    """
    case = ld.load_case(CASES / "current_profiler_bipolar.toml")
    converter, wanted = solved(case, _combinations(case, case.stage))
    size, plain = len(wanted), converter.plain()
    left = others = 0
    for k in range(size):
        guess = wanted.sequence.take(np.full(size, k))
        other = [
            i for i in range(size) if not guess.take(np.array([i])).same_structure(wanted.sequence.take(np.array([i])))
        ]
        problem = pose(plain, configurations=tuple({ON, OFF, *occurring(guess.configuration)}))
        tries = tries_on(problem, guess)
        without = {i: guess.take(np.array([i])) for i in other if i not in tries.items}
        found = mended(plain, shown_by(tries, np.arange(size)), without)
        left, others = left + len(other) - len(found), others + len(other)
        for i, orbit in found.items():
            assert orbit.kept
            assert orbit.sequence.same_structure(wanted.sequence.take(np.array([i]))).all()
            assert orbit.duty == pytest.approx(wanted.duty[i], rel=1e-9)
    assert others > 90
    assert left < 0.03 * others


def test_a_delay_taken_away_is_the_sequence_before():
    case = ld.load_case(CASES / "mooring_head_flyback.toml")
    _, point = solved(case, _combinations(case, case.stage))
    late = delayed(point.sequence, 0.02)
    assert (late.edge == Edge.DELAYED).any(axis=1).all()
    back = undelayed(late)
    assert back.same_structure(point.sequence).all()
    assert back.ends == pytest.approx(point.sequence.ends, abs=1e-15)


def test_a_switch_and_a_sensed_element_of_any_name(tmp_path):
    """A controlled switch called otherwise than "switch", and sensing named: the same duty, followed from nothing."""
    text = (CASES / "mooring_head_flyback.toml").read_text(encoding="utf-8")
    path = tmp_path / "renamed.toml"
    path.write_text(text.replace('name = "switch"', 'name = "Q1"'), encoding="utf-8")
    duty = [c.duty for c in ld.check(CASES / "mooring_head_flyback.toml", nominal=True).corners]
    assert [c.duty for c in ld.check(path, nominal=True).corners] == pytest.approx(duty, rel=1e-9)
    sensed = text.replace('name = "switch"', 'name = "Q1"').replace("[stage]", '[stage]\nsense = "L1"')
    path.write_text(sensed, encoding="utf-8")
    assert [c.duty for c in ld.check(path, nominal=True).corners] == pytest.approx(duty, rel=1e-9)


def test_a_forward_converter_of_two_switches(tmp_path):
    """Volt-seconds of its choke in continuous conduction: D n Vin = V + 0.5 V + I (Rd + n^2 2 Rs D); derived.

    Once the core is reset both secondary rectifiers conduct, for their drops are alike: Df takes over from the reset
    rectifiers, which may not be tried again at zero current.
    """
    path = forward_case(tmp_path / "forward.toml")
    for corner in ld.check(path, nominal=True).corners:
        if corner.load_current > 1.0:
            lost = corner.load_current * (0.01 + 0.75**2 * 0.12 * corner.duty)
            assert corner.duty * 0.75 * corner.input_voltage == pytest.approx(12.5 + lost, rel=0.01)
            assert corner.stable


def lossy(path, *, loss, max_duty, line):
    """Write the mooring-head case with small inductors, light further load and large resistances, at one corner."""
    text = (CASES / "mooring_head_flyback.toml").read_text(encoding="utf-8")
    for wanted, factor in ((r'(resistance = )"([\d.]+) (mohm)"', loss), (r'(inductance = )"([\d.]+) (uH)"', 0.1)):
        text = re.sub(wanted, lambda m, k=factor: f'{m[1]}"{float(m[2]) * k:.6g} {m[3]}"', text)
    for wanted, given in (
        ("input_voltage = .*", f'input_voltage = ["{line} V"]'), ("output_current = .*", 'output_current = ["0.5 A"]'),
        ("load_step = .*", ""), ("max_duty = .*", f"max_duty = {max_duty}"),
        (r'min = "0.2 A", max = "1 A"', 'min = "20 mA", max = "100 mA"'),
    ):  # fmt: skip
        text = re.sub(wanted, given, text)
    path.write_text(text, encoding="utf-8")
    return ld.load_case(path)


def test_the_output_rises_with_duty_at_what_is_found(tmp_path):
    """0.2 % below the highest output, which two duties give: followed at fixed duties around the one found."""
    case = lossy(tmp_path / "lossy.toml", loss=38.8, max_duty=0.9, line=22.106)
    converter, point = solved(case, line_load_corners(case))
    plain = converter.plain()
    problem = pose(plain, configurations=(ON, OFF))
    stepper = fixed_duty_stepper(plain, problem)
    duty = float(point.duty[0])
    below, at, above = (follow(problem, stepper, duty + d, point.start[0]).output for d in (-0.003, 0.0, 0.003))
    assert below < at < above
    assert at == pytest.approx(float(problem.target[0]), rel=1e-6)


def test_a_duty_above_the_largest_is_no_operating_point(tmp_path):
    """1 % more than the largest duty gives: followed at that duty, with nothing else known of it."""
    case = lossy(tmp_path / "lossy.toml", loss=3.7, max_duty=0.6, line=7.85)
    with pytest.raises(ld.UnreachableOutputError, match="largest duty allowed") as told:
        ld.check(case, nominal=True)
    assert told.value.duty == pytest.approx(0.6, rel=1e-9)
    assert told.value.highest_output < 12.0


def test_a_curve_that_bends_is_closed_in_on_within_few_duties(monkeypatch):
    """A chord from far away would creep along it: the bracket is halved instead."""
    monkeypatch.setattr(closing, "output_rises", lambda _: True)
    target = 0.6**8
    known, duty = closing.Closing.on(target, 1.0), 0.9
    for _ in range(FOLLOWED):
        known = known.after(SimpleNamespace(output=duty**8), duty)
        if known.found:
            break
        duty = known.next_duty()
    assert known.found
    assert abs(known.rising.output - target) < closing.CLOSE * target
