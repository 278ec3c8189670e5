"""First lines of Python as a newcomer types them: what works, and what a wrong line is told."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld

ROOT = Path(__file__).parents[3]
UNDAMPED = ROOT / "cases" / "tide_gauge_sepic_undamped.toml"
OPEN = ROOT / "cases" / "tide_gauge_sepic.toml"
PARTS = {"R1": 4640.0, "C1": 56e-9, "C2": 1.8e-9}
"""Parts that the undamped case gives."""


@pytest.fixture(scope="module")
def case():
    return ld.load_case(UNDAMPED)


@pytest.fixture(scope="module")
def examined(case):
    return ld.check(case)


def readings(examined):
    return [(c.stable, c.phase_margin_deg, c.largest_multiplier) for c in examined.corners]


@pytest.mark.parametrize("path", [UNDAMPED, str(UNDAMPED)])
def test_a_path_is_text_or_path_everywhere(path, case, examined):
    assert ld.load_case(path) == case
    assert readings(ld.check(path)) == readings(examined)


@pytest.mark.parametrize(
    "parts",
    [
        None,
        {},
        PARTS,
        {"R1": "4.64 kohm"},
        {"R1": "4k64", "C1": "56n", "C2": "1.8 nF"},
        {"R1": 4640, "C1": "0.056 uF"},
        {"R1": np.float64(4640.0), "C1": np.array(56e-9)},
    ],
    ids=repr,
)
def test_parts_as_a_person_writes_them(case, examined, parts):
    """Every spelling of the case's own parts gives the case's own answer."""
    assert readings(ld.check(case, parts)) == readings(examined)
    assert readings(ld.check(case, parts=parts)) == readings(examined)


def test_given_parts_override_and_the_case_stays_as_it_was(case, examined):
    other = ld.check(case, {"R1": "10 kohm"})
    assert other.parts == {**PARTS, "R1": 10e3}
    assert readings(other) != readings(examined)
    assert case.compensation.R1 == 4640.0


@pytest.mark.parametrize("none", ["none", "None", 0, 0.0])
def test_a_part_not_fitted(case, none):
    assert ld.check(case, {"C2": none}).parts["C2"] == 0.0


def test_parts_may_come_from_the_case_itself(case, examined):
    assert readings(ld.check(case, case.compensation.parts)) == readings(examined)


def test_nominal_is_accepted_by_name_only(case, examined):
    assert readings(ld.check(case, nominal=True)) == readings(examined)
    with pytest.raises(TypeError, match="positional"):
        ld.check(case, None, False)  # noqa: FBT003  (what must not work)


@pytest.mark.parametrize(
    ("parts", "told"),
    [
        ({"R7": 1e3}, r"'R7' is unknown; expected R1, C1, C2, divider\.upper, slope; did you mean R1\?"),
        ({"r1": 1e3}, "did you mean R1"),
        ({"R2": 1e3}, "'R2' is unknown"),
        ({"C3": "1 nF"}, "'C3' is unknown"),
        ({"divider_upper": 1e3}, r"did you mean divider\.upper"),
        ({3: 1e3}, "3 is unknown"),
        ({"R1": "10 nF"}, 'R1: "10 nF" is a capacitance; expected a resistance'),
        ({"C1": "4k7 ohm"}, "C1: .*resistance; expected a capacitance"),
        ({"R1": -5.0}, "R1: .*must be above zero"),
        ({"R1": "ten"}, "R1: "),
        ({"R1": None}, "R1: None is open"),
        ({"R1": True}, "R1: "),
        ({"R1": float("nan")}, "R1: "),
        ({"R1": float("inf")}, "R1: "),
        ({"R1": [1e3]}, "R1: "),
        ({"R1": np.array([1e3, 2e3])}, "R1: "),
        ({"C1": "none"}, "C1 must be fitted"),
        ({"C1": 0}, "C1 must be fitted"),
        ("R1", "expected a mapping"),
        ([("R1", 1e3)], "expected a mapping"),
        (7, "expected a mapping"),
    ],
)
def test_parts_that_make_no_sense(case, parts, told):
    with pytest.raises(ld.LoopDesignError, match=told):
        ld.check(case, parts)


def test_all_faulty_parts_are_told_at_once(case):
    with pytest.raises(ld.DataError) as caught:
        ld.check(case, {"R7": 1.0, "C1": "1 kohm", "C2": -1e-9})
    lines = str(caught.value).splitlines()
    assert [line.split(":")[0] for line in lines] == ["parts"] * 3
    assert [word in line for word, line in zip(("R7", "C1", "C2"), lines, strict=True)] == [True] * 3


def test_open_parts_are_named():
    with pytest.raises(ld.DataError, match="leaves R1, C1, C2 open"):
        ld.check(OPEN)
    with pytest.raises(ld.DataError, match="leaves C2 open"):
        ld.check(OPEN, {"R1": "4.7 kohm", "C1": "47 nF"})
    for function in (ld.step, ld.spread):
        with pytest.raises(ld.DataError, match="leaves R1, C1, C2 open"):
            function(OPEN)
    with pytest.raises(ld.DataError, match="leaves R1, C1, C2 open"):
        ld.response(OPEN, "loop", frequencies_hz=[1e3])


@pytest.mark.parametrize("function", [ld.check, ld.step, ld.spread])
def test_an_open_slope_is_named(case, function):
    opened = case.model_copy(update={"modulator": case.modulator.model_copy(update={"slope": None})})
    with pytest.raises(ld.DataError, match=r"modulator\.slope is open"):
        function(opened)
    assert readings(ld.check(opened, {"slope": "40 mV/us"})) == readings(ld.check(case, {"slope": 40e3}))


@pytest.mark.parametrize("thing", [None, 3, {}, b"case.toml", ["a.toml"], object()])
def test_what_is_no_case(thing):
    with pytest.raises(ld.DataError, match="expected a case, as load_case"):
        ld.check(thing)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(ld.CaseError, match="there is no such file"):
        ld.check(tmp_path / "supply.toml")
    with pytest.raises(ld.CaseError, match="there is no such file"):
        ld.load_case(str(tmp_path / "supply.toml"))


def test_design_with_some_parts_fixed_feeds_the_other_functions():
    """What a design returns goes into check, step and spread as it is."""
    designed = ld.design(OPEN, {"R1": "5.49 kohm", "C2": "3.3 nF"}, nominal=True)
    assert designed.targets_met
    assert designed.parts["R1"] == 5490.0
    assert set(designed.chosen) == {"C1", "divider.upper"}
    assert readings(ld.check(designed.case)) == readings(designed)
    assert readings(ld.check(OPEN, {"R1": 5490.0, "C2": 3.3e-9, **designed.chosen})) == readings(designed)
    steps = ld.step(designed.case, cycles=5)
    assert len(steps.corners) == 3


def test_design_without_an_amplifier_says_what_is_missing(case):
    bare = case.model_copy(update={"error_amplifier": None, "divider": None, "compensation": None})
    with pytest.raises(ld.DataError, match=r"design needs \[error_amplifier\] and \[divider\]"):
        ld.design(bare)
    with pytest.raises(ld.DataError, match="'R1' has no place"):
        ld.check(bare, PARTS)


def test_parts_without_a_compensation_section_make_a_type_ii(case, examined):
    bare = case.model_copy(update={"compensation": None})
    assert readings(ld.check(bare, PARTS)) == readings(examined)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ({"samples": 0}, "samples must be a whole number of at least 1; found 0"),
        ({"samples": 2.5}, "samples must be a whole number"),
        ({"samples": "many"}, "samples must be a whole number"),
        ({"samples": 4, "seed": -1}, "seed must be a whole number of at least 0"),
    ],
)
def test_numbers_of_samples(case, words, told):
    with pytest.raises(ld.DataError, match=told):
        ld.spread(case, **words)


@pytest.mark.parametrize("cycles", [0, -3, 2.5, "ten", True])
def test_numbers_of_cycles(case, cycles):
    with pytest.raises(ld.DataError, match="cycles must be a whole number of at least 1"):
        ld.step(case, cycles=cycles)


def test_an_executor_does_not_change_a_number(case):
    with ThreadPoolExecutor(2) as pool:
        one = ld.spread(case, samples=8, seed=3, executor=pool)
    two = ld.spread(case, samples=8, seed=3)
    assert np.array_equal(one.phase_margin_deg, two.phase_margin_deg)


def test_steps_of_a_kind_that_was_not_made(case):
    steps = ld.step(case, cycles=5)
    with pytest.raises(ld.DataError, match="kind of step 'line' is unknown"):
        steps.plot("line")
    with pytest.raises(ld.DataError, match="did you mean load"):
        steps.plot("laod")
