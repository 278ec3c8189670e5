"""A check beyond nominal parts: what it covers, what is worst, and that a check of its own reproduces a worst end."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.analysis.check import closed_model, examine_stage, loop_margins
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import parse_case, read_text
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.report.basics.layout import PIPE
from loopdesign.report.basics.status import verdict_sentence
from loopdesign.report.loop.answer import answer
from loopdesign.report.loop.terminal import check_text

CASES = Path(__file__).parents[3] / "cases"
PARTS = {"R1": "1.33 kohm", "C1": "22 nF", "C2": "3.3 nF"}
READINGS = {
    "phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz", "lowest_crossover_hz", "largest_multiplier",
}  # fmt: skip


@pytest.fixture(scope="module")
def case():
    return ld.load_case(CASES / "navigation_light_sepic.toml")


@pytest.fixture(scope="module")
def found(case):
    return ld.check(case, PARTS)


def test_what_it_covers(found):
    assert set(found.worst) == READINGS
    covered = found.examined.to_dict()
    assert (covered["corners"], covered["temperatures"], covered["tolerance_ends"]) == (9, 3, True)
    assert covered["points"] > 27


def test_nominal_leaves_it_out(case):
    nominal = ld.check(case, PARTS, nominal=True)
    assert nominal.beyond is None
    assert nominal.examined.to_dict() == {
        "corners": 9, "temperatures": 1, "tolerance_ends": False, "points": 9, "toleranced_values": 0,
    }  # fmt: skip
    rows = nominal.to_rows()
    assert nominal.worst["phase_margin_deg"].value == min(row["phase_margin_deg"] for row in rows)
    assert nominal.worst["crossover_hz"].value == max(row["crossover_hz"] for row in rows)
    assert nominal.worst["largest_multiplier"].ends == {}
    assert "tolerances and temperatures left out" in " ".join(str(nominal).split())


def test_worst_is_no_better_than_any_nominal_corner(found):
    for row in found.to_rows():
        assert found.worst["phase_margin_deg"].value <= row["phase_margin_deg"] + 0.02
        assert found.worst["gain_margin_db"].value <= row["gain_margin_db"] + 0.02
        assert found.worst["crossover_hz"].value >= row["crossover_hz"] * (1.0 - 1e-4)
        assert found.worst["largest_multiplier"].value >= row["largest_multiplier"] - 1e-6


def test_the_ends_told_make_the_reading_told(case, found):
    """Set to these ends by hand at that corner, the exact model reads the same phase margin."""
    worst = found.worst["phase_margin_deg"]
    parts = dict(found.parts)
    conditions = base_corners(case)
    at = np.flatnonzero(
        (conditions.input_voltage == worst.input_voltage)
        & (conditions.load_current == worst.load_current)
        & (conditions.temperature == worst.temperature)
    )
    base = base_of(case, parts, examine_stage(case, conditions))
    varied = toleranced(case, parts)
    places = np.array([[np.sign(worst.ends[next(iter(v.ends))]) for v in varied]])
    for v, place in zip(varied, places[0], strict=True):
        for name, (low, high) in v.ends.items():
            assert worst.ends[name] == pytest.approx(high if place > 0 else low)
    corners = variants(base.corners, at, varied, places)
    assert judge(base, corners, at).phase_margin_deg[0] == pytest.approx(worst.value, abs=1e-9)


def test_a_limit_that_only_the_ends_miss_fails_the_check(case):
    """Nominal parts keep 64 degrees; with a limit between them and the worst ends the check says so, and where."""
    strict = case.model_copy(update={"targets": case.targets.model_copy(update={"phase_margin": 60.0})})
    assert ld.check(strict, PARTS, nominal=True).targets_met
    whole = ld.check(strict, PARTS)
    assert not whole.targets_met
    (reason,) = whole.reasons
    assert reason.startswith("phase margin 55")
    assert "gm +20 %" in reason


TIDE = CASES / "tide_gauge_sepic.toml"
CHOSEN = {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9}


def tide_gauge(*changes):
    text = read_text(TIDE)
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return parse_case(text, "tide gauge")


def controller(**keys):
    """Keys of [modulator] and [error_amplifier]: a sense gain or a reference that spreads, and what bounds them."""
    amplifier = "".join(f"\n{key} = {keys.pop(key)}" for key in ("clamp", "reference_tolerance") if key in keys)
    modulator = "".join(f"\n{key} = {value}" for key, value in keys.items())
    return tide_gauge(
        ("max_duty = 0.9", f"{modulator}" if "max_duty" in keys else f"max_duty = 0.9{modulator}"),
        ('reference = "1.2 V"', f'reference = "1.2 V"{amplifier}'),
    )


def test_worst_ends_typed_into_a_case_file_read_the_same():
    """The least phase margin of the tide gauge, 55.46 degrees, by a case with those ends for parts and no spread."""
    worst = ld.check(tide_gauge(), CHOSEN).worst["phase_margin_deg"]
    assert set(worst.ends) == {
        "L1.inductance", "L2.inductance", "Co1.capacitance", "Co2.capacitance", "Cs.capacitance", "damper.resistance",
        "damper.capacitance",
    }  # fmt: skip
    assert sorted(abs(change) for change in worst.ends.values()) == [0.1, 0.1, 0.2, 0.2, 0.2, 0.2, 0.2]

    def at(name, value):
        return f"{value * (1.0 + worst.ends[name]):.6g}"

    text = read_text(TIDE)
    for old, new in (
        ('L1 = { inductance = "33 uH"', f'L1 = {{ inductance = "{at("L1.inductance", 33)} uH"'),
        ('L2 = { inductance = "33 uH"', f'L2 = {{ inductance = "{at("L2.inductance", 33)} uH"'),
        ('"6.8 uF"', f'"{at("Cs.capacitance", 6.8)} uF"'),
        ('"2.7 ohm"', f'"{at("damper.resistance", 2.7)} ohm"'),
        ('capacitance = "33 uF"', f'capacitance = "{at("damper.capacitance", 33)} uF"'),
        ('"120 uF"', f'"{at("Co1.capacitance", 120)} uF"'),
        ('"10 uF"', f'"{at("Co2.capacitance", 10)} uF"'),
        (', tolerance = "20 %"', ""), (', tolerance = "10 %"', ""),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    typed = ld.check(parse_case(text, "typed"), CHOSEN)
    assert typed.examined.toleranced_values == 0
    least = min(row["phase_margin_deg"] for row in typed.to_rows())
    assert least == pytest.approx(worst.value, abs=2e-3)
    assert worst.value == pytest.approx(55.458, abs=2e-3)


def test_regulated_levels_move_with_their_tolerances_in_every_examination():
    """Reference and divider of the wave buoy move its output, by the batch and by a check of the same corners."""
    case = ld.load_case(CASES / "wave_buoy_coupled_sepic.toml")
    parts = {"R1": 3920.0, "C1": 1.8e-7, "C2": 6.8e-9}
    base, varied = base_of(case, parts, examine_stage(case)), toleranced(case, parts)
    some = np.arange(len(base.corners))
    corners = variants(base.corners, some, varied, np.where(np.arange(len(varied)) % 2, 1.0, -1.0) * np.ones((6, 1)))
    stage = examine_stage(case, corners)
    exact = loop_margins(closed_model(case, stage, parts))
    judged = judge(base, corners, some)
    np.testing.assert_allclose(judged.phase_margin_deg, [m.phase_margin_deg for m in exact], atol=2e-3)
    np.testing.assert_allclose(judged.crossover_hz, [m.crossover_hz for m in exact], rtol=1e-5)
    moved = stage.waves.figures()
    output = next(f.average for f in moved if f.name == "v(out)")
    assert np.all(np.abs(output / case.specification.output_voltage - 1.0) > 1e-3)


def bounded_by(word):
    """A tide gauge whose controller holds nominal parts and not some tolerance end; the bound is set by nominal values."""
    free = ld.check(controller(), CHOSEN, nominal=True)
    control = max(corner.control_voltage for corner in free.corners)
    duty = max(corner.duty for corner in free.corners)
    shortest = min(corner.duty for corner in free.corners) / 330e3
    peak = next(f.peak for f in free.stage.waves.figures() if f.name == "i(switch)").max()
    return {
        "clamp": lambda: controller(
            sense_gain_tolerance='"20 %"', clamp=f'{{ min = "0 V", max = "{1.08 * control:.4f} V" }}'
        ),
        "current limit": lambda: controller(
            current_limit=f'"{1.05 * 60e-3 * peak:.5f} V"', current_limit_tolerance='"10 %"'
        ),
        "minimum on-time": lambda: controller(reference_tolerance='"10 %"', min_on_time=f"{0.98 * shortest:.4e}"),
        "out of reach": lambda: controller(reference_tolerance='"10 %"', max_duty=f"{duty + 0.005:.5f}"),
    }[word]()


@pytest.mark.parametrize("word", ["clamp", "current limit", "minimum on-time", "out of reach"])
def test_an_end_that_the_controller_cannot_hold_fails_the_check(word):
    case = bounded_by(word)
    nominal = ld.check(case, CHOSEN, nominal=True)
    assert nominal.stable
    found = ld.check(case, CHOSEN)
    assert not found.stable
    assert not found.targets_met
    said = {"minimum on-time": "a shorter on-time than the controller can make"}.get(word, word)
    told = next(reason for reason in found.beyond.reasons if said in reason)
    moved = {"clamp": "sense gain +20 %", "current limit": "current limit -10 %", "minimum on-time": "reference -10 %",
             "out of reach": "reference +10 %"}[word]  # fmt: skip
    assert f"{'30 V, 0.1 A' if word == 'minimum on-time' else '8 V, 1.2 A'} with" in told
    assert moved in told
    failing = "OUT OF REACH" if word == "out of reach" else "NOT HELD"  # no disturbance grows at any of them
    assert f"{failing} at some tolerance ends" in verdict_sentence(found)
    assert "UNSTABLE" not in verdict_sentence(found)
    assert answer(found)["verdict"]["stable"] is False


def test_unstable_ends_are_told_with_their_mode_and_ends():
    """Undamped at 14 V nominal parts are stable, some ends not; the sentence names mode, corner and ends."""
    text = read_text(CASES / "tide_gauge_sepic_undamped.toml")
    text = re.sub(r"input_voltage\s*=.*", 'input_voltage = ["14 V"]', text)
    case = parse_case(re.sub(r"output_current\s*=.*", 'output_current = ["1.2 A"]', text), "marginal")
    assert ld.check(case, nominal=True).stable
    found = ld.check(case)
    assert not found.stable
    (told,) = (reason for reason in found.beyond.reasons if reason.startswith("unstable at 14 V, 1.2 A with"))
    assert "coupling resonance at" in told
    assert "Cs -10 %" in told
    assert found.worst["largest_multiplier"].value > 1.0
    assert found.worst["largest_multiplier"].stable is False
    assert found.worst["largest_multiplier"].ends["Cs.capacitance"] == -0.1


def test_a_temperature_out_of_reach_fails_the_check():
    """A reference that rises by 500 ppm/K asks at 85 degC for 3 % more output than the largest duty gives."""
    free = ld.check(controller(), CHOSEN, nominal=True)
    duty = max(corner.duty for corner in free.corners)
    case = tide_gauge(
        ("max_duty = 0.9", f"max_duty = {duty + 0.002:.5f}"),
        ('reference = "1.2 V"', 'reference = "1.2 V"\nreference_temperature_coefficient = "500 ppm/K"'),
        ('load_step = { from = "0.4 A", to = "1.2 A" }', 'temperature = { min = "-20 degC", max = "85 degC" }'),
        (', tolerance = "20 %"', ""), (', tolerance = "10 %"', ""),
    )  # fmt: skip
    found = ld.check(case, CHOSEN)
    assert found.examined.to_dict() == {
        "corners": 6, "temperatures": 3, "tolerance_ends": True, "points": 18, "toleranced_values": 0,
    }  # fmt: skip
    assert all(corner.stable for corner in found.corners)
    (told,) = found.beyond.reasons
    assert told == "the output is out of reach at 8 V, 1.2 A, 85 degC"


def test_figures_beyond_a_current_curve_cannot_pass():
    """The inductance above the curve's last point is not known: the check says so and does not exit 0."""
    case = tide_gauge(
        ('L1 = { inductance = "33 uH"', 'L1 = { current_curve = [["0 A", 1.0], ["2.6 A", 0.9]], inductance = "33 uH"')
    )
    found = ld.check(case, CHOSEN, nominal=True)
    assert not found.targets_met
    (told,) = (reason for reason in found.reasons if "current_curve" in reason)
    assert told.endswith("not to be trusted")
    assert told not in found.warnings


