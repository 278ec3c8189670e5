"""Output characteristics of stages with two rectifiers against hand-written equations integrated with ``solve_ivp``.

The equations are those of `test_two_outputs` and `test_leakage`, derived by hand; no code is shared. The judge is told
the load resistance of a point and the limit, and finds its own periodic orbit by Newton's method on its own period map.
The load at which continuous conduction ends is where the judge's rectifier current just reaches zero at the clock.
"""

from pathlib import Path

import numpy as np
import pytest
from test_leakage import Stage
from test_leakage import T as LEAKY_T
from test_leakage import period as leaky_period
from test_two_outputs import Flyback
from test_two_outputs import period as two_period

import loopdesign as ld
from loopdesign.analysis.regimes.boundary import _followed_down
from loopdesign.case import parse_case
from loopdesign.corners.converters import one_corner

CASES = Path(__file__).parents[2] / "cases"


def followed(name, *changes):
    """The loads of a shipped case with parts of its text changed."""
    text = (CASES / f"{name}.toml").read_text(encoding="utf-8")
    for before, after in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    return ld.loads(parse_case(text, f"{name}.toml"))


@pytest.fixture(scope="module")
def two_outputs():
    return followed(
        "mooring_head_flyback",
        ("max_duty = 0.75", 'max_duty = 0.75\ncurrent_limit = "900 mV"'),
        ('input_voltage = { min = "36 V", nominal = "48 V", max = "60 V" }', 'input_voltage = "48 V"'),
    )


@pytest.fixture(scope="module")
def leaky():
    return followed(
        "ice_radar_flyback",
        ("max_duty = 0.75", 'max_duty = 0.75\ncurrent_limit = "560 mV"'),
        ('input_voltage = { min = "40 V", nominal = "48 V", max = "56 V" }', 'input_voltage = "48 V"'),
    )


def closed(turn, y, free):
    """The state that one period brings back, by Newton's method with differences; what the last period moved."""
    free, y = list(free), np.array(y, float)
    for _ in range(12):
        end = turn(y)[0]
        miss = (end - y)[free]
        if np.abs(miss).max() < 1e-8 * np.abs(y).max():
            break
        columns = []
        for k in free:
            step = np.zeros(len(y))
            step[k] = 1e-4 * max(abs(y[k]), 0.1)
            columns.append((turn(y + step)[0] - end)[free] / step[k])
        y[free] -= np.linalg.solve(np.array(columns).T - np.eye(len(free)), miss)
        y[~np.isin(np.arange(len(y)), free)] = end[~np.isin(np.arange(len(y)), free)]
    return turn(y)


@pytest.mark.parametrize("place", [3, 7])
def test_two_outputs_with_the_limit_at_work(two_outputs, place):
    (curve,) = two_outputs.overload
    point = curve.points[place]
    assert (point.stable, point.ended) == (True, "current limit")
    stage = Flyback(48.0, 1.0, 0.6)
    stage.R = (point.output_voltage_v / point.output_current_a, stage.R[1])

    def turn(y):
        return two_period(stage, y, 1.0 / 150e3, trip=lambda _t, i: 0.2 * i - 0.9)

    _, means = closed(turn, [0.7 * point.switch_peak_a, point.output_voltage_v, point.outputs["logger"]], (0, 1, 2))
    assert point.output_voltage_v == pytest.approx(means[0], rel=2e-6)
    assert point.outputs["logger"] == pytest.approx(means[1], rel=2e-6)
    assert abs(point.energy_error) < 1e-6


@pytest.mark.parametrize("place", [3, 7])
def test_leakage_and_clamp_with_the_limit_at_work(leaky, place):
    (curve,) = leaky.overload
    point = curve.points[place]
    assert (point.stable, point.ended) == (True, "current limit")
    stage = Stage(48.0, 12.0 * point.output_current_a / point.output_voltage_v)

    def turn(y):
        return leaky_period(stage, y, lambda t: 0.56 + 38e3 * t)

    begin = [0.0, 0.7 * point.switch_peak_a, 80.0, point.output_voltage_v]
    _, duty, _, kept = closed(turn, begin, (1, 2, 3))
    assert point.output_voltage_v == pytest.approx(kept[0], rel=2e-6)
    assert point.duty == pytest.approx(duty, rel=2e-6)
    assert point.input_power_w == pytest.approx(kept[2], rel=2e-6)
    assert abs(point.energy_error) < 1e-6


def test_continuous_conduction_of_a_stage_with_leakage_ends_at_its_boundary(leaky):
    """At that load the judge's rectifier carries nothing at the clock; at one a thousandth away a current, or none before.

    Without leakage the same stage ends it where ``V T (1 - D)^2 / (2 L n^2) = I`` (derived for a lossless flyback; common
    practice): within a tenth.
    """
    limit = leaky.to_rows()[0]["continuous_limit_a"]
    lossless = 12.0 * LEAKY_T * (1.0 - 12.0 / 0.36 / (48.0 + 12.0 / 0.36)) ** 2 / (2.0 * 110e-6 * 0.36**2)
    assert limit == pytest.approx(lossless, rel=0.1)
    valleys = []
    for share in (1.001, 1.002):
        stage = Stage(48.0, limit * share)
        y, volts, outputs = np.array([0.0, 0.05, 70.0, 12.0]), [0.40, 0.41], []
        for _ in range(8):  # control voltage at which the judge's own output is 12 V, by the secant method
            vc = volts[len(outputs)]
            y, _, _, kept = closed(lambda z, vc=vc, stage=stage: leaky_period(stage, z, lambda _t: vc), y, (1, 2, 3))
            outputs.append(kept[0])
            if abs(kept[0] - 12.0) < 1e-7:
                break
            if len(outputs) > 1:
                slope = (outputs[-1] - outputs[-2]) / (volts[-1] - volts[-2])
                volts.append(volts[-1] + (12.0 - outputs[-1]) / slope)
        end = y
        valleys.append(end[1])
    first, second = valleys
    assert first > 0.0
    zero = 1.001 - first * 0.001 / (second - first)
    assert zero == pytest.approx(1.0, abs=2e-5)


def test_two_methods_agree_on_where_two_outputs_end_continuous_conduction(two_outputs):
    """The orbit with rectifiers that never open, and true orbits followed down from full load (both ours)."""
    found = two_outputs.to_rows()[0]["continuous_limit_a"]
    corner = one_corner(two_outputs.case, 48.0, 2.0)
    assert _followed_down(two_outputs.case, corner, 2.0)[0] == pytest.approx(found, rel=1e-6)
