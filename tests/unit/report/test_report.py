"""The report: answer, tables, text and figures. Numbers are held against closed forms or the engine's own
fields; figures are read back from their lines, labels and annotations."""

import json
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from byhand import Sepic

from loopdesign.analysis.check import examine
from loopdesign.analysis.curves import differences, report_data
from loopdesign.analysis.failing import ENDS
from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.worst import Beyond, Examined
from loopdesign.analysis.given import given_parts
from loopdesign.analysis.responses import FrequencyResponse
from loopdesign.case import load_case, parse_case
from loopdesign.models.switched import loop_gain
from loopdesign.models.verdict import Mode
from loopdesign.report.basics import axes, status, tables
from loopdesign.report.basics.layout import Display
from loopdesign.report.basics.status import headline, missed, stable_word, status_word, verdict_sentence
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.choice.text import divider_sentences
from loopdesign.report.content.blocks import Content, TableBlock
from loopdesign.report.content.chapters.method import agreement_remarks
from loopdesign.report.content.html import to_html
from loopdesign.report.content.markdown import markdown_table
from loopdesign.report.loop import plots
from loopdesign.report.loop.answer import answer
from loopdesign.report.loop.given import given_table
from loopdesign.report.loop.response_text import response_text
from loopdesign.report.loop.terminal import check_text, painted, parts_text
from loopdesign.synthesis.cures.divider import DividerChoice, DividerPair

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
CORNER_KEYS = [
    "input_voltage", "load_current", "mode", "duty", "stable", "largest_multiplier", "worst_mode",
    "current_loop_stable", "crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin",
    "plant_poles_hz", "plant_zeros_hz",
]  # fmt: skip


def assessed(text):
    case = parse_case(text, "case.toml")
    return examine(case, given_parts(case) if case.compensation else {})


@pytest.fixture(scope="module")
def unstable():
    """The undamped SEPIC: unstable at 8 V and full load although its phase margin reads well."""
    case = load_case(UNDAMPED)
    return examine(case, given_parts(case))


@pytest.fixture(scope="module")
def drawn(unstable):
    return report_data(unstable, proposals=("fit a damper",))


@pytest.fixture(scope="module")
def damped():
    """The shipped damped SEPIC with parts that meet every target at one corner."""
    text = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
    text = text.replace('network = "type II"', 'network = "type II"\nR1 = "1.5 kohm"\nC1 = "220 nF"\nC2 = "1 nF"')
    text = re.sub(r"input_voltage = .*", 'input_voltage = ["13 V"]', text)
    return assessed(re.sub(r"output_current = .*", 'output_current = ["1.2 A"]', text))


@pytest.fixture(scope="module")
def no_loop():
    text = UNDAMPED.read_text(encoding="utf-8")
    return assessed(text[: text.index("[error_amplifier]")])


def low_line(found):
    """Corner of 8 V and 1.2 A."""
    k = found.conditions
    return int(np.flatnonzero((k.input_voltage == 8.0) & (k.load_current == 1.2))[0])


# ---------------------------------------------------------------- answer


def walk(value):
    yield value
    if isinstance(value, dict):
        for v in value.values():
            yield from walk(v)
    elif isinstance(value, list):
        for v in value:
            yield from walk(v)


@pytest.mark.parametrize("which", ["unstable", "damped", "no_loop"])
def test_answer_is_plain_json(which, request):
    """No NaN, no infinity, no numpy scalar; every listed key; a reason beside every null."""
    found = answer(request.getfixturevalue(which))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert {type(v) for v in walk(found)} <= {dict, list, str, float, int, bool, type(None)}
    assert {"title", "topology", "parts", "corners", "verdict"} <= set(found)
    assert set(found["verdict"]) == {"stable", "targets_met", "reasons"}
    for corner in found["corners"]:
        assert set(CORNER_KEYS) <= set(corner)
        assert set(corner["worst_mode"]) == {"frequency_hz", "growth_per_s", "name"}
        nulls = {
            k for k in ("crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin") if corner[k] is None
        }
        assert set(corner["reasons"]) == nulls
        assert all(corner["reasons"].values())
        assert all(len(pair) == 2 for pair in corner["plant_poles_hz"] + corner["plant_zeros_hz"])


