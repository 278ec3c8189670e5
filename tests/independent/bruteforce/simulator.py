"""Brute-force simulation: device states found at every instant, exact steps by matrix exponentials, every edge located.

In each set of conducting devices ``dz/dtheta = F z`` with constant F and theta in periods.  For each set the exponentials of
k/K, k/(64 K), k/(4096 K) of a period are prepared once (K = 64 or more where something rings faster).  A guard is a row that acts where
it rises through zero: it is evaluated on all K instants of an interval at once, cells in which it crosses (or bulges so that it may
cross twice inside) are looked into at 64 times the resolution, twice, and the last cell is a Taylor polynomial whose root is found by
Newton's method.  The error of an edge is rounding.

Guards: comparator, current limit, rectifier's current reaching zero, rectifier's forward voltage reaching its drop, the clamp of the
control pin.  Clocked: turn-on, end of blanking, shortest on-time, delay after the trip, largest duty, end of the period.

A cycle can also return its derivative with respect to the state at the clock (every moving edge contributes its own jump), which
Newton's method uses; multipliers are judged by central differences of whole cycles instead.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from scipy.linalg import expm

from bruteforce.controllers import closed_control, control_states, held_control
from bruteforce.equations import Rows, opened, plant_states, stage

SOURCES = ("ctl", "isink", "vin", "one", "tau", "area")
INJECTED = ("sine", "cosine", "nr", "ni", "dr", "di")
FINE = 64
ORDER = 6
POWERS = np.arange(ORDER + 1)
MOST_EDGES = 400


def _powers(E, count):
    """E^0 ... E^count, by doubling."""
    stack = np.eye(E.shape[0])[None]
    step = E
    while len(stack) <= count:
        stack = np.concatenate([stack, step @ stack])
        step = step @ step
    return np.ascontiguousarray(stack[: count + 1])


class Motion:
    """Motion in one set of devices, with its guards."""

    def __init__(self, F, guards, coarse):
        n = len(F)
        self.F, self.guards, self.n = F, guards, n
        rows = np.array([g for _, g in guards]).reshape(-1, n)
        self.rows = rows
        self.widths = (1.0 / coarse, 1.0 / (coarse * FINE), 1.0 / (coarse * FINE * FINE))
        self.counts = (coarse, FINE, FINE)
        self.tables = [_powers(expm(F * w), c) for w, c in zip(self.widths, self.counts, strict=True)]
        both = np.concatenate([rows, rows @ F])  # guards and their slopes
        self.scans = [np.ascontiguousarray((both @ t).transpose(1, 0, 2)) for t in self.tables]
        last = [np.eye(n)]
        for k in range(1, ORDER + 1):
            last.append(last[-1] @ F * (self.widths[2] / k))
        self.series = np.array(last)
        self.tail = np.array([rows @ m for m in last]).transpose(1, 0, 2)  # (guards, order + 1, n)

    def at(self, z, span):
        """State (or matrix of states) after a span [periods]."""
        for width, table in zip(self.widths, self.tables, strict=True):
            k = int(span / width)
            if k:
                k = min(k, len(table) - 1)
                z = table[k] @ z
                span -= k * width
        if span > 0.0:
            terms = self.series @ z
            z = ((span / self.widths[2]) ** POWERS @ terms.reshape(ORDER + 1, -1)).reshape(z.shape)
        return z

    def first(self, z, span, active):
        """Return the first guard of `active` that rises through zero within a span: (index, time), or None."""
        if not len(active):
            return None
        last = min(int(np.ceil(span * self.counts[0] - 1e-12)), self.counts[0])
        g = len(self.guards)
        found = self.scans[0][:, : last + 1] @ z
        v, d = found[active], found[np.asarray(active) + g]
        for cell in self._cells(v, d, self.widths[0]):
            best = None
            z_cell = self.tables[0][cell] @ z
            for i, q in enumerate(active):
                t = self._refine(z_cell, q, 1, certain=v[i, cell + 1] >= 0.0)
                if t is not None and (best is None or t < best[1]):
                    best = (q, t)
            if best is not None:
                time = cell * self.widths[0] + best[1]
                return (best[0], time) if time <= span else None
        return None

    @staticmethod
    def _cells(v, d, width):
        """Cells, in order, in which any guard crosses or may bulge through zero."""
        crossing = (v[:, 1:] >= 0.0) & ((v[:, :-1] < 0.0) | (np.arange(v.shape[1] - 1) == 0))
        bulge = (v[:, 1:] < 0.0) & (v[:, :-1] < 0.0) & (d[:, :-1] > 0.0) & (d[:, 1:] < 0.0)
        if bulge.any():  # two tangents meet above zero: only then can a concave arc rise above it
            s = d[:, :-1] - d[:, 1:]
            top = v[:, :-1] + d[:, :-1] * (v[:, 1:] - v[:, :-1] - d[:, 1:] * width) / np.where(s > 0.0, s, 1.0)
            crossing |= bulge & (top >= 0.0)
        return np.flatnonzero(crossing.any(axis=0))

    def _refine(self, z, q, level, *, certain):
        """Instant of a guard's rise in a cell; an end seen above zero is believed where rounding hides it from the finer scan."""
        g, width = len(self.guards), self.widths[level]
        v, d = self.scans[level][q] @ z, self.scans[level][q + g] @ z
        for cell in self._cells(v[None], d[None], width):
            z_cell, ends = self.tables[level][cell] @ z, v[cell + 1] >= 0.0
            t = self._refine(z_cell, q, 2, certain=ends) if level == 1 else self._root(z_cell, q, certain=ends)
            if t is not None:
                return cell * width + t
        return self.counts[level] * width if certain else None

    def _root(self, z, q, *, certain):
        """Root of the last cell's Taylor polynomial where it rises; None if it only touches from below."""
        c = (self.tail[q] @ z).tolist()
        v0, v1 = c[0], sum(c)
        if v1 < 0.0 and certain:
            return self.widths[2]
        if v1 < 0.0:  # a bulge: its top, then the rise before it
            if c[2] >= 0.0 or c[0] - c[1] ** 2 / (4.0 * c[2]) < 0.0:
                return None
            low, high = 0.0, -c[1] / (2.0 * c[2])
        elif v0 >= 0.0:
            return 0.0
        else:
            low, high = 0.0, 1.0
        s = high * v0 / (v0 - v1) if v1 > v0 and v1 >= 0.0 else 0.5 * high
        for _ in range(60):
            value, slope = c[ORDER], 0.0
            for k in range(ORDER - 1, -1, -1):
                slope = slope * s + value
                value = value * s + c[k]
            low, high = (s, high) if value < 0.0 else (low, s)
            step = s - value / slope if slope > 0.0 else -1.0
            new = step if low <= step <= high else 0.5 * (low + high)
            if abs(new - s) < 1e-15:
                break
            s = new
        return s * self.widths[2]


