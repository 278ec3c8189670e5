"""The judge's periods integrated again by scipy: same equations, another way through them, with a state machine of its own.

An eighth-order Runge-Kutta method with its own event location takes the place of exponentials, grids and root finding; devices are
changed by the few lines here.
"""

from __future__ import annotations

from copy import copy

import numpy as np
import pytest
from bruteforce.casevalues import corners, read_case
from bruteforce.cycles import cycle
from bruteforce.judging import judge
from random_designs import draw
from scipy.integrate import solve_ivp


class Integrated:
    """One period from the clock, integrated."""

    def __init__(self, sim, z, diode):
        self.sim, self.p, self.z, self.t = sim, sim.p, z.copy(), 0.0
        self.z[sim.at["tau"]] = self.z[sim.at["area"]] = 0.0
        self.switch, self.diode, self.clamp, self.edges = False, diode, 0, []

    def forward(self):
        return self.sim.rows((True, False), self.clamp)[1]["forward"] @ self.z

    def turn(self, *, on):
        self.switch = on
        if self.p.synchronous:
            self.diode = not on
        elif on:
            self.diode = bool(self.forward() > 0.0)
        else:
            self.diode = bool(self.sim.rows((False, True), self.clamp)[1]["idd"] @ self.z > 1e-9)
            if not self.diode:
                self.z = self.sim.opened @ self.z
        self.let_go()

    def let_go(self):
        """A step of the output may turn what pushes the control voltage against its limit."""
        if self.clamp and self.clamp * (self.sim.rows((self.switch, self.diode), self.clamp)[1]["push"] @ self.z) < 0.0:
            self.clamp = 0

    def guards(self, *, armed):
        sim, (_, rows) = self.sim, self.sim.rows((self.switch, self.diode), self.clamp)
        found = {"trip": rows["trip"]} if self.switch and armed else {}
        if not self.p.synchronous:
            found |= {"blocks": -rows["idd"]} if self.diode else {"conducts": rows["forward"]}
        if sim.clamps:
            one = np.eye(len(sim.names))[sim.at["one"]]
            low, high = self.p.control.clamp
            if self.clamp:
                found["release"] = -self.clamp * rows["push"]
            else:
                found |= {"high": rows["vc"] - high * one, "low": low * one - rows["vc"]}
        return found

    def to(self, horizon, *, armed):
        """Integrate up to an instant or to the trip; returns whether it tripped."""
        while self.t < horizon - 1e-13:
            F, guards = self.sim.rows((self.switch, self.diode), self.clamp)[0], self.guards(armed=armed)
            events = [lambda _t, y, g=g: g @ y for g in guards.values()]
            for e in events:
                e.terminal, e.direction = True, 1.0
            run = self.integrate(F, horizon, events)
            hit = next((n for n, times in zip(guards, run.t_events, strict=True) if len(times)), None)
            if hit is None:
                self.z, self.t = run.y[:, -1], horizon
                break
            time = float(run.t_events[list(guards).index(hit)][0])
            z = self.integrate(F, time, None).y[:, -1]
            rest = -(guards[hit] @ z) / (
                guards[hit] @ F @ z
            )  # the interpolant of the events is of lower order than the steps
            self.z, self.t = z + rest * (F @ z) + 0.5 * rest**2 * (F @ F @ z), time + rest
            self.edges.append((hit, self.t))
            if hit == "trip":
                return True
            self.act(hit)
        return False

    def integrate(self, F, horizon, events):
        scale = np.maximum(np.abs(self.z), 1e-2)
        run = solve_ivp(
            lambda _t, y: F @ y, (self.t, horizon), self.z, method="DOP853", rtol=1e-12, atol=1e-13 * scale,
            events=events, max_step=0.02,
        )  # fmt: skip
        assert run.success
        return run

    def act(self, hit):
        if hit in ("blocks", "conducts"):
            self.diode = hit == "conducts"
            if hit == "blocks" and not self.switch:
                self.z = self.sim.opened @ self.z
            self.let_go()
        elif hit == "release":
            self.clamp = 0
        else:
            self.clamp = 1 if hit == "high" else -1

    def period(self):
        p = self.p
        self.turn(on=True)
        self.to(p.blanking, armed=False)
        rows = self.sim.rows((True, self.diode), self.clamp)[1]
        tripped = rows["trip"] @ self.z >= 0.0 or self.to(p.max_duty, armed=True)
        if tripped:
            self.to(min(self.t + p.turn_off_delay, p.max_duty), armed=False)
        on = self.t
        self.turn(on=False)
        self.to(1.0, armed=False)
        return self.z, on