def test_answer_repeats_the_assessment(unstable):
    item = low_line(unstable)
    corner = answer(unstable)["corners"][item]
    m, v = unstable.margins[item], unstable.verdicts[item]
    assert (corner["stable"], corner["current_loop_stable"]) == (False, False)
    assert corner["phase_margin_deg"] == m.phase_margin_deg > 45.0
    assert corner["largest_multiplier"] == abs(v.worst_mode.multiplier) > 1.0
    assert corner["current_loop_worst_mode"]["name"] == "coupling resonance"
    poles = np.array(corner["plant_poles_hz"])
    np.testing.assert_array_equal(poles[:, 0] + 1j * poles[:, 1], unstable.stage.plants[item].poles_hz)
    assert "stability" in corner["missed"]
    assert answer(unstable)["parts"] == {"R1": 4640.0, "C1": 56e-9, "C2": 1.8e-9}


def test_answer_without_a_loop_says_so(no_loop):
    for corner in answer(no_loop)["corners"]:
        assert corner["phase_margin_deg"] is None
        assert corner["reasons"] == dict.fromkeys(corner["reasons"], "no loop is given")
    assert answer(no_loop)["parts"] == {}


def test_answer_replaces_what_is_not_finite(damped):
    margins = (replace(damped.margins[0], gain_margin_db=float("inf")),)
    corner = answer(replace(damped, margins=margins))["corners"][0]
    assert (corner["gain_margin_db"], corner["reasons"]) == (None, {"gain_margin_db": "not finite"})


# ---------------------------------------------------------------- words


def test_verdict_sentences(unstable, damped, no_loop):
    assert damped.targets_met
    assert verdict_sentence(damped).startswith(
        "Stable with every target met at the only corner (13 V, 1.2 A, nominal parts; tolerances and temperatures left "
        "out); least phase margin"
    )
    told = verdict_sentence(unstable)
    covered = "6 corners (3 input voltages, 2 load currents, nominal parts; tolerances and temperatures left out)"
    assert told.startswith(f"UNSTABLE at 1 of {covered}: at 8 V, 1.2 A the coupling resonance at 7.86 kHz")
    assert "proves nothing" in told
    assert verdict_sentence(no_loop).startswith(
        "No loop is given. With the control voltage held the converter is UNSTABLE"
    )
    v = damped.verdicts[0]
    grows = replace(v, stable=False, worst_mode=replace(v.worst_mode, multiplier=-1.1))
    alone = verdict_sentence(replace(damped, verdicts=(grows,)))
    assert alone.startswith(
        "UNSTABLE at the only corner (13 V, 1.2 A, nominal parts; tolerances and temperatures left out)"
    )
    missing = replace(damped, reasons=("phase margin 40 deg is below 55 deg",))
    assert "targets are MISSED: phase margin 40 deg" in verdict_sentence(missing)


def test_verdict_sentence_of_a_stable_loop_around_an_unstable_current_loop(damped):
    v = damped.verdicts[0]
    wild = replace(
        v, current_loop_stable=False, current_loop_worst_mode=replace(v.worst_mode, multiplier=-1.1, name="subharmonic")
    )
    found = replace(damped, verdicts=(wild,))
    assert "current loop alone is UNSTABLE at 1 of 1" in verdict_sentence(found)
    assert missed(found, 0) == ("current loop",)


