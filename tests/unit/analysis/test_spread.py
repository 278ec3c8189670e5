"""Samples of toleranced parts: reproducible, right against derivatives and against time stepping."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.optimize import brentq
from scipy.stats import binomtest

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.given import given_parts
from loopdesign.analysis.spread.bounds import yield_against_worst_case
from loopdesign.analysis.spread.envelope import envelope
from loopdesign.analysis.spread.figures import per_sample, ranking, share_of, tail_of, worst_of
from loopdesign.analysis.spread.sample import spread
from loopdesign.analysis.spread.sampling import places
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of, variant_converter
from loopdesign.case import parse_case, read_text, write_parts
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import compensation
from loopdesign.corners.tolerances import Varied
from loopdesign.errors import DataError
from loopdesign.orbit.operating_point import operating_point
from loopdesign.report.basics.layout import Display
from loopdesign.report.choice.text import short_corner
from loopdesign.report.spread.plots import READINGS, envelope_figure, histogram_figure, plot_histogram
from loopdesign.report.spread.text import spread_rows, spread_sentences, spread_tables, spread_text
from loopdesign.report.spread.worst_sample import worst_case_text

CASES = Path(__file__).parents[3] / "cases"
PLAIN = """
title = "Fog signal supply"
[converter]
topology = "sepic"
switching_frequency = "300 kHz"
[specification]
input_voltage = [{lines}]
output_voltage = "15 V"
output_current = ["{current}"]
{temperature}
[stage]
L1 = {{ inductance = "22 uH", resistance = "30 mohm"{L1} }}
L2 = {{ inductance = "22 uH", resistance = "30 mohm" }}
Cs = {{ capacitance = "4 uF", esr = "5 mohm"{Cs} }}
{damper}
Co = {{ capacitance = "100 uF", esr = "10 mohm"{Co} }}
switch = {{ resistance = "20 mohm" }}
diode = {{ drop = "0.5 V", resistance = "20 mohm" }}
[modulator]
scheme = "peak current"
sense_gain = "50 mV/A"
slope = "27 mV/us"
max_duty = 0.9
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"
{amplifier}
[divider]
lower = "10 kohm"
{divider}
[compensation]
R1 = "3.3 kohm"
C1 = "22 nF"
C2 = "470 pF"
{compensation}
[targets]
distribution = "{law}"
"""
DAMPER = 'damper = { resistance = "2.2 ohm", capacitance = "22 uF" }'


def build(lines='"12 V"', damper=DAMPER, law="uniform", current="1.25 A", **parts):
    keys = dict.fromkeys(("L1", "Cs", "Co", "amplifier", "divider", "compensation", "temperature"), "") | parts
    return parse_case(PLAIN.format(lines=lines, damper=damper, law=law, current=current, **keys), "fog signal")


def everything(**more):
    return build(
        lines='"12 V", "24 V"', L1=', tolerance = "20 %"', Cs=', tolerance = "10 %"',
        Co=', tolerance = "20 %", esr_tolerance = "50 %"', amplifier='gm_tolerance = "20 %"\nreference_tolerance = "1 %"',
        divider='tolerance = "1 %"', compensation='resistor_tolerance = "1 %"\ncapacitor_tolerance = "10 %"', **more,
    )  # fmt: skip


@pytest.fixture(scope="module")
def result():
    return spread(everything(), 1100, seed=3)


def readings(found):
    return [
        getattr(found, n)
        for n in (
            "crossover_hz",
            "phase_margin_deg",
            "gain_margin_db",
            "modulus_margin",
            "largest_multiplier",
            "stable",
        )
    ]


@pytest.mark.nightly
def test_a_seed_repeats_bit_for_bit_on_one_thread_and_on_two():
    case = everything()
    with ThreadPoolExecutor(1) as one, ThreadPoolExecutor(2) as two:
        found = [spread(case, 600, seed=5, executor=e) for e in (one, two, None)]
    for other in found[1:]:
        for a, b in zip(readings(found[0]), readings(other), strict=True):
            np.testing.assert_array_equal(a, b)
    assert not np.array_equal(found[0].phase_margin_deg, spread(case, 600, seed=6).phase_margin_deg)


def test_more_samples_begin_with_the_fewer():
    np.testing.assert_array_equal(places(7, 300, 2), places(7, 1000, 2)[:300])


def test_without_tolerances_all_samples_coincide_with_the_check():
    """Every sample is the nominal converter, whose margins assess finds by another route: refined crossings."""
    case = build(lines='"12 V", "24 V"')
    found = spread(case, 400)
    assert found.varied == ()
    exact = examine(case, found.parts)
    for c, m in enumerate(exact.margins):
        assert np.ptp(found.phase_margin_deg[:, c]) == 0.0
        assert found.crossover_hz[0, c] == pytest.approx(m.crossover_hz, rel=1e-3)
        assert found.phase_margin_deg[0, c] == pytest.approx(m.phase_margin_deg, abs=0.1)
        assert found.gain_margin_db[0, c] == pytest.approx(m.gain_margin_db, abs=0.02)
        assert found.modulus_margin[0, c] == pytest.approx(m.modulus_margin, rel=1e-3)
        assert found.largest_multiplier[0, c] == pytest.approx(exact.verdicts[c].largest_multiplier, rel=1e-9)
    assert "all samples are alike" in spread_text(found)
    assert spread_rows(found)["ranking"] == []


def test_one_part_spread_agrees_with_the_derivative():
    """Slope over the samples against a central difference of refined margins of two case files."""
    case = build(Co=', tolerance = "2 %"')
    found = spread(case, 256)
    assert [r.name for r in found.ranking] == ["Co.capacitance"]
    ends = []
    for sign in (1, -1):
        co = case.stage.Co[0].model_copy(update={"capacitance": 100e-6 * (1 + 0.02 * sign)})
        other = case.model_copy(update={"stage": case.stage.model_copy(update={"Co": (co,)})})
        ends.append(examine(other, found.parts).margins[0])
    # the reading by interpolation is within 0.1 degree; its error is alike at neighbouring crossovers
    assert found.ranking[0].slope_deg == pytest.approx(
        (ends[0].phase_margin_deg - ends[1].phase_margin_deg) / 2, rel=0.05
    )
    shift = np.polyfit(found.places[:, 0], found.crossover_hz[:, 0], 1)[0]
    assert shift == pytest.approx((ends[0].crossover_hz - ends[1].crossover_hz) / 2, rel=0.02)


def test_samples_agree_with_checks_of_their_own_case_files(result):
    """The worst sample and two others, written out as cases and examined to the last digit."""
    text = PLAIN.format(
        lines='"12 V", "24 V"', damper=DAMPER, law="uniform", L1=', tolerance = "20 %"', Cs=', tolerance = "10 %"',
        Co=', tolerance = "20 %", esr_tolerance = "50 %"', amplifier='gm_tolerance = "20 %"\nreference_tolerance = "1 %"',
        divider='tolerance = "1 %"', compensation='resistor_tolerance = "1 %"\ncapacitor_tolerance = "10 %"', temperature="", current="1.25 A",
    )  # fmt: skip
    for sample, condition in (result.worst_sample, (7, 0), (90, 1)):
        case = parse_case(worst_case_text(text, result, sample, condition), "sample")
        exact = examine(case, {k: v for k, v in case.compensation.parts.items() if v is not None})
        assert len(exact.margins) == 1
        assert result.crossover_hz[sample, condition] == pytest.approx(exact.margins[0].crossover_hz, rel=2e-3)
        assert result.phase_margin_deg[sample, condition] == pytest.approx(exact.margins[0].phase_margin_deg, abs=0.1)
        assert result.largest_multiplier[sample, condition] == pytest.approx(
            exact.verdicts[0].largest_multiplier, rel=1e-9
        )


def stepped(point, start, cycles):
    """Step the nonlinear converter cycle by cycle: exponentials, comparator edge by root search, no linearisation."""
    on, off = point.network.configurations[:2]
    u = point.inputs[0]
    n = len(start)
    th = point.problem.threshold
    N = []
    for c in (on, off):
        M = np.zeros((n + 1, n + 1))
        M[:n, :n], M[:n, n] = c.A[0], c.B[0] @ u
        N.append(M)
    # the trim is the reference: it is among the inputs, as the threshold's own rows need it
    constant = float(th.row_input[0] @ u)
    x, path = start.copy(), []
    for _ in range(cycles):

        def gap(t, x=x):
            at = expm(N[0] * t) @ np.append(x, 1.0)
            return float(th.row_state[0] @ at[:n] + constant + th.ramp[0] * t)

        grid = np.linspace(0.0, 0.98, 50)
        signs = np.array([gap(t) for t in grid])
        above = np.flatnonzero(signs >= 0.0)
        t = 0.98 if not len(above) else brentq(gap, grid[max(above[0] - 1, 0)], grid[max(above[0], 1)], xtol=1e-14)
        middle = expm(N[0] * t) @ np.append(x, 1.0)
        x = (expm(N[1] * (1.0 - t)) @ middle)[:n]
        path.append(x)
    return np.array(path)


def test_a_sample_flagged_unstable_diverges_in_time_stepping_and_a_stable_one_returns():
    """The undamped SEPIC near its limit: the coupling capacitor's own tolerance decides."""
    case = build(lines='"9.5 V"', damper="", Cs=', tolerance = "60 %"', L1=', tolerance = "30 %"')
    found = spread(case, 200, seed=2)
    assert 0 < found.unstable.count < 200
    size = found.largest_multiplier[:, 0]
    moderate = np.abs(np.log(size))
    for flagged in (True, False):
        group = np.flatnonzero((~found.stable[:, 0] == flagged) & (moderate < 0.2))
        sample = int(group[np.argmax(moderate[group])]) if flagged else int(group[np.argmin(size[group])])
        corners = found.sample_corners_of(np.array([sample]), 0)
        base = base_of(case, found.parts, examine_stage(case, found.conditions))
        converter = variant_converter(base, corners, np.array([0]))
        point = operating_point(converter.closed(compensation(case, found.parts, corners)), base.guess)
        assert not point.discontinuous[0]
        kick = 1e-8 * np.abs(point.start[0]).max() * np.sin(np.arange(1, point.start.shape[1] + 1))
        departures = np.linalg.norm(stepped(point, point.start[0] + kick, 240) - point.start[0], axis=1)
        late, early = departures[180:].max(), departures[:60].max()
        assert (late > 1.5 * early) if flagged else (late < early)
        if flagged:
            # still small enough to be linear, so the growth per cycle is the multiplier's
            assert departures.max() < 1e-2 * np.linalg.norm(point.start[0])
            rate = np.polyfit(np.arange(80, 240), np.log(departures[80:]), 1)[0]
            assert rate == pytest.approx(np.log(size[sample]), rel=0.05)


