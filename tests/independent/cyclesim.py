"""Cycle-by-cycle simulation of the handwritten equations: exact stepping, bisection for every edge, no averaging, no linear model.

In each interval ``dz/dt = F z`` with constant F, so ``z`` moves by matrix exponentials.  The exponentials of T/2, T/4, ... T/2^46
are prepared once; an edge (comparator, diode current zero) is found by bisection with them to T/2^46.

Injected sinusoids are two states (an oscillator), and the correlation integrals of the analyser are states as well
(``q' = j w q + y``), so that measuring adds no quadrature error.  Small-signal responses are read from the *periodic* orbit under
injection (found by Newton's method on whole simulated runs), hence without waiting for slow transients to die.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from handwritten import TOPOLOGIES, TWO_INDUCTORS, Rows, parameters, transconductance_type2
from scipy.linalg import expm

LEVELS = 46
COARSE = 5
SOURCES = ("vin0", "vref", "isink", "one", "tau", "vhold", "sine", "cosine", "area", "nr", "ni", "dr", "di")


class Converter:
    """One operating point of one converter, with the control voltage held or the loop closed.

    Parameters
    ----------
    case : dict
        Case laid out like the case file, SI numbers only.
    closed : bool
        Whether the compensator closes the loop.
    omega : float
        Angular frequency of the injected sinusoid [rad/s].
    inject : str
        Where it enters: "control", "loop", "line" or "load".
    measure : str
        What is observed: "output", "loop" or "input impedance".
    """

    def __init__(self, case, *, closed=False, omega=0.0, inject="none", measure="output", **point):
        p = parameters(case, closed=closed, **point)
        self.source = (case,), point
        self.p, self.closed, self.omega, self.inject, self.measure = p, closed, omega, inject, measure
        names = ["i1", "i2"] if p.topology in TWO_INDUCTORS else ["i1"]
        names += ["vcs"] if p.cs else []
        names += ["vdp"] if p.damper else []
        names += [f"vo{k}" for k in range(len(p.bank))]
        self.plant_states = len(names)
        if closed:
            names += ["vc", "v1"] if p.c2 else ["v1"]
        self.n = len(names)
        self.names = tuple(names) + SOURCES
        self.at = {name: k for k, name in enumerate(self.names)}
        self.F, self.probe, self.steps = {}, {}, {}
        spans = p.period * 0.5 ** np.arange(LEVELS + 1)
        for mode in ("on", "off", "idle"):
            self.F[mode], self.probe[mode] = self._equations(mode)
            self.steps[mode] = expm(self.F[mode] * spans[:, None, None])

    def _equations(self, mode):
        p, unit = self.p, np.eye(len(self.names))
        z = Rows(**{name: unit[k] for name, k in self.at.items()}, zero=np.zeros(len(self.names)))
        z.inj_loop = z.sine if self.inject == "loop" else z.zero
        z.vin = z.vin0 + (z.sine if self.inject == "line" else 0.0)
        z.isink = z.isink + (z.sine if self.inject == "load" else 0.0)
        rates, probe = TOPOLOGIES[p.topology](p, z, mode)
        if self.closed:
            vc, more = transconductance_type2(p, z, probe.vo)
            rates |= more
        else:
            vc = z.vhold
        vc = vc + (z.sine if self.inject == "control" else 0.0)
        w = self.omega
        top, bottom = {
            "output": (probe.vo, z.sine),
            "loop": (-probe.vo, probe.vo + z.sine),
            "input impedance": (z.sine, probe.iin),
        }[self.measure]
        if self.inject == "load":
            top = -top
        rates |= {"tau": z.one, "area": probe.vo, "sine": w * z.cosine, "cosine": -w * z.sine}
        rates |= {"nr": -w * z.ni + top, "ni": w * z.nr, "dr": -w * z.di + bottom, "di": w * z.dr}
        F = np.zeros((len(self.names), len(self.names)))
        for name, row in rates.items():
            F[self.at[name]] = row
        trip = p.sense * probe.isw + p.slope * z.tau - vc
        return F, vars(probe) | {"trip": trip}

    def start(self, x, *, vhold=0.0, vref=0.0, isink=0.0, sine=0.0, cosine=0.0):
        """Full state from the circuit's own states and the constants."""
        z = np.zeros(len(self.names))
        z[: self.n] = x
        for name, value in (("vin0", self.p.vin), ("one", 1.0), ("vhold", vhold), ("vref", vref), ("isink", isink),
                            ("sine", sine), ("cosine", cosine)):  # fmt: skip
            z[self.at[name]] = value
        return z

    def advance(self, mode, z, span, event=None, sign=1.0):
        """Advance by at most ``span`` periods; stop where ``sign * event . z`` first rises through zero.

        Returns the state, the time spent [periods] and whether the event stopped it.
        """
        steps, spent, level = self.steps[mode], 0.0, COARSE
        if event is not None and sign * (event @ z) >= 0.0:
            return z, 0.0, True
        hit = False
        while level <= LEVELS:
            width = 0.5**level
            if spent + width > span + 1e-16:
                level += 1
                continue
            ahead = steps[level] @ z
            if event is not None and sign * (event @ ahead) >= 0.0:
                hit = True
                level += 1
                continue
            z, spent = ahead, spent + width
            if hit:  # already inside the bracket: the other half of this width has been seen to cross
                level += 1
        return z, spent, hit

    def cycle(self, z, duty=None):
        """Advance one switching period; returns the state, the on-time and the diode's conduction time [periods]."""
        z = z.copy()
        z[self.at["tau"]] = 0.0
        if duty is None:
            z, on, _ = self.advance("on", z, self.p.max_duty, self.probe["on"]["trip"])
        else:
            z, on, _ = self.advance("on", z, duty)
        if not self.p.diode:
            z, off, _ = self.advance("off", z, 1.0 - on)
            return z, on, off
        z, off, opened = self.advance("off", z, 1.0 - on, self.probe["off"]["idd"], sign=-1.0)
        if opened:
            if self.p.topology in TWO_INDUCTORS:
                half = 0.5 * (z[0] - z[1])  # the bisection leaves at most rounding of the sum; remove it
                z[0], z[1] = half, -half
            else:
                z[0] = 0.0
            z, _, _ = self.advance("idle", z, 1.0 - on - off)
        return z, on, off


