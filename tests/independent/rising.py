"""Start-ups and drop-outs of the line by the brute-force judge: every device, clamp and limit from equations written by hand.

Two ways through the same equations: exact exponentials between edges (`bruteforce.simulator`), and scipy's ``solve_ivp`` with events,
where the reference may rise in a true straight line and the amplifier's output current may be limited. Nothing of the package takes part.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field

import numpy as np
from bruteforce.cycles import cycle, dense
from bruteforce.simulator import Simulator
from scipy.integrate import solve_ivp

EDGE = 1e-11
CLAMP = 1.0
"""On-resistance of a clamp [ohm]."""


class IntegratedMotion:
    """Motion in one set of devices by LSODA with events; the same answers as `bruteforce.simulator.Motion`.

    Where the amplifier comes to its limit or a clamp begins or ends to act is an event as well, at which integration starts afresh.
    """

    def __init__(self, sim, F, guards, probes):
        self.sim, self.F, self.guards, self.last, self.pieces = sim, F, guards, None, {}
        sensed, self.switched = probes.sensed, probes.isw
        c, unit = sim.p.control, np.eye(len(F))
        one, vc = unit[sim.at["one"]], unit[sim.at["vc"]]
        self.asked = c.gm * (unit[sim.at["ctl"]] - c.lower / (c.lower + c.upper) * sensed)
        self.bounds = [
            row
            for row, limit in (
                (self.asked - sim.most * one, sim.most), (-self.asked - sim.most * one, sim.most),
                (vc - sim.high * one, sim.high), (sim.low * one - vc, -sim.low),
            )
            if np.isfinite(limit)
        ]  # fmt: skip
        self.corrections = [
            sign * row
            for row, limit, sign in zip(
                (self.asked - sim.most * one, -self.asked - sim.most * one, vc - sim.high * one, sim.low * one - vc),
                (sim.most, sim.most, sim.high, -sim.low), (-1.0, 1.0, -1.0 / CLAMP, 1.0 / CLAMP), strict=True,
            )
            if np.isfinite(limit)
        ]  # fmt: skip
        self.scale = sim.p.period / c.c2

    def piece(self, acting):
        """Matrix where some of the bounds act: beyond one the current into C2 is short of what lies beyond."""
        if acting not in self.pieces:
            F = self.F.copy()
            for acts, row in zip(acting, self.corrections, strict=True):
                if acts:
                    F[self.sim.at["vc"]] += row * self.scale
            self.pieces[acting] = F
        return self.pieces[acting]

    def travel(self, z, span, rows):
        """Integrate up to a span, or to where one of the rows rises through zero: state, time, number of the row or None."""
        t = 0.0
        acting = tuple(bool(row @ z > 0.0) for row in self.bounds)
        while True:
            F = self.piece(acting)
            edges = [*rows, *((-row if acts else row) for row, acts in zip(self.bounds, acting, strict=True))]
            events = [lambda _t, y, row=row: row @ y - EDGE for row in edges]  # beyond rounding
            for e in events:
                e.terminal, e.direction = True, 1.0
            scale = np.maximum(np.abs(z), 1e-2)
            run = solve_ivp(
                lambda _t, y, F=F: F @ y, (t, span), z, method="LSODA", rtol=1e-11, atol=1e-12 * scale,
                events=events or None, max_step=0.05,
            )  # fmt: skip
            self.sim.see(self, run.y)
            hit = [k for k, times in enumerate(run.t_events or []) if len(times)]
            t, z = float(run.t[-1]), run.y[:, -1]
            if not hit:
                return z, span, None
            flow = F @ z
            rest = (EDGE - edges[hit[0]] @ z) / (
                edges[hit[0]] @ flow
            )  # the events' interpolant is of lower order than the steps
            t, z = t + rest, z + rest * flow + 0.5 * rest**2 * (F @ flow)
            if hit[0] < len(rows):
                return z, t, hit[0]
            acting = tuple(acts != (k == hit[0] - len(rows)) for k, acts in enumerate(acting))

    def first(self, z, span, active):
        rows = [self.guards[q][1] for q in active]
        for q, row in zip(active, rows, strict=True):
            if row @ z > EDGE:
                return q, 0.0
        end, time, hit = self.travel(z, span, rows)
        self.last = (z, time, end)
        return None if hit is None else (active[hit], time)

    def at(self, z, span):
        if span <= 0.0:
            return z
        if self.last is not None and self.last[0] is z and self.last[1] == span:
            return self.last[2]
        return self.travel(z, span, [])[0]


class IntegratedSimulator(Simulator):
    """The brute-force converter with a transconductance amplifier and C2, moved by ``solve_ivp``.

    What bounds the controller is written here by hand:
    C2 vc' = clip(gm (vref - vfb), most) - vc/ro - (vc - v1)/R1 - max(vc - high, 0)/1 ohm + max(low - vc, 0)/1 ohm.
    """

    def __init__(self, p, *, most=np.inf):
        p = copy(p)
        p.control = copy(p.control)
        self.low, self.high = p.control.clamp or (-np.inf, np.inf)
        p.control.clamp = None
        self.most, self.seen = most, {}
        super().__init__(p, closed=True, ramped=True)

    def see(self, motion, states):
        """Keep the largest sizes of the currents at the integrator's own steps."""
        for name in {"i1", "i2"} & set(self.at):
            self.seen[name] = max(self.seen.get(name, 0.0), float(np.abs(states[self.at[name]]).max()))
        self.seen["isw"] = max(self.seen.get("isw", 0.0), float(np.abs(motion.switched @ states).max()))

    def mode(self, devices, clamp=0):
        key = (*devices, clamp)
        if key not in self.modes:
            motion, probes, every, watch = super().mode(devices, clamp)
            motion = IntegratedMotion(self, motion.F, motion.guards, probes)
            self.modes[key] = (motion, probes, every, watch)
        return self.modes[key]