def test_capacitors_of_one_lot_vary_together():
    text = read_text(CASES / "tide_gauge_sepic.toml").replace(
        'tolerance = "20 %" },\n    { capacitance = "10 uF"',
        'tolerance = "20 %", lot = "A" },\n    { lot = "A", capacitance = "10 uF"',
    )
    case = parse_case(write_parts(text, {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9}), "lots")
    found = spread(case, 32)
    assert "lot A capacitance" in [v.name for v in found.varied]
    factors = found.sample_corners_of(np.arange(32), 0).factors
    np.testing.assert_allclose(
        (factors["Co1.capacitance"] - 1) / 0.2, (factors["Co2.capacitance"] - 1) / 0.1, rtol=1e-12
    )


def test_distributions_have_their_moments():
    """Uniform: standard deviation 1/sqrt 3 of the tolerance. Normal: a third, and 99.73 % inside."""
    even, bell = places(3, 4096, 1), places(3, 4096, 1, "normal")
    np.testing.assert_allclose(even.std(axis=0), 1 / np.sqrt(3), rtol=2e-3)
    np.testing.assert_allclose(bell.std(axis=0), 1 / 3, rtol=1e-2)
    assert np.mean(np.abs(bell) < 1.0) == pytest.approx(0.9973, abs=5e-4)
    assert np.abs(even).max() <= 1.0


