"""Responses at one operating point: words and quantities refused, defaults, verdict, both models."""

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.responses import MODELS, QUANTITIES, response
from loopdesign.case import load_case
from loopdesign.errors import DataError

CASES = Path(__file__).parents[3] / "cases"


@pytest.fixture(scope="module")
def undamped():
    return load_case(CASES / "tide_gauge_sepic_undamped.toml")


@pytest.mark.parametrize(
    ("quantity", "near"),
    [("lop", "loop"), ("Loop", "loop"), ("output_impedance", "output-impedance"), ("Plants", "plant")],
)
def test_unknown_quantity_names_the_near_one(undamped, quantity, near):
    with pytest.raises(DataError, match=rf"quantity '{quantity}' is unknown; .*; did you mean {near}"):
        response(undamped, quantity, frequencies_hz=[1e3])


@pytest.mark.parametrize("quantity", ["", "zzz", 7, None, ["loop"], np.array([1.0, 2.0])])
def test_what_is_no_quantity_at_all_is_refused_with_the_list(undamped, quantity):
    with pytest.raises(DataError, match="expected one of plant, loop, line, output-impedance, input-impedance"):
        response(undamped, quantity, frequencies_hz=[1e3])


def test_unknown_model_names_the_near_one(undamped):
    with pytest.raises(
        DataError, match=r"model 'average' is unknown; expected one of switched, averaged; did you mean averaged\?"
    ):
        response(undamped, "plant", frequencies_hz=[1e3], model="average")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ({"frequencies_hz": []}, "empty"),
        ({"frequencies_hz": [0.0, 1.0]}, "above zero"),
        ({"frequencies_hz": ["1 kV"]}, "frequencies_hz: .*voltage"),
        ({"frequencies_hz": [float("nan")]}, "frequencies_hz"),
        ({"frequencies_hz": "many"}, "frequencies_hz"),
        ({"frequencies_hz": None}, "frequencies_hz"),
        ({"frequencies_hz": [1e3], "input_voltage": -3}, "input_voltage must be above zero"),
        ({"frequencies_hz": [1e3], "input_voltage": "13 A"}, "input_voltage: .*current"),
        ({"frequencies_hz": [1e3], "load_current": 0}, "load_current must be above zero with a diode"),
        ({"frequencies_hz": [1e3], "load_current": -1}, "load_current must not be negative"),
        ({"frequencies_hz": [1e3], "parts": {"R7": 1e3}}, "'R7' is unknown"),
        ({"frequencies_hz": [1e3], "open_loop": True}, "with the loop closed only"),
    ],
)
def test_arguments_that_make_no_sense(undamped, words, told):
    with pytest.raises(DataError, match=told):
        response(undamped, "loop", **words)


def test_numbers_and_texts_say_the_same(undamped):
    one = response(undamped, "loop", frequencies_hz=["1k", "10 kHz"], input_voltage="13 V", load_current="1.2A")
    two = response(
        undamped, "loop", frequencies_hz=np.array([1e3, 1e4]), input_voltage=13, load_current=np.float32(1.2)
    )
    assert_allclose(one.frequencies_hz, [1e3, 1e4])
    assert_allclose(two.values, one.values, rtol=1e-6)
    for single in (1e3, "1k", np.float64(1e3), np.array(1e3)):
        assert_allclose(response(undamped, "loop", frequencies_hz=single).frequencies_hz, [1e3])


def test_operating_point_and_verdict_come_with_it(undamped):
    """Nominal line and highest load unless given; the undamped supply oscillates at 8 V, and its stage does alone."""
    nominal = response(undamped, "loop", frequencies_hz=[1e3])
    assert (nominal.input_voltage, nominal.load_current, nominal.temperature) == (13.0, 1.2, 25.0)
    assert (nominal.mode, nominal.stable, nominal.held) == ("CCM", True, None)
    low = response(undamped, "loop", frequencies_hz=[1e3], input_voltage=8)
    assert not low.stable
    assert low.worst_mode.name == "coupling resonance"
    assert low.largest_multiplier > 1.0
    assert not response(undamped, "plant", frequencies_hz=[1e3], input_voltage=8).stable


def test_plant_is_open_loop_whatever_is_said(undamped):
    closed = response(undamped, "plant", frequencies_hz=[1e3])
    assert closed.open_loop
    assert_allclose(closed.values, response(undamped, "plant", frequencies_hz=[1e3], open_loop=True).values)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_models_agree_well_below_the_switching_frequency(undamped, quantity):
    """Below fs/20 within 0.5 dB and 3 degrees, apart from the edges of the sharp resonance at 9.5 kHz."""
    hz = [100.0, 1e3, 4e3]
    exact, averaged = (response(undamped, quantity, frequencies_hz=hz, model=m).values for m in MODELS)
    assert np.abs(20 * np.log10(np.abs(averaged / exact))).max() < 0.5
    assert np.abs(np.degrees(np.angle(averaged / exact))).max() < 3.0


def test_loop_is_closed_by_the_law_of_feedback(undamped):
    """Closed over open line rejection is 1/(1 + T), T by injection, but for the ripple that reaches the comparator."""
    hz = [150.0, 2e3, 3e4]
    closed = response(undamped, "line", frequencies_hz=hz).values
    held = response(undamped, "line", frequencies_hz=hz, open_loop=True).values
    loop = response(undamped, "loop", frequencies_hz=hz).values
    assert_allclose(closed * (1 + loop), held, rtol=2e-2)


def test_given_parts_take_the_place_of_the_case(undamped):
    given = response(undamped, "loop", frequencies_hz=[1e3], parts={"R1": "30 kohm"}).values
    own = response(undamped, "loop", frequencies_hz=[1e3]).values
    assert abs(given[0]) > 1.5 * abs(own[0])


def test_rows_and_dictionary_are_plain(undamped):
    z = response(undamped, "output-impedance", frequencies_hz=[1e3, 2e3])
    rows, answer = z.to_rows(), z.to_dict()
    assert json.loads(json.dumps([rows, answer], allow_nan=False)) == [rows, answer]
    assert [r["magnitude"] for r in rows] == pytest.approx(np.hypot(answer["real"], answer["imag"]))
    assert z.impedance
    assert_allclose(z.to_control().frequency, 2 * np.pi * np.array([1e3, 2e3]))


def test_a_pulse_that_is_too_short_is_told(undamped):
    """At 30 V the switch conducts for about 1 us; a least on-time of 1.5 us does not let the converter stay there."""
    slow = undamped.model_copy(update={"modulator": undamped.modulator.model_copy(update={"min_on_time": 1.5e-6})})
    high = response(slow, "loop", frequencies_hz=[1e3], input_voltage=30)
    assert (high.held, high.stable) == ("minimum on-time", False)
    assert response(slow, "loop", frequencies_hz=[1e3], input_voltage=13).held is None