class Simulator:
    """One converter: control held, loop closed, or switched at a given duty.

    Parameters
    ----------
    p : SimpleNamespace
        Plain numbers of one operating point (`casevalues.read_case`).
    closed : bool
        Whether the controller's states move; else `ctl` is the control voltage.
    by_duty : bool
        Switch turned off at a duty (the source `ctl` then, or `duty` when the controller runs as well) instead of by the comparator.
    inject, measure, omega
        Sinusoid: where it enters ("control", "loop", "line", "load"), what is observed ("output", "loop"), its angular frequency.
    ramped : bool
        Whether `ctl` rises in a straight line, by the source `rise` in every period.
    """

    def __init__(self, p, *, closed=False, by_duty=False, inject=None, measure="output", omega=0.0, ramped=False):
        self.ramped = ramped
        self.p, self.closed, self.by_duty, self.inject, self.measure, self.omega = (
            p,
            closed,
            by_duty,
            inject,
            measure,
            omega,
        )
        states = plant_states(p) + (control_states(p) if closed else [])
        self.n, self.n_plant = len(states), len(plant_states(p))
        self.names = (
            states + list(SOURCES) + (["duty"] if by_duty and closed else []) + (list(INJECTED) if inject else [])
        ) + (["rise"] if ramped else [])
        self.at = {name: k for k, name in enumerate(self.names)}
        self.opened = opened(p, self.names)
        self.modes = {}
        self.coarse = FINE
        for devices in ((True, False), (False, True), (False, False)):
            if not (p.synchronous and devices == (False, False)):
                self._widen(self.rows(devices, 0)[0])

    def _widen(self, F):
        fastest = np.abs(np.linalg.eigvals(F).imag).max() / (2.0 * np.pi)
        while self.coarse < 12.0 * fastest and self.coarse < 1024:
            self.coarse *= 2

    def rows(self, devices, clamp):
        """Matrix F (in periods) and probes of one set of devices."""
        p, unit, zero = self.p, np.eye(len(self.names)), np.zeros(len(self.names))
        z = Rows(**{name: unit[k] for name, k in self.at.items()}, zero=zero)
        sine = z.sine if self.inject else zero
        if self.inject == "line":
            z.vin = z.vin + sine
        if self.inject == "load":
            z.isink = z.isink + sine
        rates, probe = stage(p, z, *devices)
        y = probe.sensed
        fed = y + sine if self.inject == "loop" else y
        if self.closed:
            control, more = closed_control(p, z, fed, clamp)
            rates |= more
        else:
            control = held_control(z)[0]
        vc = control.vc + (sine if self.inject == "control" else 0.0)
        T = p.period
        rates |= {"tau": z.one / T, "area": y / T} | ({"ctl": z.rise / T} if self.ramped else {})
        if self.inject:
            top, bottom = {"output": (y, sine), "loop": (-y, y + sine), "input": (sine, self.drawn(z, probe))}[
                self.measure
            ]
            w = self.omega
            rates |= {"sine": w * z.cosine, "cosine": -w * z.sine}
            rates |= {"nr": -w * z.ni + top / T, "ni": w * z.nr, "dr": -w * z.di + bottom / T, "di": w * z.dr}
        F = np.zeros((len(self.names), len(self.names)))
        for name, row in rates.items():
            F[self.at[name]] = row * T
        probes = vars(probe) | {"vc": vc, "push": control.push}
        probes["trip"] = p.sense * probe.isw + p.ramp * z.tau - vc
        if self.by_duty:
            probes["edge"] = z.tau - (z.duty if self.closed else z.ctl)
        if p.current_limit is not None:
            probes["limit"] = p.sense * probe.isw - p.current_limit * z.one
        return F, probes

    def drawn(self, z, probe):
        """Current out of the source: into the converter, or into its input filter."""
        return z.iin if self.p.input_filter else probe.iin

    def mode(self, devices, clamp=0):
        """Motion and probes of one set of devices, prepared when first met."""
        key = (*devices, clamp)
        if key not in self.modes:
            F, probes = self.rows(devices, clamp)
            guards = []
            if devices[0]:
                guards.append(("trip", probes["edge" if self.by_duty else "trip"]))
                if "limit" in probes and not self.by_duty:
                    guards.append(("limit", probes["limit"]))
            if not self.p.synchronous:
                guards.append(("blocks", -probes["idd"]) if devices[1] else ("conducts", probes["forward"]))
            if self.clamps:
                one = np.eye(len(self.names))[self.at["one"]]
                if clamp:
                    guards.append(("release", -clamp * probes["push"]))
                else:
                    low, high = self.p.control.clamp
                    guards += [("clamp high", probes["vc"] - high * one), ("clamp low", low * one - probes["vc"])]
            motion = Motion(F, guards, self.coarse)
            watch = [k for k, (name, _) in enumerate(guards) if name not in ("trip", "limit")]
            probes = SimpleNamespace(**probes)
            self.modes[key] = (motion, probes, list(range(len(guards))), watch)
        return self.modes[key]

    @property
    def clamps(self):
        """Whether a clamp can act."""
        return self.closed and not self.by_duty and self.p.control.clamp is not None

    def start(self, x, *, ctl, isink=0.0, duty=0.0, sine=0.0, cosine=0.0):
        """Full state from the circuit's own states and the constants."""
        z = np.zeros(len(self.names))
        z[: self.n] = x
        given = {
            "ctl": ctl,
            "isink": isink,
            "vin": self.p.vin,
            "one": 1.0,
            "duty": duty,
            "sine": sine,
            "cosine": cosine,
        }
        for name, value in given.items():
            if name in self.at:
                z[self.at[name]] = value
        return z
