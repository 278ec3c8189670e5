"""Figures by their objects: what stands above them, limits of axes, labels, legends, and what experts objected to.

Each test holds one objection: noise magnified to an axis, offsets on ticks, labels outside of panels, bands around the wrong
value, lines decades off their curve, panels side by side with axes of their own, legends over curves, units in two spellings.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.text import Text

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.curves import report_data
from loopdesign.analysis.given import given_parts
from loopdesign.analysis.impedances import impedances
from loopdesign.analysis.responses import response
from loopdesign.analysis.transient.ringing import GrowthRun
from loopdesign.analysis.transient.steps import step
from loopdesign.analysis.variants.worst_curves import worst_curves
from loopdesign.analysis.worst import beyond_nominal
from loopdesign.case import load_case, parse_case
from loopdesign.corners.converters import one_corner
from loopdesign.errors import DataError
from loopdesign.models.verdict import Mode
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.date import report_date
from loopdesign.report.basics.sheet import SheetHeading, SheetLayout, heading, legend_rows, panels, place, short
from loopdesign.report.basics.status import verdict_word
from loopdesign.report.impedances.plots import impedances_figure
from loopdesign.report.loop import overview, plots
from loopdesign.report.loop.response_plot import response_figure
from loopdesign.report.steps.growth import slope_through
from loopdesign.report.steps.panels import peaks_kept
from loopdesign.report.steps.plots import plot_growth, plot_steps, plot_zoom, step_sheets
from loopdesign.report.steps.text import step_answer, step_text
from loopdesign.report.steps.words import outcome_word

CASES = Path(__file__).parents[3] / "cases"
TEXT = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")
DAMPED = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
PARTS = '"type II"\nR1 = "4.64 kohm"\nC1 = "56 nF"\nC2 = "1.8 nF"'


@pytest.fixture(scope="module")
def found():
    case = load_case(CASES / "tide_gauge_sepic_undamped.toml")
    return beyond_nominal(examine(case, given_parts(case)))


@pytest.fixture(scope="module")
def data(found):
    return report_data(found)


@pytest.fixture(scope="module")
def curves(found):
    return worst_curves(found)


@pytest.fixture(scope="module")
def study():
    return step(parse_case(TEXT, "buoy.toml"), cycles=300)


@pytest.fixture(scope="module")
def clamped():
    """A clamp at 0.3 V: low line needs 0.33 V after the step."""
    text = DAMPED.replace('reference = "1.2 V"', 'reference = "1.2 V"\nclamp = { max = "0.3 V" }')
    return step(parse_case(text.replace('"type II"', PARTS, 1), "clamped.toml"), cycles=1200)


@pytest.fixture(scope="module")
def every(found, data, curves, study):
    """Every figure of the report by name."""
    answer = response(found.case, "output-impedance", frequencies_hz=["1k", "10k"])
    return {
        "loop": plots.loop_bode_figure(data), "plant": plots.plant_bode_figure(data),
        "nyquist": plots.nyquist_figure(data), "overview": overview.overview_bode_figure(curves),
        "near": overview.overview_nyquist_figure(curves), "impedances": impedances_figure(impedances(found)),
        "response": response_figure(answer), **{s.name: s.plot(*s.results) for s in step_sheets(study)},
    }  # fmt: skip


def words(figure):
    return [t.get_text() for t in figure.findobj(Text) if t.get_text()]


def inside(ax, text):
    """Whether a text lies within the panel."""
    figure = ax.figure
    figure.canvas.draw()
    box, panel = text.get_window_extent(), ax.get_window_extent()
    return panel.x0 <= box.x0 and box.x1 <= panel.x1 and panel.y0 <= box.y0 and box.y1 <= panel.y1


# ---------------------------------------------------------------- heading and date


def test_every_figure_bears_title_case_coverage_and_date(every, monkeypatch):
    for name, figure in every.items():
        told = words(figure)
        assert figure.get_suptitle(), name
        (about,) = [t for t in told if "Tide-gauge logger supply, damper left out" in t]
        assert "nominal" in about, name
        assert re.search(r"\b20\d\d-\d\d-\d\d$", about), name


def test_date_is_of_the_case_else_of_the_build_else_today(monkeypatch):
    """SOURCE_DATE_EPOCH as reproducible-builds.org defines it: 1767225600 s are 2026-01-01 in UTC."""
    case = parse_case(TEXT, "x.toml")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1767225600")
    assert report_date(case) == "2026-01-01"
    signed = parse_case(f'{TEXT}\n[document]\ndate = "2026-02-03"\n', "x.toml")
    assert report_date(signed) == "2026-02-03"
    assert heading(signed, "x").about.endswith("2026-02-03")
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    assert re.fullmatch(r"20\d\d-\d\d-\d\d", report_date(case))
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "noon")
    with pytest.raises(DataError, match="SOURCE_DATE_EPOCH is"):
        report_date(case)


def test_a_title_is_drawn_letter_by_letter():
    """Dollar signs begin no formula, line breaks no line, and a long title leaves room for the date."""
    case = parse_case(TEXT.replace("Tide-gauge logger supply", "costs $5$" + "x" * 90), "x.toml")
    told = heading(case, "Loop").about
    assert told.startswith(r"costs \$5\$xx")
    assert "..." in told
    figure, _ = panels(heading(case, "Loop"), SheetLayout(rows=1, columns=1, heights=(1.0,)))
    figure.canvas.draw()


def test_one_unit_sign_and_one_notation_everywhere(every):
    """Ohm is written by its sign, and a load of a tenth of an ampere alike above and in the panel."""
    for name, figure in every.items():
        told = " ".join(words(figure))
        assert not re.search(r"\bohm\b", told), name
        assert not re.search(r"\b0\.\d+ A\b", told), name
    assert short(0.08, "A") == "80 mA"
    assert place(8.0, 1.2) == "8 V, 1.2 A"


# ---------------------------------------------------------------- axes


def bare(rows=1):
    return panels(SheetHeading(title="x"), SheetLayout(rows=rows, columns=1, heights=(1.5,) * rows))[1][:, 0]


def test_noise_is_not_magnified_to_an_axis():
    """An idle inductor current of 1e-29 A in discontinuous conduction is zero."""
    (ax,) = bare()
    ax.plot([0.0, 1.0], [1e-29, -2e-29])
    shared.level_axis(ax, [np.array([1e-29, -2e-29])], 5e-3)
    low, high = ax.get_ylim()
    assert low < -2e-3 < 2e-3 < high
    shared.level_axis(ax, [np.array([15.0, 15.0 + 1e-12])], 5e-3)
    assert np.ptp(ax.get_ylim()) > 5e-3


def test_ticks_carry_the_whole_number():
    (ax,) = bare()
    ax.plot([0.0, 1.0], [14.9991, 15.0009])
    shared.level_axis(ax, [np.array([14.9991, 15.0009])], 1e-4)
    ax.figure.canvas.draw()
    assert ax.yaxis.get_offset_text().get_text() == ""
    assert all(14.9 < float(t.get_text()) < 15.1 for t in ax.get_yticklabels() if t.get_text())


@pytest.mark.parametrize("limit", [1.0, 30.0, 4.98e3, 150e3, 1e6])
def test_label_of_a_limit_stays_inside_its_panel(limit):
    """Left of the axis, at its edges, beyond it: the label neither leaves the panel nor squeezes it."""
    (ax,) = bare()
    shared.frequency_axis(ax, np.array([20.0, 165e3]), named=True)
    ax.set_ylim(-60.0, 60.0)
    before = ax.get_position().bounds
    shared.limit_line(ax, limit, f"crossover limit {short(limit, 'Hz')}")
    (label,) = ax.texts
    assert inside(ax, label)
    assert ax.get_position().bounds == before
    assert ("beyond this axis" in label.get_text()) == (not 20.0 <= limit <= 165e3)


def test_panels_of_a_row_share_their_axis(every):
    for name in ("loop", "plant", "step_load", "step_load_cycles", "step_load_back"):
        rows = {}
        for ax in every[name].axes:
            rows.setdefault(round(ax.get_position().y0, 6), []).append(ax)
        for side_by_side in rows.values():
            assert len({ax.get_ylim() for ax in side_by_side}) == 1, name


def test_legends_lie_over_no_panel(every):
    for name, figure in every.items():
        figure.canvas.draw()
        boxes = [x.get_window_extent() for x in (*figure.legends, *(ax.get_legend() for ax in figure.axes)) if x]
        for ax in figure.axes:
            panel = ax.get_window_extent()
            assert not any(box.y0 < panel.y1 - 1.0 and box.y1 > panel.y0 and box.x0 < panel.x1 for box in boxes if
                           box.x1 > panel.x0), name  # fmt: skip


def test_legend_fits_its_panel():
    assert legend_rows(["8 V: stable"] * 3, 2.9) == (2, 2)
    assert legend_rows(["8 V: stable"] * 3, 6.0) == (3, 1)
    assert legend_rows(["a label that is longer than its panel is wide"], 1.0) == (1, 1)


# ---------------------------------------------------------------- verdicts


def test_a_clamped_supply_is_called_not_held(clamped):
    low = clamped.of("load")[0]
    assert (low.stable, low.held) == (False, "clamp")
    assert step_answer(clamped)["corners"][0]["held"] == "clamp"
    figure = plot_steps(clamped, "load")
    assert figure.axes[0].get_title() == "8 V: NOT HELD (clamp)"
    told = step_text(clamped).splitlines()
    assert "NOT HELD after the step (clamp)" in told[-1]
    assert told[2].startswith("Verdict: NOT HELD after 1 of ")
    assert "UNSTABLE" not in " ".join(words(figure))


def test_no_settling_band_where_there_is_nothing_to_settle_at(clamped):
    """Else the band lies around the value after the step, which the regulator holds at 15 V but for its finite gain."""
    low, middle, _ = plot_steps(clamped, "load").axes[3:6]
    assert [x for x in low.get_lines() if x.get_linestyle() == ":"] == []
    edges = sorted(x.get_ydata()[0] for x in middle.get_lines() if x.get_linestyle() == ":")
    after = clamped.of("load")[1].output_after_v
    np.testing.assert_allclose(edges, [after - clamped.band_v, after + clamped.band_v])
    assert after == pytest.approx(15.0, rel=1e-3)


def test_words_of_a_verdict(found):
    calm = next(v for v in found.verdicts if v.stable)
    assert verdict_word(calm) == "stable"
    assert verdict_word(replace(calm, stable=False, held="minimum on-time")) == "NOT HELD (minimum on-time)"
    grows = next(v for v in found.verdicts if not v.stable)
    assert verdict_word(replace(grows, held="clamp")) == "UNSTABLE"


def test_a_step_says_what_a_check_says_of_where_it_ends(clamped):
    """Item by item, at the operating point that the controller does not hold too, where a disturbance may grow."""
    for r in clamped.results:
        there = one_corner(clamped.case, r.input_voltage_to, r.load_to)
        (verdict,) = examine(clamped.case, clamped.case.compensation.parts, examine_stage(clamped.case, there)).verdicts
        assert outcome_word(r) == verdict_word(verdict)


# ---------------------------------------------------------------- steps


def test_step_plots_show_the_load_and_mark_the_deviation(study, every):
    figure = plot_steps(study, "load")
    for load, output, r in zip(figure.axes[:3], figure.axes[3:6], study.of("load"), strict=True):
        (line,) = load.get_lines()
        assert {0.4, 1.2} == set(line.get_ydata())
        assert line.get_xdata()[1] == line.get_xdata()[2] == 0.0
        (told,) = [t.get_text() for t in output.texts if "mV" in t.get_text()]
        drop = r.run.mean[np.argmax(np.abs(r.run.mean - r.output_before_v))] - r.output_before_v
        assert short(drop, "V") in told
        assert ("deviation" in told) == r.stable
    assert figure.axes[0].get_ylabel() == "load\n[A]"
    assert "valleys, not averages" in " ".join(words(figure))
    sheets = {s.name: s for s in step_sheets(study)}
    assert "valley" in sheets["step_load"].caption
    for name, sheet in sheets.items():
        assert sheet.layout.size == pytest.approx(72.0 * every[name].get_size_inches()), name


def test_peaks_of_many_cycles_are_kept():
    """A ringing near half the switching frequency would vanish or beat if every n-th cycle were drawn."""
    n = np.arange(5000)
    y = np.cos(np.pi * 0.999 * n) * np.exp(-n / 2000.0)
    kept = peaks_kept(y, 400)
    assert len(kept) <= 400
    assert {0, 4999} <= set(kept.tolist())
    assert y[kept].max() == y.max()
    assert y[kept].min() == y.min()
    assert len(peaks_kept(y[:100], 400)) == 100


def growth(departure, multiplier):
    mode = Mode(multiplier=multiplier, frequency_hz=0.0, growth_per_s=0.0, name="slow settling")
    return GrowthRun(
        input_voltage=8.0, load_current=1.0, time_s=np.arange(len(departure)) * 1e-6, departure=departure,
        expected=mode, measured=None,
    )  # fmt: skip


def test_line_of_the_multiplier_runs_along_its_curve():
    """A fast mode ten thousand times as large dies first: the slope belongs to what is left (closed form)."""
    n = np.arange(800)
    slow = 1e-8 * 0.99**n
    line = slope_through(growth(1e-4 * 0.5**n + slow, 0.99), 1.5e-11)
    np.testing.assert_allclose(line, slow, rtol=0.02)


def test_line_of_an_oscillation_runs_along_the_peaks():
    n, turn = np.arange(600), 0.1
    line = slope_through(growth(1e-6 * 1.004**n * np.cos(turn * n), 1.004 * np.exp(1j * turn)), 1.5e-11)
    np.testing.assert_allclose(line[0], 1e-6, rtol=0.15)
    assert slope_through(growth(1e-16 * 0.99**n, 0.99), 1.5e-11) is None


def test_line_of_an_oscillation_that_dies_within_a_turn_touches_the_curve():
    """Its decay is not taken for a higher peak: at no cycle does the curve rise above the line (closed form)."""
    n, multiplier = np.arange(1500), 0.99408 * np.exp(1j * 2.0 * np.pi / 2400.0)
    size = 1e-5 * np.abs((multiplier**n).real)
    line = slope_through(growth(size, multiplier), 1.2e-11)
    ratio = size / line
    assert 0.95 < ratio[size > 1e-9].max() < 1.05


def test_lines_of_a_case_run_along_their_curves(study):
    for ax, run in zip(plot_growth(study).axes, study.growth, strict=True):
        lines = {x.get_label().split()[0]: x.get_ydata() for x in ax.get_lines()}
        peak = np.abs(run.departure[20:260]).max()
        assert 0.5 < lines["multiplier"][20:260].max() / peak < 2.0


# ---------------------------------------------------------------- worst ends


def test_emphasised_curve_has_the_worst_margin(found, curves):
    """The smallest phase margin read off the curve at the worst ends is the reading of the check."""
    reading = found.worst["phase_margin_deg"]
    T, f = curves.of("phase_margin_deg"), curves.frequencies_hz
    size = 20.0 * np.log10(np.abs(T))
    k = np.flatnonzero((size[:-1] > 0.0) != (size[1:] > 0.0))
    phase = np.degrees(np.unwrap(np.angle(T)))
    at = [np.interp(0.0, [-size[j], -size[j + 1]], [phase[j], phase[j + 1]]) for j in k]
    assert min(180.0 + x for x in at) == pytest.approx(reading.value, abs=0.1)
    near = curves.of("modulus_margin")
    assert np.abs(1.0 + near).min() == pytest.approx(found.worst["modulus_margin"].value, rel=5e-3)
    assert len(f) == curves.nominal.shape[1]


def test_overview_emphasises_what_is_unstable(found, curves):
    figure = overview.overview_bode_figure(curves)
    told = " ".join(words(figure))
    assert "worst: UNSTABLE, largest multiplier" in told
    assert "although the phase margin reads" in told
    assert "8 V, 1.2 A: UNSTABLE" in told
    assert "Not every point examined is stable" in overview.overview_bode_caption(curves)
    assert "nominal corners and the worst ends" in told


def test_overview_needs_no_colour(curves):
    """Lines differ by dashes and widths, and the worst is black and wider than any other."""
    upper, _ = overview.overview_bode_figure(curves).axes
    long = [x for x in upper.get_lines() if len(x.get_xdata()) == len(curves.frequencies_hz)]
    grey = [x for x in long if x.get_color() == overview.GREY]
    (black,) = [x for x in long if x.get_color() == "black"]
    assert len({(str(x._unscaled_dash_pattern), x.get_linewidth()) for x in grey}) == len(grey) == 6
    assert black.get_linewidth() > max(x.get_linewidth() for x in grey)


def test_band_encloses_nominal_corners_and_worst_ends(curves):
    upper, _ = overview.overview_bode_figure(curves).axes
    (band,) = [c for c in upper.collections if hasattr(c, "get_paths") and len(c.get_paths()[0].vertices) > 100]
    x, y = band.get_paths()[0].vertices.T
    every = 20.0 * np.log10(np.abs(np.concatenate([curves.nominal, curves.ends])))
    for k in (10, 100, 200):
        here = y[np.isclose(x, curves.frequencies_hz[k], rtol=1e-9)]
        assert here.min() == pytest.approx(every[:, k].min())
        assert here.max() == pytest.approx(every[:, k].max())


def test_labels_are_moved_apart_no_more_than_need_be():
    np.testing.assert_allclose(overview.spread_out(np.array([0.0, 0.01, 1.0]), 0.1, 2.0), [0.0, 0.1, 1.0])
    np.testing.assert_allclose(overview.spread_out(np.array([1.9, 1.95, 2.0]), 0.1, 2.0), [1.8, 1.9, 2.0])
    crowded = overview.spread_out(np.zeros(5), 1.0, 2.0)
    np.testing.assert_allclose(np.diff(crowded), 0.5)
    assert len(overview.spread_out(np.empty(0), 0.1, 1.0)) == 0


def test_single_cycles_begin_before_the_step(study):
    axes = plot_zoom(study, "load").axes
    assert axes[-1].get_xlabel() == "time after the step [µs]"
    assert axes[3].get_lines()[0].get_xdata()[0] < 0.0