def test_a_wide_normal_spread_keeps_parts_positive():
    case = build(law="normal", Co=', tolerance = "99 %"')
    found = spread(case, 512)
    assert found.sample_corners_of(np.arange(512), 0).factors["Co.capacitance"].min() > 0.0


def test_share_has_the_exact_binomial_interval():
    """Against scipy's own binomial test, method exact."""
    for k in (0, 3, 250):
        has = np.arange(250) < k
        found, other = share_of(has), binomtest(k, 250).proportion_ci(0.95, "exact")
        assert (found.low, found.high) == pytest.approx((other.low, other.high), abs=1e-9)
        assert found.value == k / 250


def test_ranking_of_a_known_sum():
    drawn = places(3, 1024, 4)
    made = ranking(("a", "b", "c"), drawn, 50.0 + 3.0 * drawn[:, 1] - 1.0 * drawn[:, 0])
    assert [r.name for r in made] == ["b", "a", "c"]
    assert made[0].slope_deg == pytest.approx(3.0, rel=1e-9)
    assert made[0].share == pytest.approx(0.9, rel=1e-2)
    assert ranking(("a",), drawn[:2, :1], np.array([np.nan, 1.0])) == ()


def test_tails_and_worst_values():
    values = np.arange(2000.0)
    assert tail_of(values, 0.999, high_is_bad=False) == 2.0
    assert tail_of(values, 0.999, high_is_bad=True) == 1997.0
    assert tail_of(values[:900], 0.999, high_is_bad=True) is None
    assert worst_of(np.array([np.nan]), high_is_bad=True) is None
    np.testing.assert_array_equal(
        per_sample(np.array([[1.0, np.nan], [np.nan, np.nan]]), high_is_bad=True), [1.0, np.nan]
    )


