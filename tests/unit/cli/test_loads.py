"""The command ``loads``, and the words of a corner that skips pulses, through the real entry point."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.loads.loads import input_voltages
from loopdesign.analysis.regimes.boundary import load_boundary
from loopdesign.analysis.regimes.least import light_load
from loopdesign.analysis.regimes.overload.points import OverloadPoint
from loopdesign.analysis.regimes.overload.words import reached
from loopdesign.case import parse_case
from loopdesign.cli.entry import main
from loopdesign.corners.controller import limits_at
from loopdesign.corners.converters import one_corner, solved

ROOT = Path(__file__).parents[3]
WHOLE = (ROOT / "cases" / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def limited(tmp_path_factory):
    """The undamped supply with a delay and a current limit that full load at low line does not pass."""
    text = WHOLE.replace(
        "[error_amplifier]", 'turn_off_delay = "120 ns"\ncurrent_limit = "240 mV"\n\n[error_amplifier]', 1
    )
    text = text.replace(
        'input_voltage = { min = "8 V", nominal = "13 V", max = "30 V" }', 'input_voltage = ["8 V", "30 V"]'
    )
    text = text.replace('min = "0.1 A", max = "1.2 A"', 'min = "5 mA", max = "1.2 A"')
    path = tmp_path_factory.mktemp("loads") / "limited.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_loads_in_every_form(limited, tmp_path, capsys):
    """JSON, numbers and text agree; loads beyond a boundary give exit status 1."""
    table = tmp_path / "loads.csv"
    assert main(["loads", str(limited), "--json", "--csv", str(table)]) == 1
    told = json.loads(capsys.readouterr().out)
    low, high = told["boundaries"][0], told["boundaries"][-1]
    assert (low["input_voltage"], high["input_voltage"]) == (8.0, 30.0)
    assert len(told["boundaries"]) == 9
    assert 0.0 < high["least_load_a"] < high["continuous_limit_a"] < high["largest_load_a"]
    assert low["largest_load_a"] < 1.2
    ends = told["boundary_ends"]
    assert (ends["lost"], ends["temperatures"]) == (0, [25.0])
    assert "L1.inductance" in ends["causes"]
    assert "gm" not in ends["causes"]
    for nominal, span in zip((low, high), ends["ranges"], strict=True):
        for name in ("continuous_limit_a", "least_load_a"):  # both go with one over both inductances, 20 % each
            assert span[name]["lowest"]["value"] == pytest.approx(nominal[name] / 1.2, rel=2e-3)
            assert span[name]["highest"]["value"] == pytest.approx(nominal[name] / 0.8, rel=2e-3)
            assert span[name]["lowest"]["ends"]["L1.inductance"] == pytest.approx(0.2)
        largest = span["largest_load_a"]
        assert largest["lowest"]["value"] < nominal["largest_load_a"] < largest["highest"]["value"]
        assert largest["lowest"]["ends"]["L1.inductance"] == pytest.approx(-0.2)
    assert [curve["input_voltage"] for curve in told["overload"]] == [8.0, 30.0]
    assert "1.2 A is above" in " ".join(told["reasons"])
    for curve in told["overload"]:
        orbits = [p for p in curve["points"] if p["stable"] is not None]
        assert all(abs(p["energy_error"]) < 1e-4 for p in orbits)
        assert all(p["stepped_voltage_v"] is None for p in orbits if p["stable"])
        assert [p["output_voltage_v"] for p in orbits] == sorted((p["output_voltage_v"] for p in orbits), reverse=True)
    skipping = [row["light_load"] for row in told["below"] if row["regime"] == "skips pulses"]
    assert skipping
    # the bank holds 20,000 times the energy that passes: 1e-7 is a rounding of the output by a few 1e-12
    assert all(0.0 < abs(row["energy_error"]) < 1e-7 for row in skipping)
    with table.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["kind"] for row in rows} >= {"boundary", "overload"}
    assert float(rows[0]["continuous_limit_a"]) == low["continuous_limit_a"]
    at_ends = next(row for row in rows if row["kind"] == "lowest at tolerance ends" and row["continuous_limit_a"])
    assert (at_ends["temperature"], "L1.inductance +0.2" in at_ends["ends"]) == ("25.0", True)
    assert "least load is proportional" in " ".join(told["notes"])


def test_a_corner_that_skips_pulses(limited, capsys):
    """Its word stands where the verdict does; exit status and the contract's keys are those of a point not kept."""
    assert main(["check", str(limited), "--nominal", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    corner = next(c for c in told["corners"] if (c["input_voltage"], c["load_current"]) == (30.0, 0.005))
    assert (corner["stable"], corner["held"], corner["regime"]) == (False, "minimum on-time", "skips pulses")
    assert corner["light_load"]["mean_output_v"] == pytest.approx(15.0, rel=0.01)
    assert corner["phase_margin_deg"] is None
    assert all(c["regime"] is None and c["light_load"] is None for c in told["corners"] if c["held"] is None)
    assert not told["verdict"]["targets_met"]
    assert main(["check", str(limited), "--nominal"]) == 1
    text = capsys.readouterr().out
    row = next(line for line in text.splitlines() if line.split()[:2] == ["30", "5"])
    assert row.split()[2:4] == ["skips", "pulses"]
    assert "skips pulses at 1" in text


def test_what_cannot_be_followed_is_refused_in_words(tmp_path, capsys):
    assert main(["loads", str(tmp_path / "none.toml")]) == 2
    assert "there is no such file" in capsys.readouterr().err
    assert main(["loads", str(ROOT / "cases" / "tide_gauge_sepic_undamped.toml"), "--csv", str(tmp_path)]) == 2
    assert "cannot be written" in capsys.readouterr().err


def written(tmp_path, text, *changes):
    """A case with some of its text changed, every change found once."""
    for before, after in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    path = tmp_path / "changed.toml"
    path.write_text(text, encoding="utf-8")
    return path


ONE_LINE = ('input_voltage = { min = "8 V", nominal = "13 V", max = "30 V" }', 'input_voltage = "13 V"')
SHORT_OF_DUTY = ("max_duty = 0.9", "max_duty = 0.655")


def test_a_limit_below_every_load(tmp_path, capsys):
    """A limit that forbids even a 64th of full load is a limit that is missed, not one that was not found."""
    limit = ("[error_amplifier]", 'current_limit = "2 mV"\n\n[error_amplifier]')
    path = written(tmp_path, WHOLE, ONE_LINE, limit)
    assert main(["loads", str(path)]) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert "at 13 V 1.2 A is not regulated, nor is 0.0187 A" in text
    assert "neither 1.20 A nor 18.8 mA is regulated" in text
    assert "lies within" not in text


def test_an_output_out_of_reach_is_the_error_of_check(tmp_path, capsys):
    """Without anything that bounds the least load the operating points are solved all the same."""
    path = written(tmp_path, WHOLE, SHORT_OF_DUTY)
    told = []
    for command in ("check", "loads"):
        assert main([command, str(path)]) == 3
        told.append(capsys.readouterr().err)
    assert told[0] == told[1]
    assert "8 V" in told[0]


def test_a_boundary_whose_full_load_is_out_of_reach_is_unknown():
    """NaN, where zero would say that a pulse every period regulates every load."""
    text = WHOLE.replace(*SHORT_OF_DUTY).replace("[error_amplifier]", 'blanking = "1 ns"\n\n[error_amplifier]', 1)
    found = load_boundary(parse_case(text, "changed.toml"), {}, np.array([8.0, 30.0]))
    assert np.isnan(found.least_load_a[0])
    assert found.least_load_a[1] >= 0.0


def test_a_limit_of_a_stage_with_several_rectifiers(tmp_path, capsys):
    """A limit that no load of the case passes: both the curve and the loads of the case say so."""
    text = (ROOT / "cases" / "current_profiler_bipolar.toml").read_text(encoding="utf-8")
    limit = ("[error_amplifier]", 'current_limit = "20 mV"\n\n[error_amplifier]')
    line = ('input_voltage  = { min = "9 V", nominal = "13 V", max = "24 V" }', 'input_voltage = "13 V"')
    path = written(tmp_path, text, limit, line)
    assert main(["loads", str(path), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert all(curve["points"] == [] and curve["largest_load_a"] == 0.0 for curve in told["overload"])
    assert "neither 1.00 A nor 15.6 mA is regulated" in told["overload"][0]["reason"]
    assert "is not regulated, nor is 0.0156 A" in " ".join(told["reasons"])
    notes = " ".join(told["notes"])
    assert "loads of further outputs are nominal" in notes
    assert "largest load of a stage with several rectifiers: nominal parts" in notes
    assert "least load is proportional" not in notes  # no delay, blanking or least on-time in the case


def test_a_rise_that_is_not_examined_is_not_told_as_endless(limited):
    """A load of constant power: where the output comes to rest is not looked for."""
    case = parse_case(
        limited.read_text(encoding="utf-8").replace("[error_amplifier]", 'blanking = "10 ns"\n\n[error_amplifier]', 1),
        "c.toml",
    )
    corner = one_corner(case, 30.0, 0.005)
    converter, point = solved(case, corner)
    for load, words in (
        ("resistive", "the output rises to 21.1 V"),
        ("power", "where it comes to rest was not examined"),
    ):
        opened = replace(converter, load=load)
        light = light_load(opened, point, 0, limits_at(case, corner, 0), opened)
        assert words in light.sentence(15.0)


def test_an_input_voltage_is_listed_once():
    """A listed voltage that an even step misses by rounding."""
    step = np.linspace(8.0, 30.0, 9)[3]
    near = np.nextafter(step, 100.0)
    text = WHOLE.replace(
        ONE_LINE[0], f"input_voltage = [8.0, {near!r}, 30.0]".replace("np.float64(", "").replace(")", "")
    )
    lines = input_voltages(parse_case(text, "c.toml"))
    assert len(lines) == 9
    assert near in lines


def test_a_point_that_is_not_stable_is_told_as_stepped():
    """The orbit's own current is not what the converter gives there."""
    point = OverloadPoint(output_voltage_v=216.0, output_current_a=0.379, ended="current limit", duty=0.9, stable=True)
    assert reached(point) == "379 mA at 216 V"
    bad = replace(point, stable=False)
    assert reached(bad) == "379 mA at 216 V (an orbit that is not stable)"
    assert reached(replace(bad, stepped_voltage_v=215.0, stepped_current_a=0.323)) == "323 mA at 215 V (stepped)"
