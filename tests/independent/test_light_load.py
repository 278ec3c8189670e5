"""Pulses skipped at light load, against ``solve_ivp`` with events on hand-written equations of a boost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lightboost import Boost, case_of
from numpy.testing import assert_allclose
from oraclecases import write_case

from loopdesign.analysis.regimes.skipping import SkippingRun
from loopdesign.case import load_case
from loopdesign.corners.controller import limits_at
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.front.check import check
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import Devices
from loopdesign.orbit.stepping.energy import Ledger

VIN, LOAD = 16.0, 0.002
CYCLES, SETTLED = 420, 180


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """The program's answer at one corner, the judge's run, and the program's own stepping from the judge's start."""
    boost = Boost(vin=VIN, load=24.0 / LOAD)
    path = write_case(case_of(boost, loads=[LOAD, 0.5], turn_off_delay=150e-9), tmp_path_factory.mktemp("c") / "c.toml")
    case = load_case(path)
    light = next(c for c in check(case, nominal=True).corners if c.load_current == LOAD)
    corner = one_corner(case, VIN, LOAD)
    opened, found = solved(case, corner)
    closed = opened.closed(compensation(case, case.compensation.parts, corner))
    point = operating_point(closed, found.sequence)
    boost = replace(boost, reference=float(point.trim[0]))
    states, pulses = boost.run([0.0, 24.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0], CYCLES)
    stepper = CycleStepper(
        closed, dict(zip(point.network.inputs, point.inputs[0], strict=True)), limits_at(case, corner, 0)
    )
    return light, boost, states, pulses, stepper


def test_the_judge_keeps_its_energy(judged):
    _, boost, states, _, _ = judged
    assert abs(boost.missing_energy(states)) < 1e-6


def test_each_period_is_the_judges(judged):
    """The same pulses are skipped, and the states at every clock agree, pauses being passed at once."""
    _, _, states, pulses, stepper = judged
    order = [stepper.states.index(s) for s in ("i(L1)", "v(Co)", "v(compensation C1)", "v(compensation C2)")]
    x = np.zeros(len(stepper.states))
    x[order] = states[0, :4] * stepper.scale[order]
    run = SkippingRun(stepper, x, Devices(switch=False, diode=0))
    run.advance(150)
    ends = np.cumsum([s.periods for s in run.stretches])
    kinds = np.repeat([s.pulse for s in run.stretches], [s.periods for s in run.stretches])
    assert ends[-1] > len(run.stretches), "no pause was passed"
    assert kinds.tolist() == pulses[: ends[-1]].tolist()
    reached = (run.x / stepper.scale)[order]
    assert_allclose(reached, states[ends[-1], :4], rtol=1e-6, atol=1e-8)
    mean = np.diff(states[:, 4]) * stepper.converter.period**-1
    periods = np.array([s.periods for s in run.stretches])
    assert_allclose(periods @ [s.mean for s in run.stretches] / ends[-1], mean[: ends[-1]].mean(), rtol=1e-9)


def test_what_is_told_of_the_bursts(judged):
    """Regime, ripple, bursts and average control voltage, read from the judge's run as it stands."""
    light, boost, states, pulses, _ = judged
    assert (light.stable, light.held, light.regime) == (False, "minimum on-time", "skips pulses")
    told = light.light_load
    late = pulses[SETTLED:]
    begins = np.flatnonzero(late[1:] & ~late[:-1]) + 1
    gaps = np.diff(begins) / boost.fs
    assert told.burst_lowest_hz == pytest.approx(1.0 / gaps.max(), rel=1e-9)
    assert told.burst_highest_hz == pytest.approx(1.0 / gaps.min(), rel=1e-9)
    assert (told.burst_pulses_least, told.burst_pulses_most) == (1, 1)
    whole = states[SETTLED + begins[0]], states[SETTLED + begins[-1]]
    time = (begins[-1] - begins[0]) / boost.fs
    assert told.mean_output_v == pytest.approx((whole[1][4] - whole[0][4]) / time, rel=1e-5)
    assert told.mean_control_v == pytest.approx((whole[1][5] - whole[0][5]) / time, abs=2e-6)
    boost.outputs.clear()
    boost.run(whole[0], 60)
    assert told.ripple_v == pytest.approx(max(boost.outputs) - min(boost.outputs), rel=0.05)