@dataclass(kw_only=True)
class Orbit:
    """A periodic operating point: states at the clock, the held control or the reference, duty, mode and average output."""

    x: np.ndarray
    vhold: float
    vref: float
    duty: float
    diode_time: float
    mode: str
    average: float


def guess(p):
    """Lossless estimate of duty and clock-edge state (charge balance; discontinuous conduction where the valley would be negative)."""
    vo, vin = p.target + p.vd, p.vin
    io = p.load_conductance * p.target + p.load_sink
    duty = {"boost": 1.0 - vin / vo, "buck": vo / (vin + p.vd)}.get(p.topology, vo / (vo + p.turns * vin))
    le = (
        (p.l1 * p.l2 - p.m**2) / (p.l1 + p.l2 - 2.0 * p.m) if p.l2 else p.l1
    )  # what i1 + i2 sees when both get one voltage
    v_on = vin - p.target if p.topology == "buck" else vin
    middle = io if p.topology == "buck" else p.turns * io / (1.0 - duty)
    valley = middle - 0.5 * v_on * duty * p.period / le
    discontinuous = p.diode and valley < 0.0
    if discontinuous:  # io = le ipk^2 / (2 T) / v, from the charge of the current triangle
        v = {"boost": vo - vin, "buck": v_on * vo / (v_on + vo)}.get(p.topology, vo)
        duty, valley = math.sqrt(2.0 * io * v * p.period / le) * le / (v_on * p.period), 0.0
    if not p.l2:
        return duty, [valley]
    vab = {"sepic": vin, "cuk": vin + p.target, "zeta": -p.target}[p.topology]
    i1 = 0.0 if discontinuous else io * p.target / vin - 0.5 * vin * duty * p.period / p.l1
    return duty, [i1, valley - i1, vab] + ([vab] if p.damper else [])


def newton(f, u, scale, *, tol=1e-12, limit=40):
    """Solve f(u) = 0 by Newton's method with central differences, halving steps that do not improve."""
    r = f(u)
    for _ in range(limit):
        J = jacobian(f, u, scale)
        step = np.linalg.solve(J, -r)
        factor = 1.0
        while factor > 1e-3:
            trial = f(u + factor * step)
            if np.linalg.norm(trial) < np.linalg.norm(r) or np.linalg.norm(r) < 1e-11:
                break
            factor *= 0.5
        done = np.max(np.abs(step / scale)) < tol
        u, r = u + factor * step, trial
        if done:
            break
    if np.linalg.norm(r) > 1e-7:
        raise RuntimeError(f"the periodic operating point was not found (residual {np.linalg.norm(r):.1e})")
    return u


def jacobian(f, u, scale, *, step=1e-6):
    """Central-difference Jacobian with a relative step."""
    columns = []
    for k in range(len(u)):
        e = np.zeros(len(u))
        e[k] = step * scale[k]
        columns.append((f(u + e) - f(u - e)) / (2.0 * e[k]))
    return np.array(columns).T


