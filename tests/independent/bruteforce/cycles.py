"""One switching period of the brute-force simulator: what every device does, edge by edge.

Order of things at one instant: clock, end of blanking, comparator, delay.  A comparator that is tripped already at the clock leaves
the switch off for that period, unless a blanking time or a shortest on-time keeps it on for a while. A delay keeps it on where the
sensed current trips, which shows itself only once the switch conducts, and not where the control voltage is no higher than zero.
The delay runs from the trip to the opening of the switch; the largest duty belongs to the clock and nothing is added to it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np

from bruteforce.simulator import MOST_EDGES

TINY = 1e-11  # [V], [A]: rounding of an edge
END = 1e-14  # [periods]


class ChatterError(RuntimeError):
    """More edges in one period than any converter makes."""


@dataclass(kw_only=True)
class Segment:
    """Motion between two edges: begin and length [periods], devices (switch, diode), clamp, state at its begin."""

    begin: float
    length: float
    devices: tuple
    clamp: int
    z: np.ndarray


@dataclass(kw_only=True)
class Cycle:
    """One period: state at its end, its derivative (or None), segments, on-time, trip, what ended the on-time."""

    z: np.ndarray
    J: np.ndarray | None
    segments: list = field(default_factory=list)
    on_time: float = 0.0
    trip: float | None = None
    ended: str = "skipped"
    diode: bool = False
    clamp: int = 0

    @property
    def sequence(self):
        """Segments as (switch, diode, length), clamps left out and equal neighbours joined."""
        told = []
        for s in self.segments:
            if s.length < 1e-12:
                continue
            if told and told[-1][0] == s.devices:
                told[-1][1] += s.length
            else:
                told.append([s.devices, s.length])
        return [(d[0], d[1], length) for d, length in told]


class Run:
    """State of a running period."""

    def __init__(self, sim, z, diode, clamp, derivative):
        self.sim, self.z, self.diode, self.clamp, self.switch, self.t = sim, z.copy(), diode, clamp, False, 0.0
        tau, area = sim.at["tau"], sim.at["area"]
        self.z[tau] = self.z[area] = 0.0
        self.J = np.eye(len(z)) if derivative else None
        if derivative:
            self.J[tau, tau] = self.J[area, area] = 0.0

    def mode(self):
        return self.sim.mode((self.switch, self.diode), self.clamp)

    def change(self, *, switch=None, diode=None, clamp=None, moved=None, reset=None):
        """Change devices; `moved` is the derivative of the edge's time, `reset` a matrix the state passes through."""
        before = self.mode()[0].F @ self.z if self.J is not None else None
        if reset is not None:
            self.z = reset @ self.z
        self.switch = self.switch if switch is None else switch
        self.diode = self.diode if diode is None else diode
        self.clamp = self.clamp if clamp is None else clamp
        if self.J is not None:
            if reset is not None:
                self.J, before = reset @ self.J, reset @ before
            if moved is not None:
                self.J = self.J + np.outer(before - self.mode()[0].F @ self.z, moved)

    def moved(self, row):
        """Derivative of the time at which a guard rises through zero."""
        if self.J is None:
            return None
        return -(row @ self.J) / (row @ (self.mode()[0].F @ self.z))

    def turn(self, *, on, moved=None):
        """Turn the switch on or off: the rectifier takes the state that the circuit forces on it."""
        diode, reset = self.rectifier(on)
        self.change(switch=on, diode=diode, moved=moved, reset=reset)
        self.settle()

    def rectifier(self, switch):
        """Whether the rectifier conducts once the switch is set, and the reset of the state this asks for."""
        sim, clamp = self.sim, self.clamp
        if sim.p.synchronous:
            return not switch, None
        motion, probes, _, _ = sim.mode((switch, False), clamp)
        if switch:
            forward = probes.forward @ self.z
            if abs(forward) > TINY:
                return bool(forward > 0.0), None
            return bool(probes.forward @ (motion.F @ self.z) > 0.0), None
        current = sim.mode((False, True), clamp)[1].idd @ self.z
        if current > TINY:
            return True, None
        at_rest = sim.opened @ self.z
        if abs(current) <= TINY and probes.forward @ at_rest > TINY:
            return True, None
        return False, sim.opened

    def settle(self):
        """Engage or release the clamp where the change of devices has made the control voltage or its push jump."""
        sim = self.sim
        if not sim.clamps:
            return
        _, probes, _, _ = self.mode()
        push = probes.push @ self.z
        if self.clamp:
            if self.clamp * push < 0.0:
                self.change(clamp=0)
            return
        vc = probes.vc @ self.z
        low, high = sim.p.control.clamp
        for side, beyond in ((1, vc - high), (-1, low - vc)):
            if beyond > TINY or (beyond > -TINY and side * push > 0.0):
                self.hold(side, None)

    def hold(self, side, moved):
        """Engage the clamp."""
        k = self.sim.at.get("vc")
        self.change(clamp=side, moved=moved)
        if k is not None:
            self.z[k] = self.sim.p.control.clamp[1 if side > 0 else 0]


