"""Where the arithmetic breaks down the message names file, corner, cause and remedy, and never numpy's own text."""

from pathlib import Path

import numpy as np
import pytest

from loopdesign.case import parse_case
from loopdesign.corners.conditions import Corners
from loopdesign.corners.trouble import corner_words, named, names_file, strict, traced
from loopdesign.errors import CircuitError, ConvergenceError, NumericalError, UnreachableOutputError
from loopdesign.front.check import check

TEXT = (Path(__file__).parents[3] / "cases" / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")
CASE = parse_case(TEXT, "supply.toml")
CORNERS = Corners(
    input_voltage=np.array([8.0, 13.0, 30.0]), load_current=np.array([0.1, 0.4, 1.2]), temperature=np.full(3, 25.0)
)


def changed(*pairs):
    text = TEXT
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return parse_case(text, "supply.toml")


def singular_at(voltage):
    """Work that fails at one line voltage only, as numpy fails: for the batch as a whole."""

    def work(corners):
        matrices = np.stack([np.eye(2) * (v != voltage) for v in corners.input_voltage])
        return np.linalg.solve(matrices, np.ones((len(matrices), 2, 1)))

    return work


def test_first_corner_that_fails_by_itself_is_named():
    with pytest.raises(NumericalError) as caught:
        traced(singular_at(13.0), CASE, CORNERS, what="no operating point")
    assert str(caught.value) == (
        "supply.toml: no operating point at 13 V, 0.4 A: its equations have no unique solution; no single value is out "
        "of the ordinary, so check that the parts suit the switching frequency"
    )
    assert traced(singular_at(9.0), CASE, CORNERS, what="no operating point").shape == (3, 2, 1)


def test_overflow_is_no_warning_but_an_error():
    told = r"supply.toml: no margins: its numbers become too large to compute with; no single"
    with pytest.raises(NumericalError, match=told), named(CASE, what="no margins"):
        np.exp(np.array([1e4]))
    with strict(), pytest.raises(FloatingPointError, match="divide by zero"):
        np.ones(1) / np.zeros(1)


def test_failure_of_the_batch_alone_names_no_corner():
    def work(corners):
        if len(corners) == 3:
            raise ConvergenceError("the iteration does not settle")
        return corners

    with pytest.raises(ConvergenceError, match=r"no operating point for 3 corners together: the iteration does not"):
        traced(work, CASE, CORNERS, what="no operating point")


def test_fault_of_the_program_stays_one():
    def work(_):
        raise TypeError("a slip of the programmer")

    with pytest.raises(TypeError, match="a slip"):
        traced(work, CASE, CORNERS, what="no operating point")


def test_error_is_named_once():
    @names_file("no choice")
    def outer(case):
        return traced(singular_at(8.0), case, CORNERS, what="no operating point")

    for call in (lambda: outer(CASE), lambda: outer(case=CASE)):
        with pytest.raises(NumericalError, match=r"^supply.toml: no operating point at 8 V, 0.1 A: its") as caught:
            call()
        assert str(caught.value).count("supply.toml") == 1


def test_corner_in_words():
    hot = Corners(
        input_voltage=np.array([8.0, 8.0]),
        load_current=np.array([1.2, 1.2]),
        temperature=np.array([25.0, 85.0]),
        factors={"L1.inductance": np.array([1.0, 0.8])},
    )
    assert corner_words(CORNERS, 2) == "30 V, 1.2 A"
    assert corner_words(hot, 0) == "8 V, 1.2 A, 25 degC"
    assert corner_words(hot, 1) == "8 V, 1.2 A, 85 degC, parts at their tolerances"


def test_capacitors_without_resistance():
    case = changed(('esr = "15 mohm"', "esr = 0"), ('esr = "3 mohm"', "esr = 0"))
    with pytest.raises(CircuitError) as caught:
        check(case)
    assert str(caught.value) == (
        "supply.toml: no operating point at 8 V, 0.1 A: the network has a loop of capacitors without resistance "
        "(Co1, Co2); give one of them an esr"
    )


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('C1 = "56 nF"', 'C1 = "1 F"', "compensation.C1: 1.00 F"),
        ('R1 = "4.64 kohm"', 'R1 = "0.2 mohm"', "compensation.R1: 200"),
    ],
)
def test_part_far_beyond_sense_is_named_with_its_place(old, new, key):
    line = next(i for i, text in enumerate(TEXT.split("\n"), 1) if text.startswith(old[:4]))
    with pytest.raises(NumericalError) as caught:
        traced(singular_at(13.0), changed((old, new)), CORNERS, what="no operating point")
    assert f"; look first at supply.toml:{line}:1: {key}" in str(caught.value)
    assert str(caught.value).endswith("(m is milli, M is mega)")


def test_output_out_of_reach_names_the_file_and_keeps_its_numbers():
    with pytest.raises(UnreachableOutputError, match=r"^supply.toml: the output of 15 V is out of reach") as caught:
        check(changed(('max = "1.2 A"', 'max = "40 A"'), ("load_step", "# load_step")))
    assert (caught.value.input_voltage, caught.value.load_current, caught.value.target) == (8.0, 40.0, 15.0)
    assert 0.0 < caught.value.highest_output < 15.0


@pytest.mark.parametrize(
    "frequency",
    ["2 kHz", *(pytest.param(f, marks=pytest.mark.nightly) for f in ("1 kHz", "3.3 kHz", "5 kHz", "10 kHz"))],
)
def test_absurdly_slow_switching_never_reports_a_negative_highest_output(frequency):
    said = ""
    try:
        check(changed(('"330 kHz"', f'"{frequency}"')), nominal=True)
    except (NumericalError, UnreachableOutputError) as error:
        said = str(error)
    assert "output is -" not in said
    assert not said or said.startswith("supply.toml: ")