def agree(sim, z, diode, most=1):
    """Compare `most` periods from one state; returns the edges seen."""
    seen = []
    for _ in range(most):
        done = cycle(sim, z, diode=diode)
        other = Integrated(sim, z, diode)
        expected, on = other.period()
        size = np.maximum(np.abs(expected), 1e-2)
        assert np.max(np.abs(done.z - expected) / size) < 3e-9
        assert done.on_time == pytest.approx(on, abs=1e-10)
        seen += [name for name, _ in other.edges]
        z, diode = done.z, done.diode
    return seen


def orbit_of(seed, **wanted):
    design = draw(seed, **wanted)
    p = read_case(design.text, *corners(design.text)[-1])
    return p, judge(p)


# Seeds whose converters do what the first word says, of many drawn.
STILL = {
    "restarts": (103, {}),
    "conducts beside the switch": (259, {}),
    "both, then only the switch": (265, {}),
    "twice, once": (202, {}),
}


@pytest.mark.parametrize("what", STILL)
def test_periods_of_odd_rectifiers(what):
    seed, wanted = STILL[what]
    _, found = orbit_of(seed, **wanted)
    sim = found.sim
    z = sim.start(found.orbit.x * (1.0 + 1e-3), ctl=found.orbit.ctl)
    edges = agree(sim, z, found.orbit.diode, 3)
    assert edges.count("conducts") >= 3


@pytest.mark.parametrize("topology", ["sepic", "cuk", "zeta", "boost", "buck", "inverting", "flyback"])
def test_periods_with_delay_blanking_and_filters(topology):
    options = ("delay", "blanking", "input_filter", "output_filter")
    tried = 0
    for seed in range(500, 520):
        design = draw(seed, topology=topology, options=options)
        if "turn_off_delay" not in design.text:
            continue
        p = read_case(design.text, *corners(design.text)[-1])
        found = judge(p)
        if found.orbit is None:
            continue
        agree(found.sim, found.sim.start(found.orbit.x * (1.0 + 1e-3), ctl=found.orbit.ctl), found.orbit.diode, 2)
        tried += 1
        if tried == 2:
            break
    assert tried == 2


@pytest.mark.parametrize("kind", ["transconductance", "operational"])
def test_periods_with_a_clamp_at_work(kind):
    """The clamp is set inside the ripple of the control voltage, so that it engages and releases within the period."""
    for seed in range(700, 760):
        design = draw(seed, stratum="ripple")
        if kind not in design.text or 'C2 = "none"' in design.text:
            continue
        p, found = orbit_of(seed, stratum="ripple")
        if found.orbit is None or found.held:
            continue
        vc = [
            found.sim.rows(s.devices, 0)[1]["vc"] @ s.z
            for s in cycle(found.sim, found.sim.start(found.orbit.x, ctl=found.orbit.ctl)).segments
        ]
        middle = 0.5 * (min(vc) + max(vc))
        if max(vc) - min(vc) < 1e-3:
            continue
        q = copy(p)
        q.control = copy(p.control)
        q.control.clamp = (middle - 10.0, middle)
        sim = type(found.sim)(q, closed=True)
        x = found.orbit.x.copy()
        x[sim.at["vc"]] = min(x[sim.at["vc"]], middle - 1e-6)
        edges = agree(sim, sim.start(x, ctl=found.orbit.ctl), found.orbit.diode)
        if "high" in edges or "release" in edges:
            return
    pytest.fail("no drawn design engages the clamp")
