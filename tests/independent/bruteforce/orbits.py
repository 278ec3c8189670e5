"""Periodic operating points of the brute-force simulator, multipliers, responses and the highest output.

An operating point at a wanted average does not depend on what controls it: the duty is found with the control left out.  The
controller's states and the reference then follow from a linear problem, because everything it sees is given.  Whether the comparator
keeps that orbit is found by running one true period from it.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass

import numpy as np

from bruteforce.cycles import ChatterError, cycle, dense
from bruteforce.equations import TWO_INDUCTORS
from bruteforce.simulator import Simulator

SETTLED = 1e-12
ROUNDING = 1e-12
"""Instants that count as one [periods]: a duty that Newton's method found, and the end of the segment that it made."""
NEWTON = 40


class NoOrbitError(RuntimeError):
    """No periodic operating point was found."""


class OutOfReachError(NoOrbitError):
    """No duty up to the largest makes the wanted average."""


@dataclass(kw_only=True)
class Orbit:
    """Periodic point: states at the clock, what is held there (control voltage or reference), duty, one recorded period."""

    x: np.ndarray
    ctl: float
    duty: float
    average: float
    cycle: object
    diode: bool


def by_resistor(p):
    """Return the same operating point with a resistor for a current or power load: it draws the same average."""
    if p.load_kind not in ("current", "power"):
        return p
    q = copy(p)
    q.load_conductance, q.load_sink = p.io / p.at_load, 0.0
    return q


def first_guess(p):
    """Rough states at the clock: output at its target, coupling capacitor at its own average, no current."""
    sim_names = Simulator(p, by_duty=True).names
    vab = {"sepic": p.vin, "cuk": p.vin + p.vout, "zeta": -p.vout}.get(p.topology, 0.0)
    known = {"vcs": vab, "vdp": vab, "iof": p.io, "vof": p.at_load, "vdf": p.at_load, "vif": p.vin, "vid": p.vin}
    known |= {f"vo{k}": p.vout for k in range(len(p.bank))}
    middle = p.io * p.vout / p.vin
    known |= {"iin": middle, "i1": middle if p.topology in TWO_INDUCTORS else 0.0, "i2": p.io}
    return np.array([known.get(n, 0.0) for n in sim_names if n in known or n in ("i1", "i2")])


def scales(x):
    """Size of each state, for relative steps."""
    return np.maximum(np.abs(x), 0.1)


def at_duty(sim, duty, x, diode=True):
    """Periodic orbit at a given duty by Newton's method from a guess; plain periods bring it near where Newton does not land."""
    n, scale = sim.n, scales(x)
    for attempt in range(3):
        y, last = x.copy(), np.inf
        for _ in range(NEWTON):
            done = cycle(sim, sim.start(y, ctl=duty), diode=diode, derivative=True)
            miss = done.z[:n] - y
            size = np.max(np.abs(miss) / scale)
            if size < SETTLED or (size < 1e-9 and size >= last):
                return Orbit(x=y, ctl=duty, duty=duty, average=done.z[sim.at["area"]], cycle=done, diode=done.diode)
            last = size
            step = np.linalg.lstsq(np.eye(n) - done.J[:n, :n], miss, rcond=1e-14)[0]
            y = y + step * min(1.0, 3.0 / max(np.max(np.abs(step) / scale), 1e-30) if size > 1.0 else 1.0)
            diode = done.diode
        for _ in range(60 * 4**attempt):
            done = cycle(sim, sim.start(x, ctl=duty), diode=diode)
            x, diode = done.z[:n], done.diode
        if not np.all(np.isfinite(x)) or np.max(np.abs(x)) > 1e6:
            break
    raise NoOrbitError(f"no periodic orbit at duty {duty:.6g}")


def output_over_duty(p, duties, enough=np.inf):
    """Average regulated quantity over a rising grid of duty, up to the first that is enough: simulator and orbits.

    None stands where no orbit was found.
    """
    sim, x, orbits = Simulator(p, by_duty=True), first_guess(p), []
    for d in duties:
        try:
            orbits.append(at_duty(sim, float(d), x))
            x = orbits[-1].x
        except (NoOrbitError, ChatterError, np.linalg.LinAlgError):
            orbits.append(None)
            continue
        if orbits[-1].average >= enough:
            break
    return sim, orbits