def _tripped(sim, run):
    motion, _, _, _ = run.mode()
    return any(row @ run.z >= 0.0 for name, row in motion.guards if name in ("trip", "limit"))


def _beyond_limit(sim, run):
    motion, _, _, _ = run.mode()
    return any(row @ run.z >= 0.0 for name, row in motion.guards if name == "limit")


def cycle(sim, z, *, diode=True, clamp=0, derivative=False):
    """Step one period from the clock.

    Parameters
    ----------
    sim : Simulator
        The converter.
    z : ndarray
        Full state just before the clock.
    diode, clamp
        What rectifier and clamp did just before the clock.
    derivative : bool
        Whether to return the derivative of the state at the end.

    Returns
    -------
    Cycle
    """
    p = sim.p
    run = Run(sim, z, diode, clamp, derivative)
    out = Cycle(z=z, J=None)
    plain = sim.by_duty
    delay, shortest, blanking = (0.0, 0.0, 0.0) if plain else (p.turn_off_delay, p.min_on_time, p.blanking)
    arm = blanking if delay else max(blanking, shortest)
    last = 1.0 if plain else p.max_duty
    run.turn(on=True)
    trip, moved, armed = None, None, arm <= 0.0
    if not plain and armed and _tripped(sim, run):
        if delay and run.mode()[1].vc @ z > 1e-9:
            trip, out.ended = 0.0, "limit" if _beyond_limit(sim, run) else "comparator"
        else:
            run = Run(sim, z, diode, clamp, derivative)
    for _ in range(MOST_EDGES):
        motion, _, every, watch = run.mode()
        active = every if run.switch and armed and trip is None else watch
        if not run.switch:
            horizon, why = 1.0, "period"
        elif trip is not None:
            horizon, why = _opening(trip, delay, shortest, last)
        else:
            horizon, why = (last, "largest duty") if armed or arm >= last else (arm, "armed")
        span = max(horizon - run.t, 0.0)
        event = motion.first(run.z, span, active) if span > 0.0 else None
        length = span if event is None else event[1]
        out.segments.append(
            Segment(begin=run.t, length=length, devices=(run.switch, run.diode), clamp=run.clamp, z=run.z)
        )
        run.z = motion.at(run.z, length)
        if run.J is not None:
            run.J = motion.at(run.J, length)
        run.t = horizon if event is None else run.t + length
        if event is not None:
            name, row = motion.guards[event[0]]
            shift = run.moved(row)
            if name in ("trip", "limit"):
                trip, moved, out.ended = run.t, shift, "limit" if name == "limit" else "comparator"
                if delay or run.t < shortest:
                    continue
                out.on_time, out.trip = run.t, trip
                run.turn(on=False, moved=shift)
            else:
                _device(run, name, shift)
        elif why == "period":
            break
        elif why == "armed":
            armed = True
            if _tripped(sim, run):
                trip, out.ended = run.t, "limit" if _beyond_limit(sim, run) else "comparator"
                if not delay and run.t >= shortest:
                    out.on_time, out.trip = run.t, trip
                    run.turn(on=False)
        else:
            if why != "opening":
                out.ended, moved = why, None
            out.on_time, out.trip = run.t, trip
            run.turn(on=False, moved=moved)
        if run.t >= 1.0 - END and not run.switch and event is None and why == "period":
            break
    else:
        raise ChatterError("too many edges in one period")
    out.z, out.J, out.diode, out.clamp = run.z, run.J, run.diode, run.clamp
    return out


def _opening(trip, delay, shortest, last):
    """When the switch opens after a trip, and what decides it."""
    at, why = trip + delay, "opening"
    if at < shortest:
        at, why = shortest, "shortest on-time"
    return (last, "largest duty") if at > last else (at, why)


def _device(run, name, shift):
    """Change rectifier or clamp as a guard asks."""
    if name == "blocks":
        run.change(diode=False, moved=shift, reset=None if run.switch else run.sim.opened)
        run.settle()
    elif name == "conducts":
        run.change(diode=True, moved=shift)
        run.settle()
    elif name == "release":
        run.change(clamp=0, moved=shift)
    else:
        run.hold(1 if name == "clamp high" else -1, shift)


def dense(sim, done, count=33):
    """Instants [periods] and probes along a cycle: a list of (theta, probes, states) per segment, `count` instants each."""
    told = []
    for s in done.segments:
        if s.length <= 0.0:
            continue
        motion, probes, _, _ = sim.mode(s.devices, s.clamp)
        t = np.linspace(0.0, s.length, count)
        states = np.array([motion.at(s.z, float(v)) for v in t])
        told.append((s.begin + t, SimpleNamespace(**vars(probes)), states))
    return told