@dataclass(kw_only=True)
class Rising:
    """Traces cycle by cycle: mean of the output, control voltage at the end, on-time, what ended it, largest currents."""

    mean: list = field(default_factory=list)
    control: list = field(default_factory=list)
    duty: list = field(default_factory=list)
    ended: list = field(default_factory=list)
    peaks: dict = field(default_factory=dict)
    z: np.ndarray | None = None


def follow(sim, z, *, cycles, reference, line, diode=False, clamp=0, count=17):
    """Follow `cycles` periods; `reference` at each clock, between which it moves in a straight line, and `line` during each period [V]."""
    told, at, z = Rising(), sim.at, z.copy()
    for k in range(cycles):
        z[at["ctl"]], z[at["vin"]] = reference(k), line(k)
        z[at["rise"]] = reference(k + 1) - reference(k)
        done = cycle(sim, z, diode=diode, clamp=clamp)
        if count:
            _peaks(sim, done, told.peaks, count)
        z, diode, clamp = done.z, done.diode, done.clamp
        told.mean.append(z[at["area"]])
        told.control.append(z[at["vc"]] if "vc" in at else np.nan)
        told.duty.append(done.on_time)
        told.ended.append(done.ended)
    told.z = z
    return told


def _peaks(sim, done, peaks, count):
    for _, probes, states in dense(sim, done, count):
        for name, row in (("isw", probes.isw), ("i1", None), ("i2", None)):
            if row is None and name not in sim.at:
                continue
            values = states[:, sim.at[name]] if row is None else states @ row
            peaks[name] = max(peaks.get(name, 0.0), float(np.abs(values).max()))


def overshoot_and_time(mean, target, band, period, begin=0):
    """Largest mean above the target from a cycle on, and the time after which the mean stays in the band."""
    mean = np.asarray(mean)[begin:]
    outside = np.flatnonzero(np.abs(mean - target) > band)
    return max(float(mean.max()) - target, 0.0), float(outside[-1] + 1) * period if len(outside) else 0.0