def test_a_light_load_hides_nothing_else_that_fails(unstable):
    """One corner skips pulses, a tolerance end is unstable, a target is missed: all three are told, none is stable."""
    mode = replace(unstable.verdicts[0].worst_mode, multiplier=0.9)
    calm = [
        replace(v, stable=True, current_loop_stable=True, worst_mode=mode, current_loop_worst_mode=mode)
        for v in unstable.verdicts
    ]
    light = (replace(calm[0], stable=False, held="minimum on-time", regime="skips pulses"), *calm[1:])
    place = corner_name(unstable.conditions, 0)
    ends = ("unstable at 14 V, 1.2 A with Cs -10 %", "phase margin 40 deg at 8 V, 1.2 A with Cs -10 % is below 45 deg")
    told = (f"{place}: the output needs a shorter on-time than the controller can make; it skips pulses", *ends)
    examined = Examined(corners=6, temperatures=1, tolerance_ends=True, points=54, toleranced_values=3)
    beyond = Beyond(worst={}, examined=examined, stable=False, reasons=ends)
    sentence = verdict_sentence(found := replace(unstable, verdicts=light, beyond=beyond, reasons=told))
    assert sentence.startswith(
        "Stable with nominal parts at the other 5 of 6 nominal corners, UNSTABLE at some tolerance ends. Not regulated"
    )
    assert f"What fails besides: {ends[0]}; {ends[1]}. Examined at" in sentence
    assert headline(found) == "Verdict: skips pulses at 1 of 6 corners; UNSTABLE at some tolerance ends"
    missing = replace(found, beyond=replace(beyond, reasons=ends[1:]), reasons=(told[0], ends[1]))
    assert headline(missing) == "Verdict: skips pulses at 1 of 6 corners; more fails"
    assert "UNSTABLE" not in verdict_sentence(missing)
    alone = replace(unstable, verdicts=light, reasons=told[:1])
    assert "besides" not in verdict_sentence(alone)
    assert headline(alone) == "Verdict: skips pulses at 1 of 6 corners"


def test_stage_without_loop_and_stable_has_no_margin_to_read(no_loop):
    calm = tuple(replace(v, stable=True, current_loop_stable=True) for v in no_loop.verdicts)
    told = verdict_sentence(replace(no_loop, verdicts=calm))
    assert "is stable at 6 corners (" in told
    assert told.endswith("there is no margin to read.")


def test_missed_names_every_target(damped):
    bad = replace(damped.margins[0], phase_margin_deg=10.0, gain_margin_db=1.0, modulus_margin=0.1, crossover_hz=None)
    found = replace(damped, margins=(bad,))
    assert missed(found, 0) == ("phase margin", "gain margin", "modulus margin", "crossover")
    assert status_word(found, 0) == "MISSED: phase margin, gain margin, modulus margin, crossover"
    assert status_word(damped, 0) == "ok"


# ---------------------------------------------------------------- tables and text


def test_no_margin_without_its_verdict(unstable):
    """Every row that shows a margin carries the verdict beside it."""
    table = tables.margins_table(unstable)
    headings = [c.heading for c in table.columns]
    assert headings.index("verdict") < headings.index("phase margin")
    row = table.to_dicts()[low_line(unstable)]
    assert row["verdict"] == "UNSTABLE"
    assert row["targets"].startswith("MISSED: stability")


def test_headings_are_unique(unstable):
    made = [tables.operating_table(unstable), tables.stress_table(unstable), tables.stability_table(unstable)]
    made += [tables.roots_summary(unstable), tables.roots_table(unstable), tables.zero_table(unstable)]
    for table in made:
        headings = [c.heading for c in table.columns]
        assert len(set(headings)) == len(headings)


def test_stress_of_the_sepic(unstable):
    """Averages by charge and flux balance: i(L2) is the load, i(L1) what the balance with losses by hand leaves (derived)."""
    row = tables.stress_table(unstable).to_dicts()[low_line(unstable)]
    assert row["L2 average"] == pytest.approx(1.2, rel=1e-6)  # what flows into the load
    assert row["switch peak current"] == pytest.approx(row["L1 peak"] + row["L2 peak"], rel=1e-6)
    by_hand = Sepic(vout=15.0, load=1.2, winding=0.045, esr=0.004, switch=0.018, drop=0.45, diode=0.015)
    assert row["L1 average"] == pytest.approx(by_hand.drawn(8.0), rel=3e-3)  # but for what the ripple loses
    assert row["Cs rms"] > np.sqrt(1.2 * row["L1 average"]) * 0.95  # sqrt(I1 I2) without ripple
    assert row["switch peak voltage"] == pytest.approx(8.0 + 15.0 + 0.45, abs=0.4)


def test_operating_points_with_the_limit_of_continuous_conduction(unstable, drawn):
    rows = tables.operating_table(unstable, drawn.continuous_limit).to_dicts()
    for row in rows:
        assert (row["mode"] == "DCM") == (row["load"] < row["continuous above"])
    assert "continuous above" not in tables.operating_table(unstable).to_dicts()[0]


