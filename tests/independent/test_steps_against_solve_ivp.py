"""Steps stepped edge by edge against scipy's integrator with events on handwritten equations.

The equations are those of ``handwritten.py``; what bounds the controller is written here once more, by hand:

    C2 vc' = clip(gm (vref - vfb), limit) - vc/ro - (vc - v1)/R1 - clamp,
    clamp  = max(vc - high, 0)/1 ohm - max(low - vc, 0)/1 ohm.

The integrator's own error sets the tolerances: relative 1e-12 per step (LSODA), event times by its
own root search; at 1e-10 it is off by 2e-8 where a clamp is at work, and the difference falls with it.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field

import numpy as np
import pytest
from cyclesim import Converter
from numpy.testing import assert_allclose
from oraclecases import trap, write_case
from scipy.integrate import solve_ivp

from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import control_limits
from loopdesign.case import load_case
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.stepping.cycle import CycleStepper

RTOL, CLAMP = 1e-12, 1.0


@dataclass
class Integrated:
    """Cycle by cycle with ``solve_ivp``; ``z`` is the state of ``cyclesim``."""

    conv: Converter
    limit: float = np.inf
    low: float = -np.inf
    high: float = np.inf
    min_on: float = 0.0
    ended: list = field(default_factory=list)

    def rate(self, mode):
        conv, p = self.conv, self.conv.p
        F, vo, at = conv.F[mode], conv.probe[mode]["vo"], conv.at

        def f(_t, z):
            dz = F @ z
            drive = p.gm * (z[at["vref"]] - p.divider_ratio * (vo @ z))
            vc, v1 = z[at["vc"]], z[at["v1"]]
            clamp = (max(vc - self.high, 0.0) - max(self.low - vc, 0.0)) / CLAMP
            i1 = (vc - v1) / p.rz
            dz[at["vc"]] = (min(max(drive, -self.limit), self.limit) - vc / p.ro - i1 - clamp) / p.c2
            return dz

        return f

    def go(self, mode, z, span, row=None, sign=1.0):
        """Integrate over at most ``span`` seconds; stop where ``sign * row . z`` rises through zero."""
        if span <= 0.0:
            return z, 0.0, False
        if row is not None and sign * (row @ z) >= 0.0:
            return z, 0.0, True
        events = None
        if row is not None:

            def events(_t, y):
                return sign * (row @ y)

            events.terminal, events.direction = True, 1.0
        scale = np.maximum(np.abs(z), 1e-3)
        done = solve_ivp(self.rate(mode), (0.0, span), z, method="LSODA", rtol=RTOL, atol=1e-11 * scale, events=events)
        assert done.success
        hit = row is not None and len(done.t_events[0]) > 0
        return done.y[:, -1], float(done.t[-1]), hit

    def cycle(self, z):
        conv, p = self.conv, self.conv.p
        z = z.copy()
        z[conv.at["tau"]] = z[conv.at["area"]] = 0.0
        trip = conv.probe["on"]["trip"]
        on, ended = 0.0, "comparator"
        if self.min_on:
            z, on, _ = self.go("on", z, self.min_on)
        if on == 0.0 and trip @ z >= 0.0:
            ended = "skipped"
        else:
            tripped = trip @ z >= 0.0
            if tripped:
                ended = "minimum on-time"
            else:
                z, more, tripped = self.go("on", z, p.max_duty * p.period - on, trip)
                on += more
            if not tripped:
                ended = "largest duty"
        self.ended.append(ended)
        left = p.period - on
        idd = conv.probe["off"]["idd"]
        if idd @ z > 1e-9:
            z, off, opened = self.go("off", z, left, idd, -1.0)
            left -= off
            if not opened:
                return z
            half = 0.5 * (z[0] - z[1])
            z[0], z[1] = half, -half
        return self.go("idle", z, left)[0]


def both(case, tmp_path, load_from, load_to, cycles, **limits):
    """Step one case by the program and by the integrator; return run, means and states of the integrator, its log."""
    vin = case["specification"]["input_voltage"][0]
    loaded = load_case(write_case(case, tmp_path / "case.toml"))
    corner = one_corner(loaded, vin, load_from)
    opened, plain = solved(loaded, corner)
    closed = opened.closed(compensation(loaded, loaded.compensation.parts, corner))
    point = operating_point(closed, plain.sequence)
    stepper = CycleStepper(
        closed, dict(zip(point.network.inputs, point.inputs[0], strict=True)), control_limits(loaded)
    )
    x, devices = from_point(point)
    stepper.set_inputs(load=load_to - load_from)
    sequence = run_cycles(stepper, x, devices, cycles=cycles)

    conv = Converter(case, closed=True, input_voltage=vin, load_current=load_from)
    order = {"i1": "i(L1)", "i2": "i(L2)", "vcs": "v(Cs)", "vdp": "v(Cd)", "vo0": "v(Co)",
             "vc": "v(compensation C2)", "v1": "v(compensation C1)"}  # fmt: skip
    index = [stepper.states.index(order[name]) for name in conv.names[: conv.n]]
    z = conv.start((x / stepper.scale)[index], vref=float(point.trim[0]), isink=load_to - load_from)
    oracle = Integrated(conv, **limits)
    means, states = [], []
    for _ in range(cycles):
        z = oracle.cycle(z)
        means.append(z[conv.at["area"]] / conv.p.period)
        states.append(z[: conv.n])
    mine = (sequence.states[1:] / stepper.scale)[:, index]
    return sequence, np.array(means), mine, np.array(states), oracle


def agree(sequence, means, mine, states, oracle, rtol):
    deviation = np.abs(means - means[0]).max() + np.abs(means[0] - sequence.mean[0])
    assert_allclose(sequence.mean, means, atol=rtol * deviation, rtol=0.0)
    size = np.abs(states).max(axis=0)
    assert_allclose(mine / size, states / size, atol=rtol, rtol=0.0)
    assert list(sequence.ended) == oracle.ended


def test_continuous_conduction(tmp_path):
    case = trap(damper=True, specification={"input_voltage": [13.0]})
    found = both(case, tmp_path, 0.8, 1.4, 40)
    agree(*found, rtol=1e-8)
    assert not found[0].discontinuous.any()


@pytest.mark.parametrize(("load_from", "load_to"), [(0.08, 0.9), (1.2, 0.08)])
def test_through_mode_changes(tmp_path, load_from, load_to):
    """From discontinuous to continuous conduction and back."""
    case = trap(damper=True, specification={"input_voltage": [24.0], "output_current": [0.08, 1.2]})
    found = both(case, tmp_path, load_from, load_to, 60)
    agree(*found, rtol=1e-8)
    assert found[0].mode_changes()


LIMITED = {
    "kind": "transconductance",
    "gm": 1e-3,
    "output_resistance": 2e6,
    "reference": 1.2,
    "output_current_limit": 12e-6,
}


def test_amplifier_at_its_current_limit(tmp_path):
    """A large step asks for more than the amplifier delivers; it comes back by itself."""
    case = trap(damper=True, specification={"input_voltage": [13.0]}, error_amplifier=copy.deepcopy(LIMITED))
    found = both(case, tmp_path, 0.3, 1.5, 300, limit=12e-6)
    agree(*found, rtol=1e-8)
    limited = found[0].limited
    assert limited[:40].any()
    assert not limited[-1]


@pytest.mark.parametrize(
    ("vin", "step", "low", "high"),
    [(13.0, (0.3, 1.35), 0.0, 0.26), (24.0, (1.2, 0.15), 0.06, 0.6)],
    ids=["upper", "lower"],
)
def test_into_a_clamp_and_back(tmp_path, vin, step, low, high):
    """The control pin runs into a clamp after the step and leaves it again; the network behind it does not wind up."""
    amplifier = {k: v for k, v in LIMITED.items() if k != "output_current_limit"} | {"clamp": {"min": low, "max": high}}
    case = trap(
        damper=True, specification={"input_voltage": [vin], "output_current": sorted(step)}, error_amplifier=amplifier
    )
    found = both(case, tmp_path, *step, 300, low=low, high=high)
    agree(*found, rtol=1e-8)
    sequence = found[0]
    assert sequence.limited.sum() > 20
    assert not sequence.limited[-20:].any()
    assert low - 1e-3 < sequence.control.min() < sequence.control.max() < high + 1e-3


@pytest.mark.parametrize("min_on", [0.0, 150e-9])
def test_load_dump_skips_pulses(tmp_path, min_on):
    """The load leaves nearly whole: pulses are skipped, or made as short as the minimum on-time allows."""
    case = trap(damper=True, specification={"input_voltage": [24.0], "output_current": [0.02, 1.2]})
    case["modulator"]["min_on_time"] = min_on
    found = both(case, tmp_path, 1.2, 0.05, 150, min_on=min_on)
    agree(*found, rtol=1e-8)
    assert found[0].count("minimum on-time" if min_on else "skipped") > 5


def test_load_beyond_what_the_largest_duty_gives(tmp_path):
    """A far too large load holds the largest duty; then the sequences must still agree."""
    case = trap(damper=True, specification={"input_voltage": [13.0]})
    case["modulator"]["max_duty"] = 0.58
    found = both(case, tmp_path, 0.8, 5.0, 60)
    agree(*found, rtol=1e-8)
    assert found[0].count("largest duty") > 5
