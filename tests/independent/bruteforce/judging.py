"""What a converter really does at one operating point: does the orbit exist, does the comparator keep it, does a disturbance die."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from bruteforce.cycles import ChatterError, cycle
from bruteforce.orbits import (
    Orbit,
    OutOfReachError,
    at_average,
    close,
    control_needed,
    control_range,
    highest_output,
    jacobian,
    scales,
)
from bruteforce.simulator import Simulator

KEPT = 1e-7
"""Largest departure after one true period, relative to each state, of an orbit that the comparator keeps."""
HAIR = 1e-6
"""Relative distance from a boundary (unity of a multiplier, a limit, the reach) below which nothing is judged."""


@dataclass(kw_only=True)
class Judgement:
    """What was found at one operating point.

    exists: whether any duty makes the average; highest, highest_duty: the reach, where it does not.
    held: empty where the comparator keeps the orbit, else every reason why not.
    stable: kept and every multiplier inside the unit circle.
    close_call: what lies within a hair of its boundary, so that no verdict is asked for.
    """

    exists: bool
    duty: float | None = None
    sequence: tuple = ()
    mode: str | None = None
    average: float | None = None
    held: tuple = ()
    multipliers: np.ndarray | None = None
    largest: float | None = None
    largest_by_edges: float | None = None
    stable: bool | None = None
    ctl: float | None = None
    highest: float | None = None
    highest_duty: float | None = None
    close_call: tuple = ()
    note: str = ""
    plant: object = field(default=None, repr=False)
    orbit: object = field(default=None, repr=False)
    sim: object = field(default=None, repr=False)


def judge(p):
    """Judge one operating point: the loop closed where the case has a controller, the control voltage held where it has none."""
    try:
        plant = at_average(p)
    except OutOfReachError as error:
        best, duty = highest_output(p)
        near = ("reach",) if abs(best / p.target - 1.0) < 1e-4 else ()
        return Judgement(exists=False, highest=best, highest_duty=duty, close_call=near, note=str(error))
    found = Judgement(
        exists=True,
        duty=plant.duty,
        sequence=tuple(plant.cycle.sequence),
        average=float(plant.average),
        mode=mode(p, plant),
    )
    found.plant = plant
    if plant.duty > p.max_duty:
        found.exists = False
        found.highest, found.highest_duty = highest_output(p)
        return found
    orbit = _controlled(p, plant)
    if orbit is None:
        found.held, found.stable = ("minimum on-time",), False
        return found
    found.ctl = orbit.ctl
    sim = Simulator(p, closed=p.control is not None)
    found.sim, found.orbit = sim, orbit
    found.held, close_calls = _kept(p, sim, orbit)
    found.close_call += close_calls
    found.multipliers = np.linalg.eigvals(jacobian(sim, orbit)) if not found.held else None
    if found.multipliers is not None:
        found.largest = float(np.abs(found.multipliers).max())
        found.stable = found.largest < 1.0
        if abs(found.largest - 1.0) < HAIR:
            found.close_call += ("multiplier",)
        _smooth(sim, found)
    else:
        found.stable = False
    return found


def mode(p, orbit):
    """CCM, DCM, or None where the rectifier does something else than one stretch after the switch."""
    devices = [(s, d) for s, d, _ in orbit.cycle.sequence]
    if devices == [(True, False), (False, True)]:
        return "CCM"
    return "DCM" if devices == [(True, False), (False, True), (False, False)] else None


def _controlled(p, plant):
    if p.control is not None:
        return close(p, plant)
    ctl = control_needed(p, plant)
    if ctl is None:
        return None
    return Orbit(x=plant.x, ctl=ctl, duty=plant.duty, average=plant.average, cycle=plant.cycle, diode=plant.diode)


def _kept(p, sim, orbit):
    """Reasons why the true period does not follow the orbit, and limits that it passes by a hair."""
    reasons, close_calls = [], []
    free = _without_limits(p)
    plain = Simulator(free, closed=sim.closed)
    arm = p.blanking if p.turn_off_delay else max(p.blanking, p.min_on_time)
    earliest = max(arm + p.turn_off_delay, p.min_on_time)
    if abs(orbit.duty - earliest) < 1e-5 * orbit.duty:
        close_calls.append("minimum on-time")
    if orbit.duty < earliest:
        reasons.append("minimum on-time")
    else:
        done = cycle(plain, plain.start(orbit.x, ctl=orbit.ctl), diode=orbit.diode)
        if (
            np.max(np.abs(done.z[: plain.n] - orbit.x) / scales(orbit.x)) > KEPT
            or abs(done.on_time - orbit.duty) > KEPT
        ):
            reasons.append("comparator")
        close_calls += _grazes(p, orbit, closed=sim.closed)
    if sim.closed and p.control.clamp is not None:
        duty_sim = Simulator(p, closed=True, by_duty=True)
        low, high = control_range(duty_sim, orbit)
        for reached, limit, sign in ((low, p.control.clamp[0], -1.0), (high, p.control.clamp[1], 1.0)):
            if abs(reached - limit) < 1e-3 * (p.control.clamp[1] - p.control.clamp[0]):
                close_calls.append("clamp")
            if sign * (reached - limit) > 0.0:
                reasons.append("clamp")
    if p.current_limit is not None:
        peak = _sensed_peak(p, orbit, closed=sim.closed)
        if abs(peak / p.current_limit - 1.0) < 1e-4:
            close_calls.append("current limit")
        if peak >= p.current_limit:
            reasons.append("current limit")
    return tuple(reasons), tuple(close_calls)


def _without_limits(p):
    """Return the same converter without clamp, current limit and shortest on-time."""
    from copy import copy

    q = copy(p)
    q.current_limit = None
    if q.control is not None:
        q.control = copy(q.control)
        q.control.clamp = None
    return q


def _grazes(p, orbit, *, closed):
    """Whether the comparator all but trips earlier on the orbit, or all but does not: within 1e-6 of the control voltage."""
    sim, end, highest = Simulator(p, closed=closed, by_duty=True), orbit.duty - p.turn_off_delay, -np.inf
    for s in orbit.cycle.segments:
        if s.devices[0]:
            motion, probes, _, _ = sim.mode(s.devices, 0)
            for t in np.linspace(0.0, s.length, 129):
                if p.blanking <= s.begin + t < end - 0.02 * orbit.duty:
                    z = motion.at(s.z, float(t))
                    vc = probes.vc @ z if closed else orbit.ctl
                    highest = max(highest, float(p.sense * (probes.isw @ z) + p.ramp * z[sim.at["tau"]] - vc))
    return ["comparator"] if abs(highest) < HAIR * max(abs(orbit.ctl), 0.05) else []


def _sensed_peak(p, orbit, *, closed):
    """Largest sensed signal after blanking and before the trip; the limit acts through the comparator's own delay."""
    sim, peak, end = Simulator(p, closed=closed, by_duty=True), -np.inf, orbit.duty - p.turn_off_delay
    for s in orbit.cycle.segments:
        if not s.devices[0]:
            continue
        motion, probes, _, _ = sim.mode(s.devices, 0)
        for t in np.linspace(0.0, s.length, 65):
            if p.blanking <= s.begin + t <= end + 1e-12:
                peak = max(peak, float(p.sense * (probes.isw @ motion.at(s.z, float(t)))))
        if s.begin <= end <= s.begin + s.length:
            peak = max(peak, float(p.sense * (probes.isw @ motion.at(s.z, end - s.begin))))
    return peak


