"""Comparisons: what differs, what is worse than the first, and the exit status a repository's checks rest on."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.cli import main
from loopdesign.report.explore.compare_text import loops_figure, verdict_table

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
DAMPER = 'damper = { resistance = "2.7 ohm", capacitance = "33 uF" }\nswitch = {'


@pytest.fixture(scope="module")
def damped(tmp_path_factory):
    """Return the supply with its damper."""
    path = tmp_path_factory.mktemp("compare") / "damped.toml"
    path.write_text(UNDAMPED.read_text(encoding="utf-8").replace("switch = {", DAMPER), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def pair(damped):
    """Compare the damped supply with the undamped one."""
    return ld.compare(damped, UNDAMPED, nominal=True)


def test_an_unstable_case_is_worse_though_its_phase_margin_is_larger(pair, damped):
    worse = pair.worse
    assert worse[0] == ()
    assert any("UNSTABLE" in told for told in worse[1])
    other_way = ld.compare(UNDAMPED, damped, nominal=True)
    assert other_way.worse == ((), ())
    assert not other_way.any_worse


def test_a_case_that_its_controller_does_not_hold_is_not_called_unstable(damped, tmp_path):
    """The words are those of its check; no loop gain is drawn of a corner that is not held."""
    clamped = tmp_path / "clamped.toml"
    text = damped.read_text(encoding="utf-8")
    old = 'reference = "1.2 V"'
    assert old in text
    clamped.write_text(text.replace(old, old + '\nclamp = { min = "0 V", max = "0.05 V" }'), encoding="utf-8")
    found = ld.compare(damped, clamped, nominal=True)
    verdicts = found.checks[1].verdicts
    assert all(v.held == "clamp" and v.worst_mode.stable for v in verdicts if not v.stable)
    assert not all(v.stable for v in verdicts)
    assert verdict_table(found).rows[0] == ("verdict", "stable", "NOT HELD")
    assert "it is NOT HELD where the first is stable" in found.worse[1]
    labels = [text.get_text() for text in loops_figure(found).legends[0].get_texts()]
    assert labels[1].endswith("NOT HELD elsewhere") or labels[1].endswith("NOT HELD at every corner, no loop gain")
    assert not any("UNSTABLE" in told for told in (*labels, *found.worse[1]))


def test_what_differs_is_listed(pair):
    differ = dict(pair.differences)
    assert differ["stage.damper.resistance"] == (2.7, None)
    assert differ["stage.damper.capacitance"] == (33e-6, None)
    assert "stage.Cs.capacitance" not in differ
    assert "title" not in differ


def test_readings_are_those_of_the_checks(pair, damped):
    rows = pair.to_rows()
    found = ld.check(damped, nominal=True)
    assert rows[0]["phase_margin_deg"] == found.worst["phase_margin_deg"].value
    assert rows[0]["parts"] == found.parts
    assert rows[0]["peak_deviation_v"] == ld.compare(damped, damped, nominal=True).to_rows()[1]["peak_deviation_v"]
    assert np.isfinite(pair.loops[:, 0]).all()


def test_a_smaller_margin_is_worse_unless_slack_allows_it(damped, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text(damped.read_text(encoding="utf-8").replace('C2 = "1.8 nF"', 'C2 = "1.9 nF"'), encoding="utf-8")
    found = ld.compare(damped, other, nominal=True)
    assert any(re.fullmatch(r"phase margin [\d.]+ deg against [\d.]+ deg", told) for told in found.worse[1])
    assert not any("phase margin" in told for told in ld.compare(damped, other, nominal=True, slack=0.1).worse[1])


def test_the_command(damped, tmp_path, capsys):
    picture = tmp_path / "loops.png"
    words = ["compare", str(damped), str(UNDAMPED), "--nominal"]
    assert main([*words, "--picture", str(picture)]) == 1
    told = capsys.readouterr().out
    assert told.startswith("Verdict: worse than damped: tide_gauge_sepic_undamped")
    assert "damper resistance" in told
    assert picture.stat().st_size > 10_000
    assert main([*words, "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["any_worse"]
    assert [c["stable"] for c in answer["cases"]] == [True, False]
    assert main(["compare", str(damped), str(damped), "--nominal"]) == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([str(UNDAMPED)], "needs two cases"),
        ([str(UNDAMPED), "nowhere.toml"], "no such file"),
        ([str(UNDAMPED), str(UNDAMPED), "--slack", "200 %"], "share from 0 to 1"),
        ([str(UNDAMPED), str(UNDAMPED), "--nominal", "--picture", "loops.txt"], "must end in"),
        ([str(UNDAMPED), str(CASES / "tide_gauge_sepic.toml")], "leaves R1, C1, C2 open"),
    ],
)
def test_bad_words(words, told, capsys):
    assert main(["compare", *words]) == 2
    assert told in capsys.readouterr().err