def test_yield_lies_between_nominal_and_all_extremes(result):
    for b in yield_against_worst_case(result):
        if None in (b.nominal, b.ends, b.tail, b.worst):
            continue
        sign = -1.0 if b.high_is_bad else 1.0
        ladder = [sign * v for v in (b.ends, b.worst, b.tail, b.nominal)]
        # readings by interpolation; the ends are worst of all by sensitivities, the samples never beyond them here
        assert all(low <= high + 2e-3 * abs(high) for low, high in pairwise(ladder))


def test_a_variant_that_cannot_reach_its_output_counts_as_out_of_reach():
    case = build(lines='"12 V"', temperature='temperature = ["25 degC"]')
    one = Corners(input_voltage=np.array([12.0]), load_current=np.array([1.25]), temperature=np.array([25.0]))
    base = base_of(case, {"R1": 3300.0, "C1": 22e-9, "C2": 470e-12}, examine_stage(case, one))
    corners = Corners(
        input_voltage=np.array([12.0, 12.0, 12.0]), load_current=np.full(3, 1.25), temperature=np.full(3, 25.0),
        factors={"reference": np.array([1.0, 30.0, 1.01])},
    )  # fmt: skip
    judged = judge(base, corners, np.zeros(3, int))
    assert judged.reached.tolist() == [True, False, True]
    assert judged.stable.tolist() == [True, False, True]
    assert np.isfinite(judged.phase_margin_deg[[0, 2]]).all()


def test_discontinuous_and_mixed_samples_match_the_check():
    """At a light load near the boundary samples fall on both sides of it."""
    light = build(current="0.45 A", L1=', tolerance = "40 %"')
    found = spread(light, 64)
    from loopdesign.corners.converters import solved

    corners = found.sample_corners_of(np.arange(64), 0)
    modes = solved(light, corners)[1].discontinuous
    assert 0 < modes.sum() < 64
    exact = examine(light, found.parts, examine_stage(light, corners))
    for k in range(64):
        assert found.crossover_hz[k, 0] == pytest.approx(exact.margins[k].crossover_hz, rel=3e-3)
        assert found.phase_margin_deg[k, 0] == pytest.approx(exact.margins[k].phase_margin_deg, abs=0.15)
        assert found.largest_multiplier[k, 0] == pytest.approx(exact.verdicts[k].largest_multiplier, rel=1e-7)


@pytest.mark.parametrize("count", [0, -5])
def test_too_few_samples_are_refused(count):
    with pytest.raises(DataError, match="at least 1"):
        spread(build(), count)
    with pytest.raises(DataError, match="must be from 1"):
        places(2, count, 1)


def test_a_negative_seed_and_open_parts_are_refused():
    with pytest.raises(DataError, match="must not be negative"):
        places(2, 10, -1)
    case = build()
    with pytest.raises(DataError, match="leaves C1 open"):
        spread(case.model_copy(update={"compensation": case.compensation.model_copy(update={"C1": None})}))
    with pytest.raises(DataError, match="slope is open"):
        spread(case.model_copy(update={"modulator": case.modulator.model_copy(update={"slope": None})}))


def test_progress_counts_every_item():
    seen = []
    spread(everything(), 300, progress=lambda done, total: seen.append((done, total)))
    assert seen[-1] == (600, 600)
    assert [d for d, _ in seen] == sorted(d for d, _ in seen)


def test_text_rows_and_markdown_carry_the_verdict(result):
    text, rows = spread_text(result), spread_rows(result)
    off = result.off_target.count
    assert text.splitlines()[2].startswith("Verdict: ")
    assert text.splitlines()[-1].startswith(f"{off} of 1100 samples are unstable or miss a target at one or more of ")
    assert json.loads(json.dumps(rows, allow_nan=False))["samples"] == 1100
    assert rows["unstable"]["count"] == result.unstable.count
    assert rows["conditions"][0]["phase_margin_deg"]["q50"] == pytest.approx(np.median(result.phase_margin_deg[:, 0]))
    assert rows["conditions"][0]["phase_margin_deg"]["q99.9"] is not None
    assert [c.heading for c in spread_tables(result)[1].columns][:2] == ["reading", "limit"]
    assert spread_text(result, display=Display(ascii_only=True, details=True)).isascii()
    assert sum(r["share"] for r in rows["ranking"]) == pytest.approx(1.0)


