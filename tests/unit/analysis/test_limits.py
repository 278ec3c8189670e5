"""The one rule for what fails: hand-made readings, and one crossover limit wherever a case is examined."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.limits import UNSTABLE, Limit, Limits, hardly_regulated, limits_of, missed_limits
from loopdesign.analysis.readings import Readings
from loopdesign.analysis.spread.sample import spread
from loopdesign.case import parse_case
from loopdesign.corners.converters import base_corners
from loopdesign.errors import NoDesignError
from loopdesign.report.basics.status import missed as missed_words
from loopdesign.synthesis.choice import choose

TEXT = (Path(__file__).parents[3] / "cases" / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
PARTS = {"R1": 4.32e3, "C1": 68e-9, "C2": 1e-9}
NAN = np.nan


def limits(**values):
    asked = {"phase_margin": 50.0, "gain_margin": 10.0, "modulus_margin": 0.5, "crossover_limit": 4e3} | values
    rows = []
    for name, value in asked.items():
        reading = {"phase_margin": "phase_margin_deg", "gain_margin": "gain_margin_db"}.get(name, name)
        reading = "crossover_hz" if name.startswith("crossover") else reading
        unit = {"phase_margin_deg": "deg", "gain_margin_db": "dB", "crossover_hz": "Hz"}.get(reading, "")
        rows.append(
            Limit(
                name=name, words=name.replace("_", " "), reading=reading, value=value, unit=unit, source="test",
                is_highest=name in {"crossover", "crossover_limit"},
            )
        )  # fmt: skip
    return Limits(rows=tuple(rows))


def readings(crossover=3e3, phase=60.0, gain=12.0, modulus=0.6, multiplier=0.9, stable=None):
    columns = np.broadcast_arrays(*(np.asarray(x, float) for x in (crossover, phase, gain, modulus, multiplier)))
    return Readings(
        crossover_hz=columns[0], phase_margin_deg=columns[1], gain_margin_db=columns[2], modulus_margin=columns[3],
        largest_multiplier=columns[4], stable=columns[4] < 1.0 if stable is None else np.asarray(stable),
    )  # fmt: skip


def test_misses_are_relative_and_by_hand():
    """45 of 50 degrees miss by a tenth, 12 of 10 dB leave a fifth, 5 kHz above 4 kHz miss by a quarter."""
    misses = limits().misses(readings(crossover=[5e3], phase=[45.0], gain=[12.0], modulus=[0.5]))
    assert_allclose([m[0] for m in misses.values()], [0.1, -0.2, 0.0, 0.25], atol=1e-15)


def test_at_the_limit_is_met_and_one_step_beyond_is_not():
    """Exact in floating point: the sign of a difference, not of a quotient."""
    at = readings(crossover=4e3, phase=50.0, gain=10.0, modulus=0.5)
    assert limits().met(at)
    for name, value in (("phase", 50.0), ("gain", 10.0), ("modulus", 0.5)):
        assert not limits().met(readings(**{name: np.nextafter(value, 0.0)}))
    assert not limits().met(readings(crossover=np.nextafter(4e3, 1e9)))


def test_what_does_not_exist():
    """A loop that never reaches -180 degrees passes; one without a crossover fails once, by its crossover."""
    assert limits().met(readings(gain=NAN))
    misses = limits().misses(readings(crossover=NAN, phase=NAN, gain=NAN))
    assert [name for name, m in misses.items() if m > 0.0] == ["crossover_limit"]


def test_instability_outweighs_every_margin_and_grows_with_the_multiplier():
    table = readings(phase=[-170.0, 80.0, 80.0, 80.0], multiplier=[0.9, 1.001, 3.0, np.inf])
    shortfall = limits().shortfall(table)
    assert shortfall[0] == pytest.approx(4.4)
    assert_allclose(shortfall[1:3], [UNSTABLE + 1.001, UNSTABLE + 3.0])
    assert np.all(np.diff(shortfall) > 0.0)
    assert np.isfinite(shortfall).all()


def test_any_shape():
    """Samples times corners go through in one call, element by element as alone."""
    rng = np.random.default_rng(3)
    phase, crossover = rng.uniform(30.0, 70.0, (5, 4)), rng.uniform(2e3, 5e3, (5, 4))
    met = limits().met(readings(phase=phase, crossover=crossover))
    assert_array_equal(met, (phase >= 50.0) & (crossover <= 4e3))
    assert met.shape == (5, 4)


def test_limits_of_zero_ask_for_no_more_than_none():
    """A gain margin of 0 dB asked for is missed by a negative one only."""
    asked = limits(gain_margin=0.0, modulus_margin=0.0)
    assert_array_equal(asked.met(readings(gain=[0.0, 3.0, -0.1], modulus=[0.0, 0.1, 0.2])), [True, True, False])


def test_crossovers_asked_for_bound_both_sides():
    asked = limits(crossover=3e3, crossover_min=1e3)
    assert (asked.crossover_limit_hz, asked.crossover_min_hz) == (3e3, 1e3)
    assert_array_equal(asked.met(readings(crossover=[3e3, 3.1e3, 1e3, 0.9e3, NAN])), [True, False, True, False, False])
    assert limits().crossover_min_hz == 0.0


def test_unknown_limit_names_the_nearest():
    with pytest.raises(KeyError, match="expected phase_margin"):
        limits().value("phase_margins")


def test_sentences_name_the_worst_item_and_tell_numbers_apart():
    """9.9999 dB is not "10 dB is below 10 dB"."""
    told = missed_limits(
        limits(), readings(gain=[9.9999, 11.0], phase=[49.0, 42.0], crossover=[NAN, 5e3]), ("here", "there")
    )
    assert told == (
        "phase margin 42 deg at there is below 50 deg",
        "gain margin 9.9999 dB at here is below 10 dB",
        "crossover 5.00 kHz at there is above 4.00 kHz",
    )


@pytest.fixture(scope="module")
def warm():
    """A boost stage in the beacon, whose right-half-plane zero falls as its winding warms up."""
    text = (Path(__file__).parents[3] / "cases" / "beacon_boost.toml").read_text(encoding="utf-8")
    assert "temperature" not in text.split("[stage]")[0]
    text = text.replace("[specification]", '[specification]\ntemperature = ["-40 degC", "25 degC", "105 degC"]')
    start = text.index('L1 = { inductance = "')
    return parse_case(
        text[:start] + 'L1 = { temperature_coefficient = "3900 ppm/K", ' + text[start + 7 :], "beacon.toml"
    )


def test_one_crossover_limit_wherever_a_case_is_examined(warm):
    """Line and load alone, with temperatures, in check, design and spread: the lowest zero of them all, nominal parts."""
    narrow, wide = examine_stage(warm), examine_stage(warm, base_corners(warm))
    zeros = [[p.right_half_plane_zero_hz for p in s.plants] for s in (narrow, wide)]
    assert min(zeros[1]) < min(zeros[0])  # the temperatures matter here
    expected = min(zeros[1]) / 4.0
    assert expected < warm.converter.switching_frequency / 10.0
    for stage in (None, narrow, wide):
        assert limits_of(warm, stage).value("crossover_limit") == pytest.approx(expected, rel=1e-9)
    parts = {"R1": 10e3, "C1": 47e-9, "C2": 1e-9}
    assert examine(warm, parts).limit("crossover_limit") == pytest.approx(expected, rel=1e-9)
    given = warm.model_copy(update={"compensation": warm.compensation.model_copy(update=parts)})
    assert spread(given, samples=1).limit("crossover_limit") == pytest.approx(expected, rel=1e-9)
    with pytest.raises(NoDesignError, match="above the crossover limit"):
        choose(warm.model_copy(update={"targets": warm.targets.model_copy(update={"crossover": 1.01 * expected})}))


def test_check_and_status_agree_with_the_rule_corner_by_corner():
    """Parts with too little phase margin: the corners marked are those whose readings lie beyond a limit."""
    case = parse_case(TEXT, "case.toml")
    result = examine(case, PARTS | {"R1": 30e3, "C2": 4.7e-9})
    assert not result.targets_met
    for k, m in enumerate(result.margins):
        words = set(missed_words(result, k)) - {"stability", "current loop"}
        expected = {
            "phase margin": m.phase_margin_deg is not None and m.phase_margin_deg < 55.0,
            "gain margin": m.gain_margin_db is not None and m.gain_margin_db < 10.0,
            "modulus margin": m.modulus_margin < 0.5,
            "crossover": m.crossover_hz is None or m.crossover_hz > result.limit("crossover_limit"),
        }
        assert words == {name for name, fails in expected.items() if fails}


def test_a_crossover_asked_for_binds_a_check_as_it_binds_a_design():
    case = parse_case(TEXT.replace('crossover = "auto"', 'crossover = "300 Hz"'), "case.toml")
    result = examine(case, PARTS)
    highest = max(m.crossover_hz for m in result.margins)
    assert highest > 300.0
    assert result.limits["crossover"].source == "case file"
    assert any("is above 300 Hz" in reason for reason in result.reasons)


def test_a_loop_that_hardly_regulates_is_told():
    """A thousandth of 4 kHz is 4 Hz: every corner below it is told, one corner at it is not, nor one without."""
    (word,) = hardly_regulated(limits(), np.array([1.0, 3.9]))
    assert word.startswith(
        "compensation: the loop crosses over at 3.90 Hz at most, less than a thousandth of the 4.00 kHz"
    )
    for crossovers in ([1.0, 4.0], [1.0, NAN], []):
        assert hardly_regulated(limits(), np.array(crossovers)) == ()


def test_a_slip_of_the_prefix_in_the_network_is_told_though_nothing_fails():
    """C1 of 68 mF instead of 68 nF, and R1 of 4.3 ohm: stable, every margin kept, and next to no loop."""
    case = parse_case(TEXT, "x.toml")
    slow = examine(case, {"R1": 4.32, "C1": 68e-3, "C2": 1e-9})
    assert slow.reasons == ()
    assert sum("less than a thousandth" in w for w in slow.warnings) == 1
    assert examine(case, PARTS).warnings == ()