def operating_point(conv, *, vref=None):
    """Find the periodic orbit.

    Control held: the control voltage that makes the average output equal to the target.  Closed loop: with ``vref`` given, the
    orbit of that reference; otherwise the reference that makes the average output equal to the target.
    """
    p, n = conv.p, conv.plant_states
    duty, x = guess(p)
    x = np.array(x + [p.target] * len(p.bank))
    scale = np.concatenate([np.maximum(np.abs(x), 0.1), [0.1]])
    base = Converter(*conv.source[0], **conv.source[1]) if conv.closed else conv

    def by_duty(u):
        z, _, _ = base.cycle(base.start(u[:n]), duty=float(np.clip(u[n], 0.001, 0.999)))
        return np.append(z[:n] - u[:n], z[base.at["area"]] / p.period - p.target)

    u = newton(by_duty, np.append(x, duty), scale, tol=1e-10)
    z, _, _ = base.advance("on", base.start(u[:n]), float(u[n]))
    threshold = float(p.sense * (base.probe["on"]["isw"] @ z) + p.slope * z[base.at["tau"]])
    if not conv.closed:
        return _orbit(conv, u[:n], vhold=threshold)
    extra = conv.n - n
    reference = p.target * p.divider_ratio + threshold / (p.gm * p.ro) if vref is None else vref
    start = np.concatenate([u[:n], [threshold] * extra, [reference]])

    def by_map(v):
        z, _, _ = conv.cycle(conv.start(v[:-1], vref=v[-1]))
        last = z[conv.at["area"]] / p.period - p.target if vref is None else v[-1] - vref
        return np.append(z[: conv.n] - v[:-1], last)

    v = newton(by_map, start, np.maximum(np.abs(start), 0.1))
    return _orbit(conv, v[:-1], vref=float(v[-1]))


def _orbit(conv, x, *, vhold=0.0, vref=0.0):
    z, on, off = conv.cycle(conv.start(x, vhold=vhold, vref=vref))
    if on >= conv.p.max_duty - 1e-9:
        raise RuntimeError("the comparator never trips at this operating point")
    mode = "CCM" if on + off > 1.0 - 1e-9 else "DCM"
    average = z[conv.at["area"]] / conv.p.period
    return Orbit(x=x, vhold=vhold, vref=vref, duty=on, diode_time=off, mode=mode, average=average)


def period_map(conv, orbit):
    """Jacobian of the one-cycle map at the orbit, by central differences of simulated cycles."""

    def f(x):
        return conv.cycle(conv.start(x, vhold=orbit.vhold, vref=orbit.vref))[0][: conv.n]

    return jacobian(f, orbit.x, np.maximum(np.abs(orbit.x), 0.1))


def worst(conv, orbit):
    """Largest multiplier in magnitude, its frequency [Hz] and growth [1/s]."""
    eigenvalues = np.linalg.eigvals(period_map(conv, orbit))
    top = eigenvalues[np.argmax(np.abs(eigenvalues))]
    fs = 1.0 / conv.p.period
    return abs(top), abs(np.angle(top)) * fs / (2.0 * np.pi), math.log(abs(top)) * fs, eigenvalues


def response(case, frequency, *, inject, measure="output", closed=False, amplitude=None, vref=None, **point):
    """Complex response found by injecting a small sinusoid into the running converter.

    ``frequency`` must be a rational multiple of the switching frequency, so that a run of whole switching cycles holds whole
    periods of the sinusoid.
    """
    still = Converter(case, closed=closed, **point)
    orbit = operating_point(still, vref=vref)
    M = period_map(still, orbit)
    conv = Converter(case, closed=closed, omega=2 * np.pi * frequency, inject=inject, measure=measure, **point)
    fs = 1.0 / conv.p.period
    cycles = next(k for k in range(1, 20001) if abs(k * frequency / fs - round(k * frequency / fs)) < 1e-9 * k)
    if np.max(np.abs(np.linalg.eigvals(M))) ** cycles > 1e6:
        raise ValueError("an unstable orbit cannot be followed over so many cycles: choose a higher frequency")
    if amplitude is None:
        size = {"control": max(orbit.vhold, 0.1), "loop": conv.p.target, "line": conv.p.vin, "load": 1.0}[inject]
        amplitude = 1e-5 * size

    def run(x):
        z = conv.start(x, vhold=orbit.vhold, vref=orbit.vref, cosine=amplitude)
        for _ in range(cycles):
            z, _, _ = conv.cycle(z)
        return z

    x = orbit.x.copy()
    gain = np.linalg.inv(np.eye(conv.n) - np.linalg.matrix_power(M, cycles))
    for _ in range(4):  # the run is linear in so small a perturbation: two or three corrections reach rounding
        z = run(x)
        miss = z[: conv.n] - x
        x = x + gain @ miss
        if np.max(np.abs(miss)) < 1e-11:
            break
    z = run(x)
    at = conv.at
    return complex(z[at["nr"]], z[at["ni"]]) / complex(z[at["dr"]], z[at["di"]])


def cycle_means(conv, orbit, *, cycles, isink=0.0, kick=None):
    """Average output of each cycle after a current sink is added at a clock edge (or the state is kicked), from the orbit."""
    x = orbit.x if kick is None else orbit.x + kick
    z = conv.start(x, vhold=orbit.vhold, vref=orbit.vref, isink=isink)
    means = np.empty(cycles)
    for k in range(cycles):
        z[conv.at["area"]] = 0.0
        z, _, _ = conv.cycle(z)
        means[k] = z[conv.at["area"]] / conv.p.period
    return means