def test_plots_show_limits_counts_and_bands(result):
    figure = histogram_figure(result)
    assert f"{result.samples} samples" in figure.get_suptitle()
    for index, (name, *_rest) in enumerate(READINGS):
        ax = plot_histogram(result, index)
        heights = sum(bar.get_height() for bar in ax.patches)
        assert heights == np.isfinite(getattr(result, name)).any(axis=1).sum()
        assert ax.texts[0].get_text().startswith(("at most", "at least"))
    band = envelope(result, 0)
    assert (np.diff(band.magnitude_db, axis=0) >= -1e-9).all()
    figure = envelope_figure(result, band)
    assert [t.get_text() for t in figure.axes[0].get_legend().get_texts()] == ["all samples", "90 % of them", "median"]
    assert "all stable" in figure.get_suptitle()


def test_ratings_are_said_to_be_left_out_where_there_are_any(result):
    told = "ratings are not held against the samples"
    assert not any(told in x for x in spread_sentences(result))
    rated = result.case.model_copy(update={"ratings": result.case.ratings.model_copy(update={"L1_current": 5.0})})
    assert any(told in x for x in spread_sentences(replace(result, case=rated)))


def test_a_cause_of_next_to_nothing_is_told_without_digits(result):
    least = replace(result, ranking=(*result.ranking[:1], replace(result.ranking[0], share=6.3e-8)))
    (table,) = [t for t in spread_tables(least) if t.title.startswith("What moves")]
    assert table.rows[-1][-1] == "below 0.01 %"


def test_a_reading_that_no_sample_has_keeps_a_plain_axis(result, tmp_path):
    """The limit alone makes no range: no ticks a thousandth apart, and no half samples."""
    none = replace(result, phase_margin_deg=np.full_like(result.phase_margin_deg, np.nan))
    figure = histogram_figure(none)
    figure.savefig(tmp_path / "empty.png")
    ax = figure.axes[1]
    assert ax.texts[0].get_text() == "no sample has this reading"
    ticks = [t for t in ax.get_xticks() if ax.get_xlim()[0] <= t <= ax.get_xlim()[1]]
    assert all(t % 5.0 == 0.0 for t in ticks)
    assert len(ticks) > 2
    assert len(ax.get_yticks()) == 0
    few = replace(result, stable=result.stable & (np.arange(len(result.stable)) < 2)[:, None])
    for panel in histogram_figure(few).axes:
        assert all(t == round(t) for t in panel.get_yticks())


def test_long_corner_names_are_shortened():
    assert short_corner("8 V, 0.1 A") == "8 V, 0.1 A"
    long = "phase margin at 8 V, 0.1 A with a +1 %, b -2 %, c +3 % (55.1 deg)"
    assert short_corner(long) == "phase margin at 8 V, 0.1 A with 3 values at their ends (55.1 deg)"


def test_factors_of_uneven_ends():
    v = Varied(name="transfer ratio", ends={"transfer_ratio": (-0.2, 0.6)})
    np.testing.assert_allclose(v.factors(np.array([-1.0, -0.5, 0.0, 1.0]))["transfer_ratio"], [0.8, 0.9, 1.0, 1.6])


def test_guess_of_the_base_is_the_nominal_point():
    case = build()
    one = Corners(input_voltage=np.array([12.0]), load_current=np.array([1.25]), temperature=np.array([25.0]))
    base = base_of(case, {}, examine_stage(case, one))
    assert len(base.guess) == 1
    assert base.guess.ends[0, 0] == pytest.approx(examine_stage(case).point.duty[0], rel=1e-9)


def test_unstable_samples_show_no_margins_and_say_so():
    """Margins of an unstable loop mean nothing: they stay out of every figure, and the words tell of them."""
    found = spread(build(lines='"9.5 V"', damper="", Cs=', tolerance = "60 %"', L1=', tolerance = "30 %"'), 120, seed=2)
    assert found.unstable.count > 0
    assert np.isnan(found.reading("phase_margin_deg")[~found.stable]).all()
    text = spread_text(found)
    assert "UNSTABLE" in text
    assert f"unstable: {found.unstable.count} of 120" in text
    assert re.search(r"crossover +[\d.]+ kHz", text)  # in engineering notation, not 1.289e+04 Hz
    assert found.worst_sample[0] in np.flatnonzero(~found.stable[:, 0])
    assert f"{found.unstable.count} UNSTABLE" in histogram_figure(found).get_suptitle()
    assert not spread_rows(found)["verdict"]["stable"]