def highest_output(p, count=48):
    """Highest average output that fixed-duty operation reaches up to the largest duty, and its duty."""
    p = by_resistor(p)
    duties = np.linspace(0.02, p.max_duty, count)
    sim, orbits = output_over_duty(p, duties)
    return _summit(sim, duties, orbits)


def _summit(sim, duties, orbits):
    """Golden section around the highest orbit of a grid; the end of the grid may be the summit itself."""
    values = np.array([o.average if o else -np.inf for o in orbits])
    top = int(np.argmax(values))
    low, high, x = duties[max(top - 1, 0)], duties[min(top + 1, len(orbits) - 1)], orbits[top].x
    golden = 0.5 * (np.sqrt(5.0) - 1.0)
    a, b = high - golden * (high - low), low + golden * (high - low)
    fa, fb = at_duty(sim, a, x).average, at_duty(sim, b, x).average
    while high - low > 1e-7:
        if fa < fb:
            low, a, fa = a, b, fb
            b = low + golden * (high - low)
            fb = at_duty(sim, b, x).average
        else:
            high, b, fb = b, a, fa
            a = high - golden * (high - low)
            fa = at_duty(sim, a, x).average
    inside = float(max(fa, fb))
    if values[top] > inside:
        return float(values[top]), float(duties[top])
    return inside, float(0.5 * (low + high))


def at_average(p, *, count=36):
    """Orbit at the lowest duty whose average is the target; OutOfReachError where no duty reaches it.

    A resistor in place of another load finds the neighbourhood; Newton's method on states and duty then takes the load itself.
    """
    duties = np.concatenate([[0.004, 0.01], np.linspace(0.02, p.max_duty, count)])
    sim, orbits = output_over_duty(by_resistor(p), duties, p.target)
    last = len(orbits) - 1
    if orbits[last] is None or orbits[last].average < p.target:
        best, duty = _summit(sim, duties, orbits)
        if best < p.target:
            raise OutOfReachError(f"out of reach: at most {best:.9g} at duty {duty:.6g}")
        top = max(range(len(orbits)), key=lambda k: orbits[k].average if orbits[k] else -np.inf)
        low, high, seed = duties[max(top - 1, 0)], duty, orbits[max(top - 1, 0)] or orbits[top]
    elif last == 0:
        low, high, seed = 1e-5, duties[0], orbits[0]
    else:
        low, high, seed = duties[last - 1], duties[last], orbits[last - 1] or orbits[last]
    return _narrow(p, sim, low, high, seed)


def _narrow(p, sim, low, high, seed):
    """Bisection keeps the rising side; Newton finishes, once from a rough bracket and again from a fine one if it left that."""
    for width in (4e-3, 1e-5):
        while high - low > width * high:
            seed = at_duty(sim, 0.5 * (low + high), seed.x)
            low, high = (seed.duty, high) if seed.average < p.target else (low, seed.duty)
        try:
            found = polish(p, seed)
        except NoOrbitError:
            if width < 1e-4:
                raise
            continue
        if low - 0.01 * high <= found.duty <= 1.01 * high:
            return found
    return found


def polish(p, seed):
    """Newton's method on states and duty for the load itself."""
    sim = Simulator(p, by_duty=True)
    n, x, duty = sim.n, seed.x.copy(), seed.duty
    scale, area, ctl = scales(x), sim.at["area"], sim.at["ctl"]
    last = np.inf
    for _ in range(NEWTON):
        done = cycle(sim, sim.start(x, ctl=duty), diode=seed.diode, derivative=True)
        miss = np.append(done.z[:n] - x, done.z[area] - p.target)
        size = max(np.max(np.abs(miss[:n]) / scale), abs(miss[n]) / p.target)
        if size < SETTLED or (size < 1e-10 and size >= last):
            return Orbit(x=x, ctl=duty, duty=duty, average=done.z[area], cycle=done, diode=done.diode)
        last = size
        keep = [*range(n), ctl]
        J = done.J[np.ix_([*range(n), area], keep)]
        J[:n, :n] -= np.eye(n)
        step = np.linalg.lstsq(J, -miss, rcond=1e-15)[0]
        factor = min(1.0, 0.5 * min(duty, 1.0 - duty) / max(abs(step[n]), 1e-30))
        x, duty = x + factor * step[:n], duty + factor * step[n]
    raise NoOrbitError("Newton's method on states and duty does not settle")


