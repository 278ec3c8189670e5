"""A boost written by hand, integrated with ``solve_ivp`` and its events; it shares no code with the program.

    on:    L i' = Vin - (rL + rs) i,                   v = R (vC) / (R + rC)
    off:   L i' = Vin - Vd - (rL + rd) i - v,          v = R (vC + rC i) / (R + rC)
    idle:  i' = 0 with i = 0
    C vC' = iC,    iC = (i in the off-time, else 0) - v / R

Type II around a transconductance amplifier with output resistance ro:

    C1 v1' = (vc - v1) / R1,    C2 vc' = gm (vref - k v) - vc / ro - (vc - v1) / R1

The clock skips its pulse where the control voltage is not above zero; else the switch opens the delay after ``Ri i + Se
t`` reaches the control voltage, or the limit, which it may have done at the clock. Beside the state the integrator carries what is told of
a run: the integrals of the output, of the control voltage, and of what flows in, out and is lost.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.integrate import solve_ivp

RTOL = 1e-9


@dataclass
class Boost:
    """Values in SI units; ``reference`` is that of the amplifier."""

    vin: float
    load: float
    fs: float = 350e3
    L: float = 22e-6
    rL: float = 0.032
    C: float = 100e-6
    rC: float = 0.012
    rs: float = 0.016
    vd: float = 0.42
    rd: float = 0.014
    Ri: float = 0.055
    Se: float = 33e3
    delay: float = 150e-9
    limit: float = np.inf
    gm: float = 1.1e-3
    ro: float = 1.8e6
    R1: float = 6.8e3
    C1: float = 22e-9
    C2: float = 220e-12
    k: float = 1.2 / 24.0
    reference: float = 1.2
    control: float | None = None
    outputs: list = field(default_factory=list)

    def output(self, i, vC, *, feeds):
        return self.load * (vC + self.rC * i * feeds) / (self.load + self.rC)

    def rate(self, mode):
        feeds = mode == "off"

        def f(_t, z):
            i, vC, v1, vc = z[:4]
            v = self.output(i, vC, feeds=feeds)
            iC = i * feeds - v / self.load
            flow = (vc - v1) / self.R1
            if mode == "on":
                di = (self.vin - (self.rL + self.rs) * i) / self.L
                lost = self.rs * i * i
            elif mode == "off":
                di = (self.vin - self.vd - (self.rL + self.rd) * i - v) / self.L
                lost = self.vd * i + self.rd * i * i
            else:
                di, lost, i = 0.0, 0.0, 0.0
            dvc = (self.gm * (self.reference - self.k * v) - vc / self.ro - flow) / self.C2
            dv1 = flow / self.C1
            if self.control is not None:
                dvc = dv1 = 0.0
            return [
                di, iC / self.C, dv1, dvc, v, vc, self.vin * i, v * v / self.load,
                lost + self.rL * i * i + self.rC * iC * iC,
            ]  # fmt: skip

        return f

    def go(self, mode, z, begin, span, crossing=None):
        """Integrate for a span [s], or up to where a function of time since the clock and state rises through zero."""
        if span <= 0.0:
            return z, 0.0, False
        events = None
        if crossing is not None:

            def events(t, y):
                return crossing(begin + t, y)

            events.terminal, events.direction = True, 1.0
        scale = [1e-7, 1e-7, 1e-8, 1e-8, 1e-10, 1e-12, 1e-12, 1e-12, 1e-14]
        done = solve_ivp(self.rate(mode), (0.0, span), z, method="LSODA", rtol=RTOL, atol=scale, events=events)
        assert done.success
        v = self.output(done.y[0], done.y[1], feeds=mode == "off")
        self.outputs += [float(v.min()), float(v.max())]
        return done.y[:, -1], float(done.t[-1]), bool(events is not None and len(done.t_events[0]))

    def cycle(self, z, max_duty=0.9):
        """One period: the state at its end, and whether it had a pulse."""
        period, on = 1.0 / self.fs, 0.0

        def trips(t, y):
            return max(self.Ri * y[0] + self.Se * t - y[3], self.Ri * y[0] - self.limit)

        pulse = z[3] > 0.0
        if pulse:
            if trips(0.0, z) < 0.0:
                z, on, _ = self.go("on", z, 0.0, max_duty * period, trips)
            z, more, _ = self.go("on", z, on, min(self.delay, max_duty * period - on))
            on += more
        left = period - on
        if z[0] > 1e-9:
            z, off, stopped = self.go("off", z, on, left, lambda _t, y: -y[0])
            left -= off
            if not stopped:
                return z, pulse
            z = z.copy()
            z[0] = 0.0
        return self.go("idle", z, period - left, left)[0], pulse

    def stored(self, z):
        return 0.5 * self.L * z[0] ** 2 + 0.5 * self.C * z[1] ** 2

    def run(self, z, cycles):
        """States (N+1,9) at the clocks, and which periods had a pulse (N,)."""
        states, pulses = [np.asarray(z, float)], []
        for _ in range(cycles):
            z, pulse = self.cycle(states[-1])
            states.append(z)
            pulses.append(pulse)
        return np.array(states), np.array(pulses)

    def missing_energy(self, states):
        """Share of what flows in that is neither delivered, nor lost, nor stored, over a run."""
        came, went, lost = states[-1, 6:9] - states[0, 6:9]
        return (came - went - lost - self.stored(states[-1]) + self.stored(states[0])) / came


def case_of(boost, *, loads, **modulator):
    """Write the same converter as a case of plain numbers."""
    return {
        "title": "fog-signal supply",
        "converter": {"topology": "boost", "switching_frequency": boost.fs, "rectifier": "diode"},
        "specification": {
            "input_voltage": [boost.vin], "output_voltage": 24.0, "output_current": loads, "load": "resistive",
        },
        "stage": {
            "L1": {"inductance": boost.L, "resistance": boost.rL},
            "Co": {"capacitance": boost.C, "esr": boost.rC},
            "switch": {"resistance": boost.rs},
            "diode": {"drop": boost.vd, "resistance": boost.rd},
        },
        "modulator": {"scheme": "peak current", "sense_gain": boost.Ri, "slope": boost.Se, "max_duty": 0.9} | modulator,
        "error_amplifier": {
            "kind": "transconductance", "gm": boost.gm, "output_resistance": boost.ro, "reference": 1.2,
        },
        "divider": {"lower": 10e3, "upper": 190e3},
        "compensation": {"network": "type II", "R1": boost.R1, "C1": boost.C1, "C2": boost.C2},
    }  # fmt: skip
