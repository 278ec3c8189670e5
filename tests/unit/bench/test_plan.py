"""The bench plan: predicted points are the exact loop's, and what it says of injection follows from closed forms."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.check import examine
from loopdesign.analysis.given import given_parts
from loopdesign.bench.plan import MOVED, bench_plan, planned_corners
from loopdesign.case import load_case, parse_case
from loopdesign.models.switched import loop_gain

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
FLYBACK = {"R1": 45.3e3, "C1": 68e-9, "C2": 3.9e-9}


@pytest.fixture(scope="module")
def examined():
    case = load_case(UNDAMPED)
    return examine(case, given_parts(case))


@pytest.fixture(scope="module")
def plan(examined):
    return bench_plan(examined)


def test_points_are_those_of_the_exact_loop_at_stable_corners(examined, plan):
    assert len(plan.frequencies_hz) == 12
    assert np.all(np.diff(plan.frequencies_hz) > 0.0)
    assert plan.frequencies_hz[-1] < examined.case.converter.switching_frequency / 2.0
    for k, (item, reason) in enumerate(plan.corners):
        assert examined.verdicts[item].stable
        assert reason
        np.testing.assert_allclose(
            plan.loop[k], loop_gain(examined.closed_loop, plan.frequencies_hz)[item], rtol=1e-9
        )  # fmt: skip
        crossover = examined.margins[item].crossover_hz
        assert plan.frequencies_hz[0] < crossover < plan.frequencies_hz[-1]


def test_an_oscillating_corner_is_never_measured(examined):
    verdicts = tuple(replace(v, stable=False) for v in examined.verdicts)
    assert planned_corners(replace(examined, verdicts=verdicts)) == ()
    assert bench_plan(replace(examined, verdicts=verdicts)) is None


def test_no_loop_no_plan():
    text = UNDAMPED.read_text(encoding="utf-8")
    case = parse_case(text[: text.index("[error_amplifier]")], "case.toml")
    assert bench_plan(examine(case, {})) is None


def test_ratio_of_a_divider_before_a_transconductance_amplifier(examined, plan):
    """Looking forward: both resistors in series, 115 kohm + 10 kohm. Looking back: the bank alone at high frequencies,
    120 uF + 15 mohm beside 10 uF at 60 % + 3 mohm, and never more than the lightest load of 15 V / 0.1 A."""
    back = plan.impedance_ratio * 125e3
    s = 2j * np.pi * plan.frequencies_hz[-1]
    bank = 1.0 / (1.0 / (15e-3 + 1.0 / (s * 120e-6)) + 1.0 / (3e-3 + 1.0 / (s * 6e-6)))
    np.testing.assert_allclose(back[:, -1], abs(bank), rtol=0.05)
    assert np.all(back < 150.0)


def test_error_is_what_the_injected_voltages_read(plan):
    """Middlebrook 1975 (from memory): Tv = T (1 + r) + r, written out for a ratio of that size and any phase."""
    r, T = plan.impedance_ratio, plan.loop
    for phase in (1.0, 1j, -1.0):
        read = T * (1.0 + r * phase) + r * phase
        np.testing.assert_allclose(np.abs(read / T - 1.0), plan.error, rtol=1e-6)


def test_injection_moves_the_control_voltage_by_a_twentieth(examined, plan):
    """By a signal-flow graph: injected v, divider side x = -v / (1 + T), control -C x; C = T / P."""
    from loopdesign.models.switched import control_to_output

    for k, (item, _) in enumerate(plan.corners):
        hz = np.array([plan.most_injected_hz[k]])
        T = loop_gain(examined.closed_loop, hz)[item]
        P = control_to_output(examined.stage.model, hz)[item]
        moved = plan.most_injected_v[k] * np.abs(T / P / (1.0 + T))[0]
        # plant times compensator leaves out the ripple at the comparator: 3 % here
        assert moved == pytest.approx(MOVED * float(examined.stage.point.trim[item]), rel=0.05)


def test_light_source_fed_from_the_output_loads_the_injection():
    """The regulator drives the LED so that its current follows the output: far below the resistors alone."""
    case = load_case(CASES / "echo_sounder_flyback.toml")
    found = examine(case, FLYBACK)
    fed = bench_plan(found)
    amplifier = case.error_amplifier.model_copy(update={"led_supply": 12.0})
    apart = bench_plan(replace(found, case=case.model_copy(update={"error_amplifier": amplifier})))
    assert np.all(fed.impedance_ratio > 5.0 * apart.impedance_ratio)


def test_regulated_current_before_an_amplifier_without_input_current_is_not_loaded():
    case = load_case(CASES / "navigation_light_sepic.toml")
    plan = bench_plan(examine(case, {"R1": 1330.0, "C1": 22e-9, "C2": 3.3e-9}))
    assert np.all(plan.impedance_ratio == 0.0)
    assert np.all(plan.error == 0.0)
