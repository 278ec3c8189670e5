"""Tolerance ends against every combination of them; divider and ramp against hand calculation."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from byhand import Sepic

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.transient.steps import step
from loopdesign.analysis.variants.current_loop import current_loop
from loopdesign.analysis.variants.extremes import READINGS, badness, extremes
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import parse_case, read_text, write_parts
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.errors import NoDesignError
from loopdesign.report.choice.text import alternatives_table, choice_rows, choice_text
from loopdesign.synthesis.choice.choose import choose
from loopdesign.synthesis.choice.listing import estimated_deviation, step_of
from loopdesign.synthesis.cures.damping import sensed_slopes
from loopdesign.synthesis.cures.divider import choose_divider
from loopdesign.synthesis.cures.slope import open_slope, points_at_ends, report_slope, with_slope
from loopdesign.units.preferred import between

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
TEXT = read_text(CASES / "tide_gauge_sepic.toml")
PARTS = {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9}


def case_with(*changes):
    text = write_parts(TEXT, PARTS)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_case(text, "tide gauge")


@pytest.fixture(scope="module")
def few():
    """Three causes only, so that all eight combinations can be examined."""
    return case_with(
        ('resistance = "45 mohm", tolerance = "20 %"', 'resistance = "45 mohm"'),
        ('capacitance = "33 uF", tolerance = "20 %"', 'capacitance = "33 uF"'),
        ('reference = "1.2 V"', 'reference = "1.2 V"\ngm_tolerance = "20 %"'),
        ('esr = "4 mohm", tolerance = "10 %"', 'esr = "4 mohm"'),
    )


def test_extremes_find_the_worst_of_all_combinations(few):
    varied = toleranced(few, PARTS)
    assert [v.name for v in varied] == ["Co1.capacitance", "Co2.capacitance", "gm"]
    stage = examine_stage(few, base_corners(few))
    base = base_of(few, PARTS, stage)
    found = extremes(base, varied)
    places = np.array(list(product((-1.0, 1.0), repeat=3)))
    count = len(base.corners)
    condition = np.repeat(np.arange(count), 8)
    every = judge(base, variants(base.corners, condition, varied, np.tile(places, (count, 1))), condition)
    for name in ("phase_margin_deg", "modulus_margin", "crossover_hz"):
        # all eight per condition; what differs is the grid the readings are taken on
        assert np.nanmin(getattr(found.judged, name)) == pytest.approx(np.nanmin(getattr(every, name)), rel=1e-6)
    assert found.judged.crossover_hz.max() == pytest.approx(every.crossover_hz.max(), rel=1e-6)
    assert len(found.condition) <= 7 * count
    assert set(np.unique(found.places)) == {-1.0, 1.0}


@pytest.mark.parametrize("line", ["10.5 V", "14 V"])
def test_extremes_find_the_largest_multiplier_of_all_vertices(line):
    """A marginal coupling resonance, undamped: all 32 vertices of five tolerances, closed loop and current loop alone.

    At 14 V nominal parts are stable and some vertices are not; one vertex is worst for both, and it has to be found.
    """
    text = re.sub(r"input_voltage\s*=.*", f'input_voltage = ["{line}"]', read_text(UNDAMPED))
    case = parse_case(re.sub(r"output_current\s*=.*", 'output_current = ["1.2 A"]', text), "marginal")
    parts = {k: v for k, v in case.compensation.parts.items() if v is not None}
    varied = toleranced(case, parts)
    assert len(varied) == 5
    base = base_of(case, parts, examine_stage(case, base_corners(case)))
    found = extremes(base, varied)
    places = np.array(list(product((-1.0, 1.0), repeat=5)))
    none = np.zeros(32, np.intp)
    corners = variants(base.corners, none, varied, places)
    closed, inner = judge(base, corners, none), current_loop(base, corners, none)
    assert closed.largest_multiplier.max() > 1.0
    assert found.judged.largest_multiplier.max() == pytest.approx(closed.largest_multiplier.max(), abs=1e-7)
    assert found.current_loop.largest_multiplier.max() == pytest.approx(inner.largest_multiplier.max(), abs=1e-7)
    assert not found.current_loop.stable.all()


def test_ends_that_no_parts_can_hold_are_refused_with_a_damper():
    """Nominal parts hold from 14 V on; at the tolerance ends the coupling resonance grows: the cure is proposed."""
    text = re.sub(r"input_voltage\s*=.*", 'input_voltage = ["14 V", "30 V"]', read_text(UNDAMPED))
    text = re.sub(r"(?m)^(R1|C1|C2)\s*=.*$", "", text.replace('"E96"', '"E12"'))
    with pytest.raises(NoDesignError, match=r"current loop alone is unstable|no combination of preferred") as caught:
        choose(parse_case(text, "marginal"))
    assert caught.value.nearest["damper"]["capacitance"] >= 4.0 * 6.8e-6 * 0.45
    assert any("coupling resonance" in o and "14 V" in o for o in caught.value.obstacles)
    assert any(o.startswith("a damper of") for o in caught.value.obstacles)


def test_margin_missing_at_one_end_counts_as_the_better_end():
    """Without a phase crossing below half the switching frequency there is no gain margin: that is the better end."""
    base = base_of(case_with(), PARTS, examine_stage(case_with()))
    judged = judge(base, base.corners, np.arange(len(base.corners)))
    missing = np.isnan(judged.gain_margin_db)
    assert missing.any()
    assert (~missing).any()
    column = badness(judged)[:, READINGS.index("gain_margin_db")]
    assert np.isfinite(column).all()
    assert column[missing].max() < column[~missing].min()


def test_nothing_toleranced_has_no_extremes(few):
    base = base_of(few, PARTS, examine_stage(few))
    found = extremes(base, ())
    assert len(found.judged) == 0
    assert len(found.corners) == 0
    assert len(found.nominal) == len(base.corners)


def test_every_tolerance_of_the_case_is_a_cause():
    case = case_with(
        ('reference = "1.2 V"', 'reference = "1.2 V"\ngm_tolerance = "20 %"\nreference_tolerance = "1 %"'),
        ('lower = "10 kohm" ', 'lower = "10 kohm"\ntolerance = "1 %"'),
        ('network = "type II" ', 'network = "type II"\nresistor_tolerance = "1 %"\ncapacitor_tolerance = "5 %" '),
        ("[modulator]", ('[input_filter]\nL = { inductance = "4.7 uH", tolerance = "20 %" }\nC = { capacitance = "10 uF", esr = "3 mohm", tolerance = "10 %", lot = "B" }\n'
         'damper = { resistance = "1 ohm", capacitance = "47 uF", tolerance = "20 %" }\n[modulator]')),
        ('esr = "15 mohm", tolerance', 'esr = "15 mohm", esr_tolerance = "30 %", tolerance'),
    )  # fmt: skip
    ends = {v.name: dict(v.ends) for v in toleranced(case, PARTS | {"C2": 0.0})}
    assert set(ends) == {
        "L1.inductance", "L2.inductance", "Co1.capacitance", "Co1.esr", "Co2.capacitance", "Cs.capacitance",
        "damper.resistance", "damper.capacitance", "filter.L.inductance", "lot B capacitance",
        "filter.damper.resistance", "filter.damper.capacitance", "reference", "gm", "divider.upper", "divider.lower",
        "R1", "C1",
    }  # fmt: skip
    assert ends["C1"] == {"compensation.C1": (-0.05, 0.05)}
    assert ends["Co1.esr"] == {"Co1.esr": (-0.3, 0.3)}


def test_temperature_is_a_condition_and_moves_the_resistances():
    case = case_with(
        ('load_step = { from = "0.4 A", to = "1.2 A" }', 'temperature = { min = "-20 degC", max = "70 degC" }'),
        (
            'switch = { resistance = "18 mohm" }',
            'switch = { resistance = "18 mohm", temperature_coefficient = "6000 ppm/K" }',
        ),
    )
    corners = base_corners(case)
    assert set(corners.temperature) >= {-20.0, 70.0}
    assert len(corners) == len(set(zip(corners.input_voltage, corners.load_current, corners.temperature, strict=True)))
    stage = examine_stage(case, corners)
    hot = np.asarray(stage.converter.stage.switch_resistance)[corners.temperature == 70.0]
    np.testing.assert_allclose(hot, 18e-3 * (1 + 6e-3 * 45.0))


def test_divider_by_hand():
    """15 V from 1.2 V over 10 kohm: 115 kohm exactly. From 0.8 V: wanted 177.5 k, E96 has 178 k."""
    exact = choose_divider(case_with())
    assert (exact.chosen.upper, exact.chosen.error) == (115e3, pytest.approx(0.0, abs=1e-12))
    assert exact.closer == ()
    case = case_with(
        ('reference = "1.2 V"', 'reference = "0.8 V"\nreference_tolerance = "1 %"'),
        ('lower = "10 kohm" ', 'lower = "10 kohm"\ntolerance = "0.5 %"'),
    )
    found = choose_divider(case)
    assert found.chosen.upper == 178e3
    assert found.chosen.error == pytest.approx(0.8 * 18.8 / 15.0 - 1.0)
    assert found.chosen.highest == pytest.approx(0.808 * (1 + 17.8 * 1.005 / 0.995))
    assert found.chosen.lowest == pytest.approx(0.792 * (1 + 17.8 * 0.995 / 1.005))
    assert found.closer
    assert all(abs(p.error) < abs(found.chosen.error) for p in found.closer)


def test_divider_needs_something_to_divide():
    case = case_with()
    with pytest.raises(ValueError, match="no \\[divider\\]"):
        choose_divider(case.model_copy(update={"divider": None}))


def test_slope_left_open_damps_every_continuous_corner():
    """C7: Q = 1/(pi (mc D' - 1/2)), Ridley 1991 (from memory), with duty and slope of the worst corner by hand."""
    case = case_with(('slope = "40 mV/us"', ""))
    found = report_slope(case, 5e3)
    continuous = ~found.discontinuous
    assert (found.quality[continuous] > 0.0).all()
    assert found.quality[continuous].max() <= 1.001
    assert found.phase_cost_deg[continuous].min() > 0.0
    # 8 V in, 15 V and 1.2 A out, both inductors 20 % low, the coupling capacitor at 90 % of its value: the smallest E12 slope
    # with Q at most one, and Q with it
    by_hand = Sepic(vout=15.0, load=1.2, winding=0.045, esr=0.004, switch=0.018, drop=0.45, diode=0.015)
    duty, on = by_hand.duty(8.0), by_hand.slope_at_the_edge(8.0, 0.8 * 33e-6, 0.9 * 6.8e-6, 1 / 330e3, 0.06)
    needed = on * ((0.5 + 1 / np.pi) / (1 - duty) - 1.0)
    assert found.slope == between("E12", needed, 2.0 * needed)[0]
    assert needed > 1.05 * between("E12", 0.5 * needed, needed)[-1]  # far enough from the next lower value
    highest = 1.0 / (np.pi * ((1.0 + found.slope / on) * (1.0 - duty) - 0.5))
    assert found.quality_at_ends[1] == pytest.approx(highest, rel=5e-3)


def test_slope_damps_tolerance_ends_and_temperatures():
    """Inductors 20 % low and switches hot ask for more ramp: Q at most one at every end, above it at some for nominal."""
    case = case_with(
        ('slope = "40 mV/us"', ""),
        ('load_step = { from = "0.4 A", to = "1.2 A" }', 'temperature = { min = "-20 degC", max = "85 degC" }'),
        ('resistance = "18 mohm"', 'resistance = "18 mohm", temperature_coefficient = "6000 ppm/K"'),
    )
    nominal, every = open_slope(case, tolerances=False), open_slope(case)
    assert every > nominal
    corners = base_corners(case)
    for slope, within in ((nominal, False), (every, True)):
        given = with_slope(case, slope)
        low = corners_at(corners, {"L1.inductance": 0.8, "L2.inductance": 0.8})
        stage = examine_stage(given, low)
        on, _ = sensed_slopes(stage.point)
        damping = (1.0 + slope / on) * (1.0 - stage.point.duty) - 0.5
        quality = 1.0 / (np.pi * damping[~stage.point.discontinuous])
        assert bool((quality <= 1.001).all()) is within
    found = report_slope(case, 4e3)
    assert found.slope == every
    assert found.quality_at_ends[1] == pytest.approx(quality.max(), rel=1e-6)
    assert len(
        points_at_ends(with_slope(case, every), examine_stage(with_slope(case, every), corners)).duty
    ) == 5 * len(corners)


def corners_at(corners, factors):
    return Corners(
        input_voltage=corners.input_voltage, load_current=corners.load_current, temperature=corners.temperature,
        factors={k: np.full(len(corners), v) for k, v in factors.items()},
    )  # fmt: skip


def test_choice_fills_divider_and_slope_and_says_so():
    text = (
        TEXT.replace('slope = "40 mV/us"', "")
        .replace('"E96"', '"E12"')
        .replace('capacitor_series = "E12"', 'capacitor_series = "E6"')
    )
    found = choose(parse_case(text, "open"), tolerances=False)
    assert set(found.chosen) == {"slope", "divider.upper", "R1", "C1", "C2"}
    told = choice_text(found)
    assert "slope: " in told
    assert "Q at half the switching frequency" in told
    assert "divider: " in told
    assert "deg of phase at" in told
    rows = choice_rows(found)
    assert rows["slope"]["slope_v_per_s"] == found.chosen["slope"]
    assert len(rows["alternatives"]) == 5
    assert alternatives_table(found).rows[0][0] == "chosen"


def test_given_parts_are_kept_and_a_whole_loop_is_only_examined():
    fixed = choose(
        parse_case(TEXT.replace('network = "type II" ', 'network = "type II"\nC2 = "3.3 nF" '), "fixed"),
        tolerances=False,
    )
    assert fixed.check.parts["C2"] == 3.3e-9
    assert "C2" not in fixed.chosen
    whole = choose(case_with(), tolerances=False)
    assert whole.method == "all parts were given"
    assert whole.best is None
    assert "all parts were given" in choice_text(whole)


def test_type_iii_says_what_is_proven():
    """Five open parts around a transconductance amplifier: searched in blocks, confirmed exactly."""
    text = (
        TEXT.replace('network = "type II" ', 'network = "type III"')
        .replace('"E96"', '"E12"')
        .replace('capacitor_series = "E12"', 'capacitor_series = "E6"')
    )
    found = choose(parse_case(text, "type III"), tolerances=False)
    assert found.check.targets_met
    assert "combinations of preferred values" in found.method
    assert set(found.check.parts) == {"R1", "C1", "C2", "R2", "C3"}


def test_estimated_deviation_is_what_stepping_shows():
    """A small step stepped edge by edge departs as the closed-loop output impedance predicts: 3 %, the ripple's share."""
    case = case_with(
        ('load_step = { from = "0.4 A", to = "1.2 A" }', 'load_step = { from = "1.0 A", to = "1.1 A" }'),
    )
    deviation, line = estimated_deviation(case, PARTS)
    stepped = {r.input_voltage: r.peak_deviation_v for r in step(case, cycles=400).results}
    assert line == max(stepped, key=lambda v: abs(stepped[v]))
    assert deviation == pytest.approx(max(abs(v) for v in stepped.values()), rel=0.03)
    assert step_of(case) == (1.0, pytest.approx(0.1))
    whole = case_with(('load_step = { from = "0.4 A", to = "1.2 A" }', ""))
    assert step_of(whole) == (0.1, pytest.approx(1.1))


def test_ends_that_the_pull_up_cannot_serve_are_among_the_extremes():
    """A range that suffices at nominal parts with either ratio and not with a sense gain 10 % low, by all vertices."""
    keys = (
        'pull_up_supply = "8.535 V"\nled_drop = "1.1 V"\nregulator_minimum_voltage = "2.5 V"\n'
        'regulator_minimum_current = "0.1 mA"\nsaturation_voltage = "0.05 V"\n'
    )
    text = read_text(Path("cases/echo_sounder_flyback.toml"))
    text = text.replace('reference = "2.5 V"\n', 'reference = "2.5 V"\n' + keys)
    text = text.replace('sense_gain = "0.2 V/A"', 'sense_gain = "0.2 V/A"\nsense_gain_tolerance = "10 %"')
    text = text.replace('network = "type II"', 'network = "type II"\nR1 = "3.3 kohm"\nC1 = "47 nF"\nC2 = "1 nF"')
    case = parse_case(text, "flyback.toml")
    parts = {"R1": 3.3e3, "C1": 47e-9, "C2": 1e-9}
    stage = examine_stage(case)
    base, varied = base_of(case, parts, stage), toleranced(case, parts)
    found = extremes(base, varied)
    nominal = judge(base, base.corners, np.arange(len(base.corners)))
    places = np.array(list(product((-1.0, 1.0), repeat=len(varied))))
    condition = np.repeat(np.arange(len(base.corners)), len(places))
    every = variants(base.corners, condition, varied, np.tile(places, (len(base.corners), 1)))
    whole = judge(base, every, condition)
    assert nominal.stable.all()
    assert not whole.stable.all()
    assert set(found.condition[~found.judged.stable]) == set(condition[~whole.stable])