def test_roots_summary_spans_the_corners(unstable):
    row = next(r for r in tables.roots_summary(unstable).to_dicts() if r["pole or zero"] == "output pole")
    every = [r["frequency"] for r in tables.roots_table(unstable).to_dicts() if r["name"] == "output pole"]
    assert (row["lowest"], row["highest"]) == (min(every), max(every))
    resonance = next(r for r in tables.roots_summary(unstable).to_dicts() if "resonance" in r["pole or zero"])
    assert resonance["half-plane"] == "right at 1 of 6"


def test_parts_and_limits(unstable):
    rows = {r["part"]: r for r in tables.parts_table(unstable, {"R1": 4640.0, "slope": 4e4}).to_dicts()}
    assert rows["R1"] == {"part": "R1", "value": "4.64 kΩ", "origin": "chosen"}
    assert rows["C1"]["origin"] == "given"
    assert rows["slope"]["value"] == "40.0 mV/µs"
    assert rows["upper divider resistor"]["value"] == "115 kΩ"  # 10 kohm (15 V / 1.2 V - 1)
    assert all(r["from"] for r in tables.limits_table(unstable).to_dicts())
    assert tables.part_value("C2", 0.0) == "not fitted"
    assert parts_text({"R1": 12.1e3, "C2": 0.0}, ascii_only=True) == "R1 12.1 kohm, C2 not fitted"


def test_parts_left_open_in_the_case_are_called_chosen():
    case = load_case(CASES / "tide_gauge_sepic.toml")
    found = examine(case, {"R1": 1.5e3, "C1": 220e-9, "C2": 1e-9})
    assert [r["origin"] for r in tables.parts_table(found, {}).to_dicts()] == ["chosen"] * 3 + ["computed", "given"]


def test_given_parts_in_words(unstable):
    rows = dict(given_table(unstable.case).rows)
    assert rows["L1"] == "33.0 µH, resistance 45.0 mΩ, tolerance 20.0 %"
    assert rows["Cs"] == "6.80 µF, esr 4.00 mΩ, tolerance 10.0 %, bias curve"
    assert rows["modulator"] == "peak current, max duty 0.900, sense gain 60.0 mV/A, slope 40.0 mV/µs"
    assert rows["error amplifier"].startswith("transconductance, reference 1.20 V")
    assert {"Co1", "Co2", "switch", "diode"} <= set(rows)


def test_network_table_has_the_zero_of_r1_and_c1(unstable):
    """1 / (2 pi R1 C1), the zero of a type II network."""
    rows = {r["pole or zero"]: r["frequency"] for r in tables.network_table(unstable).to_dicts()}
    assert rows["zero"] == pytest.approx(1.0 / (2.0 * np.pi * 4640.0 * 56e-9), rel=1e-9)


def test_cell_of_what_does_not_exist():
    column = tables.Column(heading="x", unit="Hz")
    assert [tables.cell(v, column) for v in (None, float("nan"), float("inf"), "", "word")] == [
        "-",
        "-",
        "-",
        "-",
        "word",
    ]


def test_text_begins_and_ends_with_the_verdict_and_colour_is_only_paint(unstable):
    plain = check_text(unstable)
    assert plain.splitlines()[2] == "Verdict: UNSTABLE at 1 of 6 corners"
    assert plain.splitlines()[-1] == verdict_sentence(unstable)
    assert plain.index("What fails") < plain.index("Verdict and margins") < plain.index("Parts of the loop")
    coloured = painted(plain)
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == plain
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", painted("ok MISSED")) == "ok MISSED"
    assert check_text(unstable, display=Display(ascii_only=True, details=True)).isascii()


