"""The command ``loads``, and the words of a corner that skips pulses, through the real entry point."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from loopdesign.cli.entry import main

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
    assert [curve["input_voltage"] for curve in told["overload"]] == [8.0, 30.0]
    assert "1.2 A is above" in " ".join(told["reasons"])
    for curve in told["overload"]:
        orbits = [p for p in curve["points"] if p["stable"] is not None]
        assert all(abs(p["energy_error"]) < 1e-4 for p in orbits)
        assert all(p["stepped_voltage_v"] is None for p in orbits if p["stable"])
        assert [p["output_voltage_v"] for p in orbits] == sorted((p["output_voltage_v"] for p in orbits), reverse=True)
    with table.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["kind"] for row in rows} >= {"boundary", "overload"}
    assert float(rows[0]["continuous_limit_a"]) == low["continuous_limit_a"]


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
