"""Boundary of light load and output characteristic, against ``solve_ivp`` with events on a boost written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lightboost import Boost, case_of
from oraclecases import write_case

from loopdesign.analysis.regimes.boundary import load_boundary
from loopdesign.case import load_case
from loopdesign.front.explore.loads import loads

VIN, LIMIT = 16.0, 0.33


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """The loads of a boost with a small output capacitor, which comes to rest soon, at two input voltages."""
    boost = Boost(vin=VIN, load=24.0, C=10e-6, limit=LIMIT)
    given = case_of(boost, loads=[0.05, 1.0], turn_off_delay=150e-9, current_limit=LIMIT)
    given["specification"]["input_voltage"] = [9.0, VIN]
    return boost, loads(write_case(given, tmp_path_factory.mktemp("c") / "c.toml"))


def characteristic(boost, point, line, cycles):
    """Step the judge with its control voltage far above the limit, at the load resistance of a point."""
    resistance = point.output_voltage_v / point.output_current_a
    judge = replace(boost, vin=line, load=resistance, control=10.0, outputs=[])
    z = [point.switch_peak_a * 0.8, point.output_voltage_v, 0.0, 10.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    states, _ = judge.run(z, cycles)
    return judge, states


def test_points_that_are_stable_are_the_judges(followed):
    """Output, current and input power of a point in the middle; nothing of the judge's energy is missing."""
    boost, found = followed
    curve = next(c for c in found.overload if c.input_voltage == VIN)
    point = curve.points[4]
    assert (point.stable, point.ended) == (True, "current limit")
    judge, states = characteristic(boost, point, VIN, 260)
    assert abs(judge.missing_energy(states)) < 1e-6
    assert abs(point.energy_error) < 1e-5
    assert point.input_power_w - point.loss_w == pytest.approx(
        point.output_voltage_v * point.output_current_a, rel=1e-3
    )
    late = (states[-1] - states[-61]) / (60 / boost.fs)
    assert point.output_voltage_v == pytest.approx(late[4], rel=1e-5)
    assert point.input_power_w == pytest.approx(late[6], rel=1e-4)
    assert point.loss_w == pytest.approx(late[8], rel=1e-3)
    assert states[-60:, 0].max() < point.switch_peak_a


@pytest.mark.nightly
def test_a_point_that_is_unstable_is_as_stepped(followed):
    """Over half duty and without a ramp on the limit the orbit is subharmonic; the judge's mean is the stepped one."""
    boost, found = followed
    curve = next(c for c in found.overload if c.input_voltage == 9.0)
    point = next(p for p in curve.points if p.duty < 0.6)
    assert (point.stable, point.held) == (False, None)
    assert point.largest_multiplier == pytest.approx(point.duty / (1.0 - point.duty), rel=0.1)
    _, states = characteristic(boost, point, 9.0, 500)
    mean = (states[-1][4] - states[-301][4]) / (300 / boost.fs)
    assert abs(mean / point.output_voltage_v - 1.0) > 0.01
    assert point.stepped_voltage_v == pytest.approx(mean, rel=0.005)
    assert "the shortest pulse of 150 ns brings more current than the off-time takes away" in curve.reason


def test_light_load_just_above_and_below_the_boundary(tmp_path):
    """With the shortest pulse forced, the judge's output is below its target just above the boundary, and the reverse."""
    boost = Boost(vin=VIN, load=24.0, C=50e-9)
    path = write_case(case_of(boost, loads=[0.02, 1.0], turn_off_delay=150e-9), tmp_path / "c.toml")
    least = float(load_boundary(load_case(path), {}, np.array([VIN])).least_load_a[0])
    period = 1.0 / boost.fs
    for share in (-1e-3, 1e-3):
        forced = replace(boost, load=24.0 / (least * (1.0 + share)), control=0.0)
        z = np.array([0.0, 24.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
        area = [0.0]
        for _ in range(360):  # eight times what the output needs to come to a third of the way
            z, _, _ = forced.go("on", z, 0.0, 150e-9)
            z, off, _ = forced.go("off", z, 150e-9, period - 150e-9, lambda _t, y: -y[0])
            z[0] = 0.0
            z, _, _ = forced.go("idle", z, 0.0, period - 150e-9 - off)
            area.append(z[4])
        mean = (area[-1] - area[-41]) / (40 * period)
        # a pulse of fixed length carries V/(V - Vin) of its energy, so that V (V - Vin) goes with the load resistance
        assert mean == pytest.approx(24.0 - share / (1.0 / 24.0 + 1.0 / (24.0 - VIN)), abs=6e-4)