@pytest.mark.parametrize(
    ("word", "number"), [("UNSTABLE", 2), ("WITHOUT OPERATING POINT", 3), ("OUT OF REACH", 0), ("NOT HELD", 1)]
)
def test_the_word_for_tolerance_ends_stands_with_the_reason_it_is_read_from(damped, word, number):
    """Reasons in the order in which a check tells them, less those that are worse than the one to be named."""
    every = (
        "the output is out of reach at 8 V, 1.2 A with reference +10 %",
        "8 V, 1.2 A with sense gain +20 %: the output needs a control voltage that the clamp does not let through",
        "unstable at 14 V, 1.2 A with Cs -10 %",
        "no operating point at 40 V, 0.15 A with L1 -10 %",
    )
    worse = {2: (), 3: (2,), 0: (2, 3), 1: (0, 2, 3)}[number]
    told = tuple(reason for k, reason in enumerate(every) if k not in worse)
    examined = Examined(corners=1, temperatures=1, tolerance_ends=True, points=9, toleranced_values=3)
    beyond = Beyond(worst={}, examined=examined, stable=False, reasons=told)
    found = replace(damped, beyond=beyond, reasons=told)
    assert f"Stable with nominal parts, {word} at some tolerance ends: {every[number]}. Examined" in verdict_sentence(
        found
    )
    assert headline(found) == f"Verdict: stable with nominal parts, {word} at some tolerance ends"


def test_every_word_of_alarm_is_painted_and_set_bold():
    """On the terminal, in the page, in Markdown and in the printed document, with the reason that may follow it."""
    template = Path(status.__file__).parents[1] / "content" / "document.typ"
    listed = re.search(r"#let alarms = \((.*)\)", template.read_text(encoding="utf-8"))
    assert tuple(re.findall(r'"([^"]+)"', listed[1])) == status.ALARMS
    assert {*ENDS.values(), stable_word(stable=False), status.held_word("clamp").partition(" (")[0]} <= {*status.ALARMS}
    for word in status.ALARMS:
        assert re.fullmatch(rf"Verdict: \x1b\[1;31m{word}\x1b\[0m at 1 of 6", painted(f"Verdict: {word} at 1 of 6"))
        table = Table(
            title="t", columns=(Column(heading="verdict"), Column(heading="more")), rows=((f"{word} (x)", "y"),)
        )
        assert f"| **{word} (x)** | y |" in markdown_table(table)
        page = to_html(
            Content(title="t", front=(), verdict="v", good=False, running=("", ""), blocks=(TableBlock(table=table),))
        )
        assert f"<strong>{word} (x)</strong>" in page


def test_details_add_every_other_table(unstable):
    titles = ["Operating points", "Currents and voltages", "Poles and zeros of the plant over all corners"]
    titles += ["What was asked", "Stability by the characteristic multipliers"]
    short, whole = (check_text(unstable, display=Display(details=d)) for d in (False, True))
    assert [t for t in titles if f"\n{t}\n" in whole] == titles
    assert not any(f"\n{t}\n" in short for t in titles)
    assert "--details adds" in short
    assert "--details" not in whole


def test_text_of_a_stage_without_loop_shows_no_margins(no_loop):
    text = check_text(no_loop)
    assert "phase" not in text
    assert "UNSTABLE" in text


def test_text_of_a_response():
    """j/10 is -20 dB at 90 degrees; 3 - 4j ohm is 5 ohm."""
    decays = Mode(multiplier=0.9, frequency_hz=0.0, growth_per_s=-1e4, name="slow settling")
    at = {
        "open_loop": True, "input_voltage": 13.0, "load_current": 1.0, "temperature": 25.0, "mode": "CCM",
        "duty": 0.5, "held": None, "largest_multiplier": 0.9, "worst_mode": decays, "unwrapped_phase_deg": np.array([-270.0]),
    }  # fmt: skip
    gain = FrequencyResponse(
        quantity="plant", model="switched", frequencies_hz=np.array([1e3]), values=np.array([0.1j]), stable=True, **at
    )
    assert response_text(gain).splitlines()[-1].split() == ["1", "-20", "90", "-270"]
    assert "frequency [kHz]  magnitude [dB]  phase [deg]  phase unwrapped [deg]" in response_text(gain)
    z = FrequencyResponse(
        quantity="output-impedance",
        model="averaged",
        frequencies_hz=np.array([1.0]),
        values=np.array([3 - 4j]),
        stable=False,
        **at,
    )
    assert "magnitude [ohm]" in response_text(z, display=Display(ascii_only=True))
    assert response_text(z).splitlines()[3].split()[:2] == ["1", "5"]
    assert "UNSTABLE" in response_text(z)
    assert "UNSTABLE" not in response_text(gain)


