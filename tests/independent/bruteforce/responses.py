"""Small-signal responses of the running converter by an injected sinusoid, in two ways that share only the simulator.

`injected` runs whole periods of a small sinusoid and corrects the starting state until the run closes upon itself.
`sampled` disturbs single periods: the cycle map with the oscillator among its states, differentiated.  Its derivative repeats every cycle, so that the periodic response to exp(j w t) follows from one linear solve.
"""

from __future__ import annotations

import numpy as np

from bruteforce.cycles import cycle
from bruteforce.orbits import Orbit, control_needed, scales
from bruteforce.simulator import INJECTED, Simulator

QUANTITIES = {
    "plant": {"inject": "control"},
    "loop": {"inject": "loop", "measure": "loop", "closed": True},
    "line": {"inject": "line", "closed": True},
    "output-impedance": {"inject": "load", "closed": True},
    "input-impedance": {"inject": "line", "measure": "input", "closed": True},
}
"""What is injected and measured for each quantity that the program responds with; the first leaves the loop open."""


def expected(p, found, quantity, frequency):
    """Response of a judged operating point; None where the held control voltage would not keep the orbit."""
    orbit = found.orbit
    if quantity == "plant" and p.control is not None:
        orbit = held(p, found)
        if orbit is None:
            return None
    value = sampled(p, orbit, frequency, by_edges=True, **QUANTITIES[quantity])
    return -value if quantity == "output-impedance" else value


def held(p, found):
    """Orbit of the power stage alone, its control voltage held; None where the comparator does not keep it then."""
    n = len(found.plant.x)
    orbit = Orbit(
        x=found.plant.x, ctl=control_needed(p, found.plant), duty=found.duty, average=found.average,
        cycle=found.plant.cycle, diode=found.plant.diode,
    )  # fmt: skip
    sim = Simulator(p)
    done = cycle(sim, sim.start(orbit.x, ctl=orbit.ctl), diode=orbit.diode)
    return orbit if np.max(np.abs(done.z[:n] - orbit.x) / scales(orbit.x)) < 1e-7 else None


def _sizes(p, orbit, inject):
    return {"control": max(abs(orbit.ctl), 0.1), "loop": p.target, "line": p.vin, "load": 1.0}[inject]


def sampled(p, orbit, frequency, *, inject, measure="output", closed=False, step=1e-6, by_edges=False):
    """Complex response at one frequency [Hz] from the derivative of a single period about an orbit.

    The derivative comes from differences, or `by_edges` from the edges' own jumps: that one loses no digits where the response
    hardly depends on what is injected, or the orbit is very unstable.
    """
    sim = Simulator(p, closed=closed, inject=inject, measure=measure, omega=2.0 * np.pi * frequency)
    n, base = sim.n, sim.start(orbit.x, ctl=orbit.ctl)
    if by_edges:
        J = cycle(sim, base, diode=orbit.diode, derivative=True).J
    else:
        J = _differences(sim, base, orbit, inject, step)
    turn = np.exp(2j * np.pi * frequency * p.period)
    drive = J[:, sim.at["sine"]] + 1j * J[:, sim.at["cosine"]]  # sine = exp(j w t), cosine = j exp(j w t)
    x = np.linalg.solve(turn * np.eye(n) - J[:n, :n], drive[:n])

    def component(real, imaginary):
        """exp(j w T) times the integral of exp(-j w t) y over one period; the pair q' = j w q + y is linear, so y may be complex."""
        a, b = (J[sim.at[k], :n] @ x + drive[sim.at[k]] for k in (real, imaginary))
        return a + 1j * b

    return component("nr", "ni") / component("dr", "di")


def _differences(sim, base, orbit, inject, step):
    """Central differences of whole periods by the circuit's states and the oscillator's."""
    size = dict(enumerate(scales(orbit.x))) | {
        sim.at[k]: _sizes(sim.p, orbit, inject) if k in ("sine", "cosine") else 1.0 for k in INJECTED
    }
    J = np.zeros((len(base), len(base)))
    for k, scale in size.items():
        ends = []
        for sign in (1.0, -1.0):
            z = base.copy()
            z[k] += sign * step * scale
            ends.append(cycle(sim, z, diode=orbit.diode).z)
        J[:, k] = (ends[0] - ends[1]) / (2.0 * step * scale)
    return J


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
