"""Steps of a case: what is made, what is refused, what is told and drawn."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.transient.after import model_after
from loopdesign.analysis.transient.start import start_of
from loopdesign.analysis.transient.steps import step
from loopdesign.case import load_case, parse_case
from loopdesign.cli import main
from loopdesign.corners.converters import one_corner
from loopdesign.errors import DataError, UnreachableOutputError
from loopdesign.report.basics.layout import Display
from loopdesign.report.steps.plots import step_sheets
from loopdesign.report.steps.surges import exceeded, surges
from loopdesign.report.steps.text import step_answer, step_paragraphs, step_tables, step_text

CASES = Path(__file__).parents[3] / "cases"
TEXT = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")
LOAD, LINE = 'load_step = { from = "0.4 A", to = "1.2 A" }', 'line_step = { from = "13 V", to = "15 V" }'
VOLTS = 'input_voltage = { min = "8 V", nominal = "13 V", max = "30 V" }'


def case(*changes):
    """Return the shipped undamped SEPIC with pieces of its text exchanged."""
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_case(text, "buoy.toml")


@pytest.fixture(scope="module")
def study():
    return step(case((LOAD, f"{LOAD}\n{LINE}")), cycles=400)


def test_every_step_at_every_input_voltage(study):
    made = [(r.kind, r.input_voltage, r.input_voltage_to, r.load_from, r.load_to) for r in study.results]
    loads = [("load", v, v, 0.4, 1.2) for v in (8.0, 13.0, 30.0)] + [
        ("load back", v, v, 1.2, 0.4) for v in (8.0, 13.0, 30.0)
    ]
    lines = [(k, a, b, i, i) for i in (0.1, 1.2) for k, a, b in (("line", 13.0, 15.0), ("line back", 15.0, 13.0))]
    assert made == loads + lines


def test_answer(study):
    """One entry per input voltage under "corners", in plain numbers."""
    answer = json.loads(json.dumps(step_answer(study), allow_nan=False))
    assert [c["input_voltage"] for c in answer["corners"]] == [8.0, 13.0, 30.0]
    for c in answer["corners"]:
        assert (c["load_from"], c["load_to"]) == (0.4, 1.2)
        mean = np.array(c["output_voltage_v"])
        assert len(c["time_s"]) == len(mean) == 400
        assert_allclose(c["time_s"][0], 0.5 / 330e3, rtol=1e-12)
        assert_allclose(c["peak_deviation_v"], np.abs(mean - 15.0).max(), rtol=1e-12)
        assert c["raw_deviation_v"] > c["peak_deviation_v"]
    assert [c["stable"] for c in answer["corners"]] == [False, True, True]
    assert answer["corners"][0]["settling_time_s"] is None
    assert answer["corners"][1]["settling_time_s"] > 0.0
    assert len(answer["others"]) == 7
    assert not answer["verdict"]["stable"]


def test_verdict_follows_the_multipliers(study):
    low, middle, _ = study.of("load")
    assert low.worst_mode.name == "coupling resonance"
    assert abs(low.worst_mode.multiplier) > 1.0 > abs(middle.worst_mode.multiplier)
    assert "coupling resonance" in low.reason
    unstable, stable = study.growth
    assert abs(unstable.measured.multiplier) > 1.0 > abs(stable.measured.multiplier)


def test_mode_changes_are_seen(study):
    """At 30 V the light load is in discontinuous conduction, the heavy one is not."""
    up, down = study.of("load")[2], study.of("load back")[2]
    assert [word for _, word in up.run.mode_changes()] == ["CCM"]
    assert [word for _, word in down.run.mode_changes()] == ["DCM"]


def verdict_at(case, input_voltage, load_current):
    """Verdict of a check at one line and load, which knows nothing of steps."""
    found = examine(case, case.compensation.parts, examine_stage(case, one_corner(case, input_voltage, load_current)))
    return found.verdicts[0].stable


def test_text_says_verdict_last_and_what_is_left_out(study):
    text = step_text(study, display=Display(ascii_only=True))
    assert text.isascii()
    assert "a soft start has no part in it" in text
    ends = [(r.input_voltage_to, r.load_to) for r in study.results]
    unstable = sum(not verdict_at(study.case, *end) for end in ends)
    assert 0 < unstable < len(ends) == 10
    assert text.splitlines()[2] == f"Verdict: UNSTABLE after {unstable} of 10 steps"
    last = f"The output settles after {10 - unstable} of 10 steps; {unstable} UNSTABLE after the step."
    assert text.splitlines()[-1] == last
    assert "UNSTABLE" in step_text(study)
    assert any("soft start has no part" in p for p in step_paragraphs(study))
    assert {"Load step", "Line step", "During the step", "Growth of a small disturbance"} <= {
        t.title for t in step_tables(study)
    }


def test_figures_show_the_results(study):
    figures = {s.name: s.plot(*s.results) for s in step_sheets(study)}
    assert set(figures) == {
        "step_load", "step_load_cycles", "step_load_back", "step_load_back_cycles", "step_line", "step_line_cycles",
        "step_line_back", "step_line_back_cycles", "disturbance",
    }  # fmt: skip
    axes = figures["step_load"].get_axes()
    assert len(axes) == 12
    assert axes[0].get_title() == "8 V: UNSTABLE"
    (mean,) = [line for line in axes[3].get_lines() if line.get_label() == "cycle mean"]
    assert_allclose(mean.get_ydata(), study.of("load")[0].run.mean[: len(mean.get_ydata())])
    zoom = figures["step_load_cycles"].get_axes()[3].get_lines()[0]
    assert zoom.get_xdata()[0] < 0.0 < zoom.get_xdata()[-1]


def test_impedance_predicts_a_small_step():
    """Item by item: simulated and predicted deviation within one per cent for a step of a hundredth."""
    small = case((LOAD, 'load_step = { from = "1.0 A", to = "1.01 A" }'), (VOLTS, "input_voltage = [13.0, 20.0]"))
    found = step(small, cycles=400)
    for r in found.results:
        assert_allclose(r.predicted_deviation_v, r.peak_deviation_v, rtol=0.01)


def test_settling_band_comes_from_the_case():
    wide, narrow = (
        step(case((VOLTS, "input_voltage = [20.0]"), ("[targets]", f'[targets]\nsettling_band = "{band}"')), cycles=400)
        for band in ("1 %", "0.2 %")
    )
    assert wide.band_v == pytest.approx(0.15)
    assert narrow.results[0].settling_time_s > wide.results[0].settling_time_s > 0.0


def test_progress_counts_the_runs():
    seen = []
    step(case((VOLTS, "input_voltage = [20.0]")), cycles=20, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(0, 2), (1, 2), (2, 2)]


def test_load_that_the_clamp_cannot_carry():
    """The clamp lies below what the heavy load needs: the run shows it, the reason names it, the way back is not made."""
    clamped = ('reference = "1.2 V"', 'reference = "1.2 V"\nclamp = { min = "0 V", max = "0.2 V" }')
    found = step(case((VOLTS, "input_voltage = [13.0]"), clamped), cycles=600)
    (r,) = found.results
    assert not r.stable
    assert "above the clamp" in r.reason
    assert r.run.limited[-1]
    assert r.run.control.max() < 0.2 + 1e-3
    assert "not made" in found.not_made[0]


def test_step_to_no_load_goes_without_a_periodic_end():
    found = step(case((VOLTS, "input_voltage = [20.0]"), (LOAD, 'load_step = { from = "0.4 A", to = "0 A" }')))
    (r,) = found.results
    assert not r.stable
    assert "skips pulses" in r.reason
    assert r.run.count("skipped") > 100


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ([(LOAD, "")], "there is no step to make: give load_step or line_step"),
        (
            [(LOAD, 'load_step = { from = "0.4 A", to = "0 A" }'), ('load = "resistive"', 'load = "current"')],
            "a current load of 0 A draws nothing",
        ),
        ([(LOAD, 'load_step = { from = "0 A", to = "1 A" }')], "without a load there is no operating point"),
        ([('R1 = "4.64 kohm"', "")], "run 'loopdesign design' first"),
    ],
)
def test_refused(changes, match):
    with pytest.raises(DataError, match=match):
        step(case(*changes))


def test_step_outside_the_range_warns():
    outside = case((LOAD, 'load_step = { from = "0.4 A", to = "1.3 A" }'))
    assert any("load_step" in w and "outside" in w for w in outside.warnings)


def test_start_out_of_reach():
    back = (LOAD, 'load_step = { from = "1.2 A", to = "0.4 A" }')
    with pytest.raises(UnreachableOutputError, match="out of reach"):
        step(case((VOLTS, 'input_voltage = { min = "2.2 V", nominal = "13 V", max = "30 V" }'), back))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (("max_duty = 0.9", 'max_duty = 0.9\nmin_on_time = "2.6 us"'), "below the shortest of 2.6e-06 s"),
        (
            ('reference = "1.2 V"', 'reference = "1.2 V"\nclamp = { min = "0.5 V", max = "2 V" }'),
            "below the clamp at 0.5 V",
        ),
    ],
)
def test_point_that_the_controller_does_not_hold_is_no_start(change, match):
    """Nothing is made of it and the reason told; no step at all is no success."""
    found = step(case((VOLTS, "input_voltage = [13.0]"), change), cycles=20)
    assert not found.results
    assert len(found.not_made) == 2
    assert all(match in why for why in found.not_made)
    assert not found.stable
    assert step_text(found).endswith("The output settles after 0 of 2 steps; 2 could not be made.")


def test_all_steps_at_rest_are_told_with_the_largest_deviation():
    found = step(case((VOLTS, "input_voltage = [20.0]")), cycles=600)
    assert found.stable
    last = step_text(found).splitlines()[-1]
    largest = max(r.peak_deviation_v for r in found.results)
    assert last.startswith(
        f"The output settles after all 2 steps. The largest deviation of the mean is {largest * 1e3:.0f} mV"
    )


def test_step_too_small_to_leave_the_band():
    """Words take the place of a settling time of nought, and times are written with the micro sign."""
    small = (LOAD, 'load_step = { from = "1.0 A", to = "1.01 A" }')
    found = step(case((VOLTS, "input_voltage = [20.0]"), small), cycles=200)
    assert [r.settling_time_s for r in found.results] == [0.0, 0.0]
    text = step_text(found)
    assert text.count("within band") == 2
    assert text.endswith("; no step leaves the band.")


def test_times_of_mode_changes_are_written_with_the_micro_sign(study):
    text = step_text(study, display=Display(details=True))
    assert "CCM from " in text
    assert " us" not in text
    assert " µs" in text


def test_output_out_of_reach_after_the_step():
    """The heavy load is beyond what losses allow: the run is made, and the reason says how far it would reach."""
    low = (VOLTS, "input_voltage = [8.0]"), (LOAD, 'load_step = { from = "0.4 A", to = "20 A" }')
    found = step(case(*low), cycles=20)
    (r,) = found.results
    assert not r.stable
    assert "highest reachable output" in r.reason
    assert step_text(found).endswith(
        "The output settles after 0 of 2 steps; 1 not settled by the end of the run, 1 could not be made."
    )
    assert "load step back at 8 V, 20 A was not made" in found.not_made[0]


def test_a_regulated_current_finds_its_other_level_in_another_mode():
    """Down from a level in continuous conduction the orbit at the lower one is that of the converter made for it."""
    case = load_case(CASES / "navigation_light_sepic.toml")
    parts = {"R1": 10e3, "C1": 10e-9, "C2": 1e-9}
    back = start_of(case, parts, "load back", (9.0, 9.0), (0.7, 0.12))
    model, reason, held = model_after(back)
    assert (reason, held) == ("", None)
    made_for_it = start_of(case, parts, "load", (9.0, 9.0), (0.12, 0.7)).point
    assert back.point.sequence.ends.shape != model.point.sequence.ends.shape  # CCM before, DCM after
    assert_allclose(model.point.duty, made_for_it.duty, rtol=1e-3)  # but for the bias of Co before the step
    assert_allclose(model.point.trim, back.changes["reference"], rtol=1e-10)


COUPLED = (CASES / "wave_buoy_coupled_sepic.toml").read_text(encoding="utf-8").replace(
    'network = "type II"', 'network = "type II"\nR1 = "3.92 kohm"\nC1 = "180 nF"\nC2 = "6.8 nF"'
)  # fmt: skip


def surging(*changes):
    """Step the line of the supply with coupled inductors, without its load step, at its light load."""
    text = COUPLED.replace('load_step = { from = "0.5 A", to = "1.5 A" }', "")
    text = text.replace('{ min = "0.15 A", max = "1.5 A" }', '["0.15 A"]')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return step(parse_case(text, "wave.toml"), cycles=300)


def test_a_line_step_surges_through_coupled_inductors():
    """The loop of source, L1, Cs and L2 is a series resonant circuit with the leakage alone: textbook, peak of its step.

    The circulating current sees L1 + L2 - 2 M = 2 L (1 - k); the resistances are those of the windings and the esr.
    """
    found = surging()
    line = found.of("line")[0]
    inductance, resistance, capacitance = 2.0 * 15e-6 * 0.03, 2.0 * 38e-3 + 3e-3, 10e-6 * (1.0 - 0.15 * 10.0 / 14.0)
    decay, natural = resistance / (2.0 * inductance), 1.0 / np.sqrt(inductance * capacitance)
    ringing = np.sqrt(natural**2 - decay**2)
    at = np.arctan2(ringing, decay) / ringing
    peak = 10.0 / (ringing * inductance) * np.exp(-decay * at) * np.sin(ringing * at)
    reached = {p.part: p for p in line.current_peaks}
    for name in ("L1", "L2"):
        assert reached[name].peak_current_a == pytest.approx(peak, rel=0.03)
        assert reached[name].time_s == pytest.approx(at, rel=0.15)
    assert reached["switch"].peak_current_a < 0.1 * peak  # what circulates does not pass the switch
    (told, back) = surges(found)
    assert told.startswith("Line step from 10 V to 20 V at 0.15 A: L1 carries up to 26.")
    assert back.startswith("Line step back from 20 V to 10 V")
    assert "[input_filter]" in told
    assert told in " ".join(step_text(found, display=Display(width=100)).split())
    assert any(told in p for p in step_paragraphs(found))
    assert told in step_answer(found)["warnings"]
    assert not exceeded(found)
    assert not surges(step(case((VOLTS, "input_voltage = [20.0]")), cycles=40))


def test_a_rated_switch_is_followed_where_something_else_is_sensed():
    text = (CASES / "current_profiler_bipolar.toml").read_text(encoding="utf-8")
    for old, new in (
        ('name = "switch", between', 'name = "Q1", between'), ('rated_current = "20 A"', 'rated_current = "2 A"'),
        ("]\noutputs", ']\nsense = "L1"\noutputs'),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new, 1)
    assert any(
        told.split(": ")[1].startswith("Q1 carries up to")
        for told in exceeded(step(parse_case(text, "x.toml"), cycles=12))
    )


def test_a_rating_exceeded_on_the_way_fails(tmp_path, capsys):
    rated = ("[modulator]", '[ratings]\nL1_current = "8 A"\nL2_current = "40 A"\nderating = "20 %"\n\n[modulator]')
    found = surging(rated)
    (told,) = exceeded(found)
    assert "L1 carries up to 26." in told
    assert "above 6.40 A (its rating less derating)" in told
    assert told in step_answer(found)["verdict"]["reasons"]
    assert step_text(found).splitlines()[2].endswith("but ratings are EXCEEDED on the way")
    assert surges(found) == ()  # what is rated and met is no surprise
    path = tmp_path / "wave.toml"
    path.write_text(COUPLED.replace(*rated), encoding="utf-8")
    assert main(["step", str(path), "--cycles", "20"]) == 1
    assert "EXCEEDED" in capsys.readouterr().out