# ---------------------------------------------------------------- data


def test_grid_holds_resonances_and_crossovers(unstable, drawn):
    for item, m in enumerate(unstable.margins):
        hz = drawn.frequencies_hz[item]
        assert np.all(np.diff(hz) >= 0.0)
        assert hz[-1] == pytest.approx(165e3)
        assert m.crossover_hz in hz
        pair = next(f for f in unstable.stage.plants[item].features if f.name == "coupling-capacitor resonance")
        assert np.abs(hz / pair.frequency_hz - 1.0).min() < 1e-9


def test_data_is_the_engines_response(unstable, drawn):
    item = low_line(unstable)
    np.testing.assert_allclose(
        drawn.loop[item], loop_gain(unstable.closed_loop, drawn.frequencies_hz)[item], rtol=1e-12
    )
    k = int(np.flatnonzero(drawn.frequencies_hz[item] == unstable.margins[item].crossover_hz)[0])
    assert abs(drawn.loop[item, k]) == pytest.approx(1.0, rel=1e-9)


def test_models_agree_as_the_design_expects(drawn):
    """0.25 dB and 1.5 degrees below a tenth of the switching frequency in CCM, 0.5 dB and 3 degrees below a twentieth in DCM."""
    assert max(d.magnitude_db for d in drawn.plant_differences) < 0.25
    assert max(d.phase_deg for d in drawn.plant_differences) < 1.5
    assert {d.below_hz for d in drawn.plant_differences} == {33e3, 16.5e3}
    assert agreement_remarks(drawn) == ()


def test_product_is_near_the_loop_gain_by_injection(drawn):
    """Plant times compensator leaves out the ripple at the comparator: below 0.5 dB in ordinary designs (common practice)."""
    assert 0.0 < max(d.magnitude_db for d in drawn.loop_differences) < 0.5
    assert max(d.phase_deg for d in drawn.loop_differences) < 3.0


def test_differences_are_largest_within_the_band():
    """A factor of two is 6.02 dB, a right angle 90 degrees; what lies beyond the band does not count."""
    hz = np.array([[1.0, 2.0, 3.0]])
    found = differences(hz, np.array([[2.0, 1j, 100.0]]), np.ones((1, 3), complex), np.array([2.0]))[0]
    assert (found.magnitude_hz, found.phase_hz) == (1.0, 2.0)
    assert found.magnitude_db == pytest.approx(20.0 * np.log10(2.0))
    assert found.phase_deg == pytest.approx(90.0)


def test_large_disagreement_is_told(drawn):
    worse = replace(drawn.plant_differences[1], magnitude_db=1.0)
    told = agreement_remarks(replace(drawn, plant_differences=(drawn.plant_differences[0], worse)))
    assert len(told) == 1
    assert "trust the switched model" in told[0]


# ---------------------------------------------------------------- figures


def labels(ax):
    return [t.get_text() for t in ax.get_legend().get_texts()]


def test_loop_bode_shows_the_data_and_the_verdict(unstable, drawn):
    upper, lower = plots.plot_loop_bode(drawn, 1.2)
    assert labels(upper) == ["8 V: UNSTABLE", "13 V: stable", "30 V: stable"]
    item = low_line(unstable)
    line = next(x for x in upper.get_lines() if x.get_label() == "8 V: UNSTABLE")
    np.testing.assert_allclose(line.get_xdata(), drawn.frequencies_hz[item])
    np.testing.assert_allclose(line.get_ydata(), 20.0 * np.log10(np.abs(drawn.loop[item])))
    told = [t.get_text() for t in lower.texts]
    assert any("UNSTABLE" in t and "although the phase margin reads" in t for t in told)
    assert lower.get_xlabel() == "frequency [Hz]"
    assert all(y % 45.0 == 0.0 for y in lower.get_yticks())
    low, high = upper.get_ylim()
    assert -80.0 <= low < high <= 80.0


