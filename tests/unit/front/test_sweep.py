"""Sweeps: every point is a check of its own, and what cannot be swept is told."""

from __future__ import annotations

from pathlib import Path

import pytest

import loopdesign as ld

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"


def test_a_point_is_a_check_to_the_last_digit(tmp_path):
    swept = ld.sweep(UNDAMPED, {"compensation.R1": ["4.7 kohm"], "stage.Cs.capacitance": ["5 uF", "9 uF"]})
    for point in swept.points:
        text = UNDAMPED.read_text(encoding="utf-8")
        case = ld.load_case(UNDAMPED)
        stage = case.stage.model_copy(update={"Cs": case.stage.Cs.model_copy(update={"capacitance": point.values[1]})})
        rows = ld.check(case.model_copy(update={"stage": stage}), {"R1": point.values[0]}, nominal=True).to_rows()
        assert text
        assert point.largest_multiplier == max(r["largest_multiplier"] for r in rows)
        assert point.phase_margin_deg == min(r["phase_margin_deg"] for r in rows)
        assert point.crossover_hz == max(r["crossover_hz"] for r in rows)
        assert point.stable == all(r["stable"] for r in rows)


def test_ranges_and_lists():
    swept = ld.sweep(UNDAMPED, {"specification.input_voltage": (8, "30 V")}, points=3, log=True)
    ((key, values),) = swept.varied
    assert key == "specification.input_voltage"
    assert values == pytest.approx((8.0, (8 * 30) ** 0.5, 30.0))
    assert [p.stable for p in swept.points] == [False, True, True]
    answer = swept.to_dict()
    assert set(answer) == {"varied", "points"}
    assert set(answer["points"][0]) == {
        "values", "stable", "largest_multiplier", "phase_margin_deg", "gain_margin_db", "modulus_margin",
        "crossover_hz", "lowest_crossover_hz", "error",
    }  # fmt: skip


def test_a_point_that_cannot_be_is_counted_with_its_reason():
    swept = ld.sweep(UNDAMPED, {"modulator.max_duty": [0.3, 0.9]})
    assert swept.failed == 1
    assert swept.points[0].error
    assert swept.points[1].error is None


@pytest.mark.parametrize(
    ("vary", "told"),
    [
        ({"stage.Cs.capacitanc": ("1 uF", "2 uF")}, "did you mean capacitance"),
        ({"stag.Cs.capacitance": ("1 uF", "2 uF")}, "did you mean stage"),
        ({"R1": ("1 kohm", "2 kohm")}, "did you mean compensation.R1"),
        ({"stage.Cs.capacitance": ("1 mH", "2 mH")}, "mH"),
        ({"stage.Cs.capacitance": "1 uF"}, "ends of a range"),
        ({}, "one or two quantities"),
        (
            dict.fromkeys(("compensation.C1", "compensation.C2", "stage.Cs.capacitance"), ("1n", "2n")),
            "one or two quantities",
        ),
        ({"compensation.R1": ("1 kohm", "1 kohm")}, "two ends that differ"),
    ],
)
def test_bad_wishes(vary, told):
    with pytest.raises(ld.LoopDesignError, match=told):
        ld.sweep(UNDAMPED, vary, points=2)


def test_too_many_points_are_refused_with_their_cost():
    with pytest.raises(ld.DataError, match="1000000 points would take about"):
        ld.sweep(UNDAMPED, {"compensation.R1": ("1k", "2k"), "compensation.C1": ("1n", "2n")}, points=1000)