def _smooth(sim, found):
    """Mark an orbit at whose place the cycle map has a kink: the derivative from the edges differs from the one by differences."""
    done = cycle(sim, sim.start(found.orbit.x, ctl=found.orbit.ctl), diode=found.orbit.diode, derivative=True)
    other = found.largest_by_edges = float(np.abs(np.linalg.eigvals(done.J[: sim.n, : sim.n])).max())
    if abs(other - found.largest) > 1e-4 * max(found.largest, 0.1):
        found.close_call += ("kink",)
        found.note = f"multiplier {found.largest:.6f} by differences, {other:.6f} from the edges"


@dataclass(kw_only=True)
class Behaviour:
    """What stepping in time ends in: kind, period of the repetition (0: none), duties and averages of the last cycles."""

    kind: str
    repeats: int
    duties: tuple
    average: float
    skipped: int
    clamped: bool


def settle(p, found, *, cycles=600, kick=1e-4):
    """Step from a disturbed orbit and say what the converter does in the end."""
    sim = Simulator(p, closed=p.control is not None)
    x = found.orbit.x * (1.0 + kick)
    z, diode, clamp, log = sim.start(x, ctl=found.orbit.ctl), found.orbit.diode, 0, []
    for _ in range(cycles):
        try:
            done = cycle(sim, z, diode=diode, clamp=clamp)
        except ChatterError:
            break
        z, diode, clamp = done.z, done.diode, done.clamp
        log.append(
            (done.on_time, done.ended, z[sim.at["area"]], any(s.clamp for s in done.segments), z[: sim.n].copy())
        )
        if not np.all(np.isfinite(z)) or np.abs(z[: sim.n]).max() > 1e7:
            return Behaviour(kind="runs away", repeats=0, duties=(), average=np.nan, skipped=0, clamped=False)
    tail = log[-48:]
    states = np.array([row[4] for row in tail])
    size = np.maximum(np.abs(states).max(axis=0), 0.1)
    repeats = next((k for k in (1, 2, 3, 4, 6, 8, 12, 16) if np.max(np.abs(states[k:] - states[:-k]) / size) < 1e-4), 0)
    skipped = sum(row[1] == "skipped" for row in tail)
    kind = "periodic" if repeats == 1 else f"repeats every {repeats} periods" if repeats else "not settled"
    return Behaviour(
        kind="skips pulses" if skipped else kind, repeats=repeats, duties=tuple(float(row[0]) for row in tail[-4:]),
        average=float(np.mean([row[2] for row in tail])), skipped=skipped, clamped=any(row[3] for row in tail),
    )  # fmt: skip


def grows(found, *, kick=1e-7, most=4000):
    """Whether a small disturbance grows: stepped, both signs, until it has changed twentyfold; None where neither happens."""
    sim, ctl, diode = found.sim, found.orbit.ctl, found.orbit.diode
    rng = np.random.default_rng(1)
    d0 = kick * scales(found.orbit.x) * rng.standard_normal(sim.n)
    ends = [(sim.start(found.orbit.x + s * d0, ctl=ctl), diode, 0) for s in (1.0, -1.0)]
    first = None
    for k in range(most):
        after = []
        for z, d, c in ends:
            done = cycle(sim, z, diode=d, clamp=c)
            after.append((done.z, done.diode, done.clamp))
        ends = after
        size = float(np.max(np.abs(ends[0][0][: sim.n] - ends[1][0][: sim.n]) / scales(found.orbit.x)))
        if k == 24:
            first = size
        if first is not None and k > 24:
            if size > 20.0 * first:
                return True
            if size < first / 20.0 or size < 1e-11:
                return False
    return None
