"""Sweeps: every point is a check of its own, the boundary has a multiplier of one, what cannot be swept is told."""

from __future__ import annotations

import csv
import io
import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.case.load import document_of
from loopdesign.case.vary import with_values
from loopdesign.cli import main
from loopdesign.explore.sweep import ONE_BY_ONE
from loopdesign.report.explore.sweep_text import sweep_table

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
CS, DAMPER = "stage.Cs.capacitance", "stage.damper.resistance"
READINGS = ("largest_multiplier", "phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz")


@pytest.fixture(scope="module")
def damped(tmp_path_factory):
    """Return the undamped supply with its damper put in and all parts given."""
    text = UNDAMPED.read_text(encoding="utf-8")
    damper = 'damper = { resistance = "2.7 ohm", capacitance = "33 uF" }\nswitch = {'
    path = tmp_path_factory.mktemp("sweep") / "damped.toml"
    path.write_text(text.replace("switch = {", damper), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def plane(damped):
    """Sweep coupling capacitor and damper over a plane part of which is unstable, few enough for one by one."""
    return ld.sweep(damped, {CS: ("2 uF", "20 uF"), DAMPER: ("10 ohm", "100 ohm")}, points=5, log=True)


def varied(path, values):
    """Validate a case with values set anew, as the file would have them."""
    text = Path(path).read_text(encoding="utf-8")
    return with_values(document_of(text, str(path)), values, text, str(path))


def worst_of_check(case):
    """Read the worst of each reading over the corners of a check by hand."""
    rows = ld.check(case, nominal=True).to_rows()
    worst = {"largest_multiplier": max, "crossover_hz": max}
    return {n: worst.get(n, min)([r[n] for r in rows if r[n] is not None], default=None) for n in READINGS}


def test_a_point_is_a_check_to_the_last_digit():
    swept = ld.sweep(UNDAMPED, {"compensation.R1": ["4.7 kohm"], CS: ["5 uF", "9 uF"]})
    for point in swept.points:
        case = ld.load_case(UNDAMPED)
        stage = case.stage.model_copy(update={"Cs": case.stage.Cs.model_copy(update={"capacitance": point.values[1]})})
        found = ld.check(case.model_copy(update={"stage": stage}), {"R1": point.values[0]}, nominal=True)
        rows = found.to_rows()
        assert point.largest_multiplier == max(r["largest_multiplier"] for r in rows)
        assert point.phase_margin_deg == min(r["phase_margin_deg"] for r in rows)
        assert point.crossover_hz == max(r["crossover_hz"] for r in rows)
        assert point.stable == all(r["stable"] for r in rows)
        assert point.targets_met == found.targets_met


@pytest.mark.nightly
def test_many_points_solved_together_agree_with_checks(damped):
    """More points than are examined one by one; each agrees with its own check to the digits shown."""
    swept = ld.sweep(damped, {CS: ("2 uF", "20 uF"), DAMPER: ("0.3 ohm", "100 ohm")}, points=8, log=True)
    assert len(swept.points) > ONE_BY_ONE
    for k in (0, 21, 42, 63):
        point = swept.points[k]
        told = worst_of_check(varied(damped, dict(zip((CS, DAMPER), point.values, strict=True))))
        for name in READINGS:
            assert getattr(point, name) == pytest.approx(told[name], rel=1e-5), (k, name)


def test_the_worst_of_a_point_is_the_worst_of_a_check():
    swept = ld.sweep(UNDAMPED, {CS: ["9 uF"]}, worst=True)
    worst = ld.check(varied(UNDAMPED, {CS: 9e-6})).worst
    (point,) = swept.points
    assert {n: getattr(point, n) for n in READINGS} == {n: worst[n].value for n in READINGS}


def test_redesign_chooses_as_design_does():
    case = CASES / "beacon_boost.toml"
    swept = ld.sweep(case, {"stage.L1.inductance": ["12 uH"]}, redesign=True)
    designed = ld.design(varied(case, {"stage.L1.inductance": 12e-6}), nominal=True)
    (point,) = swept.points
    assert point.parts == designed.parts
    assert point.crossover_hz == max(c.crossover_hz for c in designed.corners)
    assert swept.boundary is None


@pytest.mark.parametrize(
    ("words", "status"),
    [
        # an undamped supply whose current loop alone is unstable, and an output that losses keep out of reach
        (["--vary", "stage.Cs.capacitance", "3.9 uF,4 uF", "--redesign"], 3),
        (["--vary", "modulator.max_duty", "0.2,0.85", "--redesign"], 3),
        (["--vary", "specification.input_voltage", "2.2 V,2.3 V"], 3),
        (["--vary", "modulator.max_duty", "0.2,0.3"], 2),
    ],
)
def test_a_sweep_without_a_point_says_whether_it_is_refused_or_wrong(words, status, capsys):
    assert main(["sweep", str(UNDAMPED), *words, "--json"]) == status
    told = json.loads(capsys.readouterr().out)
    assert told["error"]["kind"] == ("NoDesignError" if status == 3 else "DataError")
    assert "no point could be examined" in told["error"]["message"]


def test_the_boundary_has_a_multiplier_of_one(plane, damped):
    """Traced places examined by checks of their own: the largest multiplier is one within a millionth."""
    (curve,) = plane.boundary.curves
    assert len(curve) > 5
    for values in curve[:: max(1, len(curve) // 4)]:
        case = varied(damped, dict(zip((CS, DAMPER), map(float, values), strict=True)))
        largest = max(c.largest_multiplier for c in ld.check(case, nominal=True).corners)
        assert largest == pytest.approx(1.0, abs=1e-6)


def test_the_boundary_is_exact_between_its_places(plane, damped):
    """A thousandth of the axis to either side of the middle of every other stretch lies a stable and an unstable case."""
    (curve,) = plane.boundary.curves
    low, high = np.log([2e-6, 10.0]), np.log([20e-6, 100.0])
    places = (np.log(curve) - low) / (high - low)
    for a, b in list(pairwise(places))[1::3]:
        if np.linalg.norm(b - a) < 2e-3:
            continue
        normal = np.array([a[1] - b[1], b[0] - a[0]]) / np.linalg.norm(b - a)
        verdicts = []
        for side in (-1e-3, 1e-3):
            at = np.exp(low + (0.5 * (a + b) + side * normal) * (high - low))
            case = varied(damped, dict(zip((CS, DAMPER), map(float, at), strict=True)))
            verdicts.append(ld.check(case, nominal=True).stable)
        assert verdicts[0] != verdicts[1]


def test_the_region_in_which_the_plot_misleads(plane):
    """At the strongest damping resistor and the smallest capacitor the plot shows its margins and the case is unstable."""
    points = {p.values: p for p in plane.points}
    lying = [p for p in points.values() if p.misleading]
    assert lying
    assert all(not p.stable and p.largest_multiplier > 1.0 and p.phase_margin_deg >= 55.0 for p in lying)
    assert not any(p.misleading for p in points.values() if p.stable)


def test_ranges_lists_and_series():
    swept = ld.sweep(UNDAMPED, {"specification.input_voltage": (8, "30 V")}, points=3, log=True)
    (q,) = swept.varied
    assert q.key == "specification.input_voltage"
    assert q.values == pytest.approx((8.0, (8 * 30) ** 0.5, 30.0))
    assert [p.stable for p in swept.points] == [False, True, True]
    answer = swept.to_dict()
    assert answer["varied"] == [{"key": "specification.input_voltage", "values": list(q.values)}]
    assert {
        "values", "stable", "largest_multiplier", "phase_margin_deg", "gain_margin_db", "modulus_margin",
        "crossover_hz", "lowest_crossover_hz", "error",
    } <= set(answer["points"][0])  # fmt: skip
    preferred = ld.sweep(UNDAMPED, {"stage.Co2.capacitance": ("8 uF", "20 uF")}, series="E6")
    assert preferred.varied[0].values == pytest.approx((10e-6, 15e-6))


def test_a_point_that_cannot_be_is_counted_with_its_reason():
    swept = ld.sweep(UNDAMPED, {"modulator.max_duty": [0.3, 0.9]})
    assert swept.failed == 1
    assert swept.points[0].error
    assert swept.points[1].error is None
    assert "1 could not be examined" in str(swept)


def test_open_parts_are_chosen_once_and_told(tmp_path):
    case = tmp_path / "beacon.toml"
    text = (CASES / "beacon_boost.toml").read_text(encoding="utf-8")
    case.write_text(text.replace('network = "type II"', 'network = "type II"\nR1 = "9.1 kohm"\nC1 = "27 nF"'), "utf-8")
    swept = ld.sweep(case, {"specification.input_voltage": ["4 V", "5 V"]})
    assert swept.chosen == ld.design(case, nominal=True).chosen
    assert "C2" in swept.chosen
    assert "chosen once" in str(swept)


@pytest.mark.parametrize(
    ("vary", "told"),
    [
        ({"stage.Cs.capacitanc": ("1 uF", "2 uF")}, "did you mean capacitance.*the keys of stage.Cs are"),
        ({"stag.Cs.capacitance": ("1 uF", "2 uF")}, "did you mean stage"),
        ({"R1": ("1 kohm", "2 kohm")}, "did you mean compensation.R1"),
        ({CS: ("1 mH", "2 mH")}, 'stage.Cs.capacitance: "1 mH" is an inductance'),
        ({CS: "1 uF"}, "ends of a range"),
        ({"stage.turns": ("1", "2")}, "a sepic has no turns"),
        ({"stage.Co.esr": ("1 mohm", "2 mohm")}, "say which: stage.Co1, stage.Co2"),
        ({"stage.Cs": ("1", "2")}, "does not name a quantity"),
        ({}, "one or two quantities"),
        (dict.fromkeys(("compensation.C1", "compensation.C2", CS), ("1n", "2n")), "one or two quantities; found 3"),
        ({"compensation.R1": ("1 kohm", "1 kohm")}, "two ends that differ"),
        ({"compensation.R1": ["1 kohm", "1 kohm"]}, "every value once"),
    ],
)
def test_bad_wishes(vary, told):
    with pytest.raises(ld.LoopDesignError, match=told):
        ld.sweep(UNDAMPED, vary, points=2)


def test_too_many_points_are_refused_with_their_cost(capsys):
    with pytest.raises(ld.DataError, match=r"1000000 points would take about 22\.2 hours"):
        ld.sweep(UNDAMPED, {"compensation.R1": ("1k", "2k"), "compensation.C1": ("1n", "2n")}, points=1000)
    words = ["sweep", str(UNDAMPED), "--vary", CS, "1u", "2u", "--vary", DAMPER, "1", "2", "--points", "1000"]
    assert main(words) == 2
    assert "--yes" in capsys.readouterr().err


def test_the_command_writes_table_csv_picture_and_json(tmp_path, capsys):
    folder, table = tmp_path / "swept", tmp_path / "swept.csv"
    words = ["sweep", str(UNDAMPED), "--vary", CS, "5u,9u", "--csv", str(table)]
    assert main([*words, "--output", str(folder), "--pictures", "png"]) == 1
    told = capsys.readouterr().out
    assert told.index("Verdict: 0 of 2 points are stable") < told.index("Cs capacitance") < told.index("worst over")
    rows = list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"))))
    assert [float(r[CS]) for r in rows] == [5e-6, 9e-6]
    assert {"report.md", "report.pdf", "report.json", "sweep.png", "sweep.csv"} <= {p.name for p in folder.iterdir()}
    assert main([*words[:5], "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert [p["largest_multiplier"] for p in answer["points"]] == [float(r["largest_multiplier"]) for r in rows]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--vary", CS], "two ends of a range"),
        (["--vary", CS, "1u"], "two ends of a range"),
        (["--vary", "5u", "9u"], "begins with the path"),
        (["--vary", CS, "1u", "2u", "--vary", CS, "1u", "2u"], "twice"),
        (["--vary", CS, "1u", "2u", "--series", "E13"], "E13"),
        (["--vary", CS, "1u", "2u", "--workers", "0"], "from 1 to 256"),
        (["--vary", CS, "1u", "2u", "--workers", "2", "--cluster", "tcp://a:1"], "one of the two"),
        (["--vary", "modulator.max_duty", "0.2", "0.3", "--points", "2"], "no point could be examined"),
    ],
)
def test_bad_words(words, told, capsys):
    assert main(["sweep", str(UNDAMPED), *words]) == 2
    assert told in capsys.readouterr().err


def test_the_pictures_show_what_is_unstable(plane):
    figure = plane.plot()
    labels = {text.get_text() for legend in figure.legends for text in legend.get_texts()}
    assert {"boundary of stability, traced", "UNSTABLE, though the plot shows the margins asked for"} <= labels
    line = ld.sweep(UNDAMPED, {CS: ["5 uF", "9 uF"]}).plot()
    assert any("boundary of stability" in t.get_text() for ax in line.axes for t in ax.texts)


def test_a_point_that_is_not_held_is_not_called_unstable(damped, tmp_path):
    """The multipliers decide what is unstable: with all of them inside the unit circle, it is the controller's bounds."""
    clamped = tmp_path / "clamped.toml"
    clamp = '[error_amplifier]\nclamp = { min = "0 V", max = "1 V" }\n'
    clamped.write_text(damped.read_text(encoding="utf-8").replace("[error_amplifier]\n", clamp), encoding="utf-8")
    low, high = sweep_table(ld.sweep(clamped, {"error_amplifier.clamp.max": ["0.2 V", "1 V"]})).rows
    assert low[1] == "NOT HELD"
    assert low[2] < 1.0
    assert high[1] == "stable"