def test_no_margin_is_held_against_a_corner_that_is_not_kept(tmp_path):
    """Targets that every corner misses are told of the corners that are regulated, and of no other."""
    path = write_case(
        case_of(Boost(vin=VIN, load=24.0 / LOAD), loads=[LOAD, 0.5], turn_off_delay=150e-9), tmp_path / "c.toml"
    )
    text = path.read_text(encoding="utf-8")
    path.write_text(f'{text}\n[targets]\nphase_margin = "170 deg"\nmodulus_margin = 0.999\ncrossover_limit = "1 Hz"\n')
    found = check(load_case(path), nominal=True)
    light, full = (f"{VIN:.4g} V, {load:.3g} A" for load in (LOAD, 0.5))
    assert [told for told in found.reasons if f"at {light}" in told] == []
    assert sum(f"at {full} is " in told for told in found.reasons) == 3


@pytest.mark.nightly
def test_a_pulse_that_blanking_forces_lets_the_output_rise(tmp_path):
    """Nothing is skipped with blanking: the output rises to where the judge comes to rest with the shortest pulse."""
    boost = Boost(vin=VIN, load=24.0 / LOAD, C=50e-9)
    path = write_case(case_of(boost, loads=[LOAD, 0.5], blanking=250e-9), tmp_path / "c.toml")
    light = next(c for c in check(load_case(path), nominal=True).corners if c.load_current == LOAD)
    assert (light.stable, light.held, light.regime) == (False, "minimum on-time", "output rises")
    forced, period = replace(boost, control=0.0), 1.0 / boost.fs
    z = np.array([0.0, 0.95 * light.light_load.mean_output_v, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    area = []
    for _ in range(500):  # over two time constants of load and capacitor; the output moves within half of one
        z, _, _ = forced.go("on", z, 0.0, 250e-9)
        z, off, _ = forced.go("off", z, 250e-9, period - 250e-9, lambda _t, y: -y[0])
        z[0] = 0.0
        z, _, _ = forced.go("idle", z, 0.0, period - 250e-9 - off)
        area.append(z[4])
    told = light.light_load.mean_output_v
    assert told > 24.0 * 1.2
    assert (area[-1] - area[-101]) / (100 * period) == pytest.approx(told, rel=1e-3)


@pytest.mark.parametrize("kind", ["resistive", "current", "power"])
def test_energy_of_a_run_that_skips_pulses(tmp_path, monkeypatch, kind):
    """What the source gives is burnt, delivered or stored over whole bursts (Tellegen); without one loss it is not."""
    boost = Boost(vin=VIN, load=24.0 / LOAD)
    path = write_case(case_of(boost, loads=[LOAD, 0.5], turn_off_delay=150e-9), tmp_path / "c.toml")
    text = path.read_text(encoding="utf-8").replace('load = "resistive"', f'load = "{kind}"')
    path.write_text(
        text
        if f'load = "{kind}"' in text
        else f"{text}\n".replace("[specification]", f'[specification]\nload = "{kind}"')
    )

    def error():
        corner = next(c for c in check(load_case(path), nominal=True).corners if c.load_current == LOAD)
        assert corner.regime == "skips pulses"
        return corner.light_load.to_dict()["energy_error"]

    assert abs(error()) < 1e-8
    whole = Ledger.__init__

    def forgetful(self, converter):
        whole(self, converter)
        self.ohms.pop("i(L1)")

    monkeypatch.setattr(Ledger, "__init__", forgetful)
    assert abs(error()) > 1e-5