def control_needed(p, orbit):
    """Control voltage that trips at an orbit's duty, control held; None where the delay leaves no room for a trip."""
    sim = Simulator(p, by_duty=True)
    delay = p.turn_off_delay
    at = orbit.duty - delay
    if at < 0.0:
        return None
    for segment in orbit.cycle.segments:
        if segment.devices[0] and segment.begin <= at <= segment.begin + segment.length + ROUNDING:
            motion, probes, _, _ = sim.mode(segment.devices, 0)
            z = motion.at(segment.z, at - segment.begin)
            return float(p.sense * (probes.isw @ z) + p.ramp * z[sim.at["tau"]])
    return None


def close(p, orbit):
    """Orbit of the closed loop at the same duty: controller's states and reference from the linear problem.

    Returns the orbit of a simulator that is still switched by the duty; None where no trip can make this duty.
    """
    needed = control_needed(p, orbit)
    if needed is None:
        return None
    sim = Simulator(p, closed=True, by_duty=True)
    n, k = sim.n, sim.n_plant
    ratio = 1.0 if p.control.upper is None else p.control.lower / (p.control.lower + p.control.upper)
    x, ref = np.concatenate([orbit.x, np.full(n - k, needed)]), p.target * ratio
    if p.control.kind == "operational" and "v2" in sim.at:
        x[sim.at["v2"]] = ref - needed
    for _ in range(6):  # linear: the first round solves it, the others take out rounding
        done = cycle(sim, sim.start(x, ctl=ref, duty=orbit.duty), diode=orbit.diode, derivative=True)
        value, slope = _trip_at(sim, done, orbit.duty - p.turn_off_delay, needed)
        miss = np.append(done.z[:n] - x, value)
        J = np.zeros((n + 1, n + 1))
        J[:n, :n] = done.J[:n, :n] - np.eye(n)
        J[:n, n] = done.J[:n, sim.at["ctl"]]
        J[n, :n], J[n, n] = slope[:n], slope[sim.at["ctl"]]
        J[:k, n], J[:k, k:n] = 0.0, 0.0
        weight = np.append(scales(x), max(abs(ref), 0.1))
        J = J * weight
        step = np.linalg.solve(J, -miss) * weight
        x, ref = x + step[:n], ref + step[n]
    return Orbit(x=x, ctl=float(ref), duty=orbit.duty, average=orbit.average, cycle=done, diode=done.diode)


def _trip_at(sim, done, at, needed):
    """Distance of the control voltage from what is needed, at an instant of the on-time, and its derivative by the state at the clock.

    The instant is fixed and every edge before it is the rectifier's own, so the derivative follows by running to it once more.
    """
    M, names = None, sim.names
    for segment in done.segments:
        motion, probes, _, _ = sim.mode(segment.devices, 0)
        inside = at <= segment.begin + segment.length + ROUNDING
        span = (at - segment.begin) if inside else segment.length
        if M is None:
            M = np.eye(len(names))
            M[sim.at["tau"], sim.at["tau"]] = 0.0
        M = motion.at(M, span)
        if inside:
            z = motion.at(segment.z, span)
            return float(needed - probes.vc @ z), -(probes.vc @ M)
    raise NoOrbitError("the trip lies outside the on-time")


def jacobian(sim, orbit, step=1e-6):
    """Derivative of the cycle map by central differences of whole periods (n, n)."""
    n, columns = sim.n, []
    for k, size in enumerate(scales(orbit.x)):
        ends = []
        for sign in (1.0, -1.0):
            x = orbit.x.copy()
            x[k] += sign * step * size
            ends.append(cycle(sim, sim.start(x, ctl=orbit.ctl), diode=orbit.diode).z[:n])
        columns.append((ends[0] - ends[1]) / (2.0 * step * size))
    return np.array(columns).T


def control_range(sim, orbit, count=65):
    """Lowest and highest control voltage over a period."""
    values = np.concatenate([states @ probes.vc for _, probes, states in dense(sim, orbit.cycle, count)])
    return float(values.min()), float(values.max())