def test_any_executor_will_do():
    """Processes as well as threads: everything handed over can be pickled, and the bits are the same."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    case = everything()
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as processes:
        found = spread(case, 64, executor=processes)
    np.testing.assert_array_equal(found.phase_margin_deg, spread(case, 64).phase_margin_deg)


def test_samples_that_are_not_held_fail_with_their_word():
    """A clamp 8 % above what nominal parts need, a sense gain within 20 %: some samples need more; by hand of the gain."""
    text = write_parts(read_text(CASES / "tide_gauge_sepic.toml"), {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9})
    text = text.replace('sense_gain = "60 mV/A"', 'sense_gain = "60 mV/A"\nsense_gain_tolerance = "20 %"')
    free = parse_case(text, "free")
    needed = max(c.control_voltage for c in examine(free, given_parts(free)).corners)
    clamp = f'reference = "1.2 V"\nclamp = {{ min = "0 V", max = "{1.08 * needed:.5f} V" }}'
    found = spread(parse_case(text.replace('reference = "1.2 V"', clamp), "clamped"), samples=64)
    assert set(found.not_held) == {"clamp"}
    assert 0 < found.not_held["clamp"] < 64
    assert found.unstable.count >= found.not_held["clamp"]
    assert found.off_target.count >= found.unstable.count
    held = (found.held == 0).all(axis=1)
    gain = found.places[:, [v.name for v in found.varied].index("sense_gain")]
    assert gain[~held].min() > 0.2  # the ramp and the ripple take their share of the 8 %
    assert gain[~held].mean() > gain[held].mean() + 0.5
    assert spread_rows(found)["not_held"] == found.not_held
    text = spread_text(found)
    assert f"not held or out of reach: clamp {found.not_held['clamp']}" in text
    assert found.stable[found.held == 0].all()
    assert "Verdict: NOT HELD in" in text  # none of them grows, so none is called unstable
    assert "unstable" not in text.lower()
    worst = int(np.argmin(found.stable.sum(axis=0)))
    lost = int((~found.stable[:, worst]).sum())
    band = envelope(found, worst)
    assert (band.samples, band.stable, band.unstable) == (64, 64 - lost, 0)
    for figure, counted in ((histogram_figure(found), found.unstable.count), (envelope_figure(found, band), lost)):
        assert f": {counted} NOT HELD" in figure.get_suptitle().replace("\n", " ")
        assert "UNSTABLE" not in figure.get_suptitle()
    both = envelope_figure(found, replace(band, unstable=1)).get_suptitle().replace("\n", " ")
    assert f": 1 UNSTABLE, {lost - 1} NOT HELD" in both


def test_ranking_is_about_the_condition_where_samples_are_worst():
    """Undamped: nominal parts have the least phase margin at 8 V, 0.1 A, but at 8 V, 1.2 A samples oscillate."""
    text = read_text(CASES / "tide_gauge_sepic_undamped.toml").replace('"8 V"', '"13.5 V"').replace('"13 V"', '"14 V"')
    found = spread(parse_case(text, "undamped"), samples=128)
    shaky = np.count_nonzero(~found.stable, axis=0)
    assert shaky.max() > 0
    assert int(np.nanargmin(found.nominal.phase_margin_deg)) != int(np.argmax(shaky))
    assert found.ranked_condition == int(np.argmax(shaky))


def test_half_of_the_samples_lie_on_either_side_of_uneven_tolerances():
    cause = Varied(name="Co.capacitance", ends={"Co.capacitance": (-0.2, 0.8)})
    for distribution in ("uniform", "normal"):
        factor = cause.factors(places(1, 4096, 1, distribution)[:, 0])["Co.capacitance"]
        assert np.mean(factor < 1.0) == pytest.approx(0.5, abs=1e-3)
        # a quarter of the samples beyond half of either end (uniform), a fifteenth beyond it (normal: 1.5 sigma)
        share = 0.25 if distribution == "uniform" else 0.0668
        assert np.mean(factor < 0.9) == pytest.approx(share, abs=2e-3)
        assert np.mean(factor > 1.4) == pytest.approx(share, abs=2e-3)
