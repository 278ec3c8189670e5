"""A response with its phase followed, its operating point and verdict, and warnings outside the specification."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.responses import response
from loopdesign.case import load_case, parse_case
from loopdesign.cli import main
from loopdesign.report.loop.response_text import response_answer, response_csv, response_text

CASES = Path(__file__).parents[3] / "cases"
CASE = CASES / "tide_gauge_sepic_undamped.toml"


@pytest.fixture(scope="module")
def case():
    return load_case(CASE)


def test_phase_is_followed_between_the_frequencies_asked_for(case):
    """One frequency far up shows as many turns as a dense sweep from low frequency: the branch does not depend on the list."""
    dense = response(case, "loop", frequencies_hz=np.geomspace(10.0, 160e3, 4000), input_voltage=13)
    few = response(case, "loop", frequencies_hz=[150e3, 100.0], input_voltage=13)
    swept = np.degrees(np.unwrap(np.angle(dense.values)))
    np.testing.assert_allclose(dense.unwrapped_phase_deg, swept, atol=1e-6)
    expected = np.interp(np.log([150e3, 100.0]), np.log(dense.frequencies_hz), swept)
    np.testing.assert_allclose(few.unwrapped_phase_deg, expected, atol=0.5)
    assert few.unwrapped_phase_deg[0] < -180.0 < few.phase_deg[0]
    turns = (few.unwrapped_phase_deg - few.phase_deg) / 360.0
    np.testing.assert_allclose(turns, np.round(turns), atol=1e-9)


def test_operating_point_and_verdict_come_with_every_answer(case):
    found = response(case, "loop", frequencies_hz=["1k"], input_voltage=8)
    told = json.loads(json.dumps(response_answer(found), allow_nan=False))
    assert {
        "input_voltage",
        "load_current",
        "temperature",
        "mode",
        "duty",
        "stable",
        "held",
        "largest_multiplier",
    } <= set(told)
    assert (told["stable"], told["warnings"]) == (False, [])
    for text in (response_text(found), response_csv(found)):
        first = text.splitlines()[0]
        assert "CCM, duty 0.666, largest multiplier 1.00" in first
        assert first.endswith("at 8 V, 1.2 A, 25 degC, loop closed: UNSTABLE")


def test_levels_outside_the_specification_are_warned_of(case, capsys):
    found = response(case, "plant", frequencies_hz=["1k"], input_voltage=6.5, load_current="1.5 A")
    voltage, current = found.warnings
    assert voltage.startswith("the input voltage of 6.50 V is outside the specification of 8.00 V to 30.0 V")
    assert current.startswith("the load current of 1.50 A is outside the specification of 100 mA to 1.20 A")
    assert "warning: the input voltage" in response_text(found)
    assert "# warning: the load current" in response_csv(found)
    assert response_answer(found)["warnings"] == [voltage, current]
    assert response(case, "plant", frequencies_hz=["1k"], input_voltage=8, load_current=0.1).warnings == ()
    assert main(["response", str(CASE), "--input-voltage", "31V", "--frequencies", "1k", "--json"]) == 0
    out, err = capsys.readouterr()
    assert "outside the specification" in json.loads(out)["warnings"][0]
    assert "warning: the input voltage of 31.0 V" in err


def test_csv_has_the_unwrapped_phase_beside_the_wrapped_one(case, tmp_path, capsys):
    """--from, --to and --points make a logarithmic sweep; its file reads back as what the model gives."""
    path = tmp_path / "loop.csv"
    words = ["response", str(CASE), "--quantity", "loop", "--from", "100", "--to", "100k", "--points", "7", "--csv"]
    assert main([*words, str(path)]) == 0
    lines = [x for x in path.read_text(encoding="utf-8").splitlines() if not x.startswith("#")]
    assert lines[0] == "frequency_hz,real,imag,magnitude_db,phase_deg,unwrapped_phase_deg"
    table = np.array([[float(v) for v in x.split(",")] for x in lines[1:]])
    np.testing.assert_allclose(table[:, 0], np.geomspace(100.0, 100e3, 7))
    np.testing.assert_allclose(table[:, 4], np.degrees(np.arctan2(table[:, 2], table[:, 1])))
    assert np.all(np.abs(np.diff(table[:, 5])) < 180.0)
    assert "phase unwrapped [deg]" in capsys.readouterr().out


def test_a_clamped_operating_point_is_called_not_held():
    text = CASE.read_text(encoding="utf-8").replace(
        'reference = "1.2 V"', 'reference = "1.2 V"\nclamp = { max = "0.25 V" }'
    )
    found = response(parse_case(text, "x.toml"), "loop", frequencies_hz=["1k"], input_voltage=13)
    assert (found.stable, found.held) == (False, "clamp")
    assert "NOT HELD (clamp)" in response_text(found).splitlines()[0]
    assert "UNSTABLE" not in response_text(found)