def test_effective_values_are_part_of_the_answer():
    """Cs at 30 V: between 0.8 at 16 V and 0.45 at 35 V its curve gives 0.542 of 6.8 uF."""
    found = ld.check(tide_gauge(), CHOSEN, nominal=True)
    told = {(v["part"], v["quantity"]): v for v in answer(found)["effective"]}
    cs = told["Cs", "capacitance"]
    assert (cs["given"], cs["unit"]) == (6.8e-6, "F")
    assert cs["values"][-1] == pytest.approx(6.8e-6 * (0.8 - 0.35 * 14.0 / 19.0), rel=5e-3)
    text = check_text(found, display=replace(PIPE, details=True))
    assert "Part values at bias, current and temperature" in text


def test_without_a_loop_the_current_loop_is_examined_at_its_ends():
    text = read_text(CASES / "tide_gauge_sepic_undamped.toml")
    text = re.sub(r"input_voltage\s*=.*", 'input_voltage = ["14 V"]', text)
    text = re.sub(r"output_current\s*=.*", 'output_current = ["1.2 A"]', text)
    text = text[: text.index("[error_amplifier]")] + text[text.index("[targets]") :]
    found = ld.check(parse_case(text, "no loop"))
    assert found.margins == ()
    assert {name: reading is None for name, reading in found.worst.items()} == {
        name: name != "largest_multiplier" for name in READINGS
    }
    nominal = ld.check(parse_case(text, "no loop"), nominal=True)
    assert nominal.stable
    assert not found.stable
    assert found.worst["largest_multiplier"].value > 1.0


def test_last_line_says_what_it_covers():
    sentence = verdict_sentence(ld.check(tide_gauge(), CHOSEN))
    assert re.fullmatch(
        r"Stable with every target met at 6 nominal corners and the worst tolerance ends \(\d+ points\); least phase "
        r"margin 55\.5 deg at 30 V, 1\.2 A with Co1 -20 %, ([\w ]+ [+-]\d+ %(, )?)+\.", sentence,
    ), sentence  # fmt: skip
