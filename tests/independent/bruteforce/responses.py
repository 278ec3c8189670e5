"""Small-signal responses of the running converter by an injected sinusoid, in two ways that share only the simulator.

`injected` runs whole periods of a small sinusoid and corrects the starting state until the run closes upon itself.
`sampled` disturbs single periods: the cycle map with the oscillator among its states, differentiated by central differences.  Its
derivative repeats every cycle, so that the periodic response to exp(j w t) follows from one linear solve.
"""

from __future__ import annotations

import numpy as np

from bruteforce.cycles import cycle
from bruteforce.orbits import scales
from bruteforce.simulator import INJECTED, Simulator


def _sizes(p, orbit, inject):
    return {"control": max(abs(orbit.ctl), 0.1), "loop": p.target, "line": p.vin, "load": 1.0}[inject]


def sampled(p, orbit, frequency, *, inject, measure="output", closed=False, step=1e-6):
    """Complex response at one frequency [Hz] from differences of single periods about an orbit."""
    sim = Simulator(p, closed=closed, inject=inject, measure=measure, omega=2.0 * np.pi * frequency)
    n, names = sim.n, sim.names
    moving = [*range(n), *(sim.at[k] for k in INJECTED)]
    base = sim.start(orbit.x, ctl=orbit.ctl)
    size = dict(zip(range(n), scales(orbit.x), strict=True)) | {
        sim.at[k]: _sizes(p, orbit, inject) if k in ("sine", "cosine") else 1.0 for k in INJECTED
    }
    J = np.zeros((len(names), len(names)), complex)
    for k in moving:
        ends = []
        for sign in (1.0, -1.0):
            z = base.copy()
            z[k] += sign * step * size[k]
            ends.append(cycle(sim, z, diode=orbit.diode).z)
        J[:, k] = (ends[0] - ends[1]) / (2.0 * step * size[k])
    turn = np.exp(2j * np.pi * frequency * p.period)
    drive = J[:, sim.at["sine"]] + 1j * J[:, sim.at["cosine"]]  # sine = exp(j w t), cosine = j exp(j w t)
    x = np.linalg.solve(turn * np.eye(n) - J[:n, :n], drive[:n])

    def component(real, imaginary):
        """exp(j w T) times the integral of exp(-j w t) y over one period; the pair q' = j w q + y is linear, so y may be complex."""
        a, b = (J[sim.at[k], :n] @ x + drive[sim.at[k]] for k in (real, imaginary))
        return a + 1j * b

    return component("nr", "ni") / component("dr", "di")


def injected(p, orbit, frequency, *, inject, measure="output", closed=False, jacobian=None, most=20000, amplitude=1e-5):
    """Complex response at a frequency that is a rational multiple of the switching frequency, from whole runs."""
    fs = 1.0 / p.period
    cycles = next(k for k in range(1, most + 1) if abs(k * frequency / fs - round(k * frequency / fs)) < 1e-9 * k)
    sim = Simulator(p, closed=closed, inject=inject, measure=measure, omega=2.0 * np.pi * frequency)
    n, size = sim.n, amplitude * _sizes(p, orbit, inject)
    gain = np.linalg.inv(np.eye(n) - np.linalg.matrix_power(jacobian, cycles))
    x = orbit.x.copy()
    for _ in range(4):
        z, diode = sim.start(x, ctl=orbit.ctl, cosine=size), orbit.diode
        for _ in range(cycles):
            done = cycle(sim, z, diode=diode)
            z, diode = done.z, done.diode
        miss = z[:n] - x
        if np.max(np.abs(miss)) < 1e-11:
            break
        x = x + gain @ miss
    at = sim.at
    return complex(z[at["nr"]], z[at["ni"]]) / complex(z[at["dr"]], z[at["di"]])