def test_phase_margin_arrow_spans_the_margin(damped):
    data = report_data(damped)
    _, lower = plots.plot_loop_bode(data, 1.2)
    arrow = next(t for t in lower.texts if not t.get_text())
    assert arrow.xy[1] - arrow.xyann[1] == pytest.approx(damped.margins[0].phase_margin_deg)
    assert arrow.xyann[1] == pytest.approx(-180.0, abs=0.01)
    assert any("stable, phase margin" in t.get_text() for t in lower.texts)


def test_curves_differ_by_more_than_colour(drawn):
    upper, _ = plots.plot_plant_bode(drawn, 0.1)
    exact = [x for x in upper.get_lines() if x.get_label().endswith("(DCM)")]
    assert (
        len({x.get_color() for x in exact})
        == len({str(x.get_linestyle()) + str(x._unscaled_dash_pattern) for x in exact})
        == 3
    )


def test_nyquist_draws_the_circle_of_the_limit(unstable, drawn):
    ax = plots.plot_nyquist(drawn, 1.2)
    circle = ax.patches[0].get_xy()
    np.testing.assert_allclose(np.hypot(circle[:, 0] + 1.0, circle[:, 1]), unstable.limit("modulus_margin"))
    assert "8 V: UNSTABLE" in labels(ax)
    assert ax.get_aspect() == 1.0


def test_figures_have_a_column_per_load_and_touch_no_global_state(drawn):
    figure = plots.loop_bode_figure(drawn)
    assert len(figure.axes) == 4
    assert len(plots.nyquist_figure(drawn).axes) == 2
    registered = sys.modules.get("matplotlib._pylab_helpers")  # there only where something else loaded pyplot
    assert registered is None or registered.Gcf.get_all_fig_managers() == []


def test_many_loads_keep_the_extremes_and_the_worst(unstable):
    many = replace(unstable.conditions, load_current=np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6]))
    verdicts = [replace(unstable.verdicts[0], stable=True)] * 6
    verdicts[3] = unstable.verdicts[low_line(unstable)]
    found = replace(unstable, stage=replace(unstable.stage, conditions=many), verdicts=tuple(verdicts))
    kept = axes.drawn_loads(found)
    assert len(kept) == axes.MOST_COLUMNS
    assert {0.1, 0.6, 0.4} <= set(kept)


def test_stroke_tells_temperature_and_the_current_loop_apart(damped):
    v = replace(damped.verdicts[0], current_loop_stable=False)
    found = replace(damped, verdicts=(v,))
    assert axes.stroke(found, 0).label == "13 V: stable, current loop alone UNSTABLE"
    assert axes.stroke(found, 0, held=True).label == "13 V: UNSTABLE"
    corners = replace(damped.conditions, temperature=np.array([-20.0, 85.0]), input_voltage=np.array([13.0, 13.0]))
    warm = replace(damped, stage=replace(damped.stage, conditions=corners), verdicts=damped.verdicts * 2)
    assert axes.stroke(warm, 1).label == "13 V, 85 °C: stable"


def test_drawing_a_loop_that_is_not_there(no_loop):
    data = report_data(no_loop)
    for draw in (plots.plot_loop_bode, plots.plot_nyquist):
        with pytest.raises(ValueError, match="no loop to draw"):
            draw(data, 1.2)


def test_answer_and_text_load_no_plots():
    code = (
        "import sys, loopdesign.report.loop.answer, loopdesign.report.loop.terminal, loopdesign.report.basics.tables\n"
        "print([m for m in ('matplotlib', 'jinja2', 'rich', 'control') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_error_of_a_divider_is_no_rounding():
    """An exact pair reads zero, whatever arithmetic leaves over."""
    exact = DividerPair(upper=47.5e3, lower=15e3, error=-2.2e-16, lowest=5.0, highest=5.0)
    choice = DividerChoice(chosen=replace(exact, error=1.6e-3), closer=(exact,), tolerance=0.0, reference_tolerance=0.0)
    told = divider_sentences(SimpleNamespace(divider_choice=choice))
    assert "output error +0.16 %" in told[0]
    assert told[1].endswith("47.5 kΩ over 15.0 kΩ (0 %)")
