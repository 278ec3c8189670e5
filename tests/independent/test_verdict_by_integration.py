"""Closed loops integrated by scipy from equations written by hand: verdict, growth rate and frequency of ``check``.

The program's answer comes from the linearised period map of its own netlist. Here the equations of ``handwritten.py`` are
integrated by an eighth-order Runge-Kutta method, cycle by cycle, every edge found by the integrator's own events. The run starts
from the periodic orbit with a small disturbance, once with either sign, and half the difference at the clock edges is the
disturbance alone, free of what is even in it. It grows or dies as d[k+2] = a d[k+1] + b d[k]; the roots of that are the multiplier.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from cyclesim import Converter, operating_point, period_map
from oraclecases import ask, corner, trap
from scipy.integrate import solve_ivp

SIZE = 1e-5
"""Disturbance, as a share of each state's size."""
MOST = 30.0
"""Growth or decay at which a run ends: as far as the disturbance stays small and well above what the integrator errs."""


def _integrate(F, z, span, events=None):
    atol = 1e-14 * np.maximum(np.abs(z), 1e-2)
    done = solve_ivp(lambda _t, y: F @ y, (0.0, span), z, method="DOP853", rtol=1e-12, atol=atol, events=events)
    assert done.success
    return done


def _span(conv, mode, z, span, row=None, sign=1.0):
    """Integrate one interval of at most ``span`` seconds, up to where ``sign * row . z`` rises through zero.

    The integrator finds events on its interpolant, which is of lower order than its steps; integrating up to the event and closing
    the rest by one Newton step puts that right.
    """
    F = conv.F[mode]
    if row is None:
        return _integrate(F, z, span).y[:, -1], span, False

    def event(_t, y):
        return sign * (row @ y)

    event.terminal, event.direction = True, 1.0
    done = _integrate(F, z, span, event)
    if not len(done.t_events[0]):
        return done.y[:, -1], span, False
    time = float(done.t_events[0][0])
    z = _integrate(F, z, time).y[:, -1]
    rest = -float(row @ z) / float(row @ F @ z)
    return z + rest * (F @ z), time + rest, True


def _cycle(conv, z):
    """One switching period from the clock; the on-time ends by the comparator, the diode's by its current."""
    z = z.copy()
    z[conv.at["tau"]] = 0.0
    z, on, tripped = _span(conv, "on", z, conv.p.max_duty * conv.p.period, conv.probe["on"]["trip"])
    assert tripped
    z, off, opened = _span(conv, "off", z, conv.p.period - on, conv.probe["off"]["idd"], -1.0)
    if not opened:
        return z
    if conv.p.l2:
        half = 0.5 * (z[0] - z[1])
        z[0], z[1] = half, -half
    else:
        z[0] = 0.0
    return _span(conv, "idle", z, conv.p.period - on - off)[0]


def _disturbance(conv, orbit, kick, cycles):
    """Disturbance (cycles + 1, n) at the clock edges, each state over its own size."""
    runs = []
    for sign in (1.0, -1.0):
        z = conv.start(orbit.x + sign * kick, vref=orbit.vref)
        states = [z[: conv.n]]
        for _ in range(cycles):
            z = _cycle(conv, z)
            states.append(z[: conv.n])
        runs.append(states)
    return 0.5 * np.subtract(*runs) / np.maximum(np.abs(orbit.x), 0.1)


def _fitted(d, *, real):
    """Multiplier of the disturbance: the root of the recursion that fits every state of every cycle."""
    if real:
        return complex(np.sum(d[1:] * d[:-1]) / np.sum(d[:-1] ** 2))
    a, b = np.linalg.lstsq(np.column_stack([d[1:-1].ravel(), d[:-2].ravel()]), d[2:].ravel(), rcond=None)[0]
    return complex(max(np.roots([1.0, -a, -b]), key=lambda r: (abs(r), r.imag)))


def _light(**changes):
    """Return the damped trap at high line and a load where the diode current reaches zero."""
    return trap(damper=True, specification={"input_voltage": [20.0], "output_current": [0.05]}, **changes)


LOW, MIDDLE = ({"input_voltage": [v], "output_current": [1.25]} for v in (6.0, 13.0))
RUNS = {
    "CCM, undamped at low line": (trap(specification=LOW), "CCM", False, "coupling resonance"),
    "CCM, damped": (trap(damper=True, specification=MIDDLE), "CCM", True, None),
    "CCM, no slope beyond half duty": (
        trap(damper=True, specification=MIDDLE | {"input_voltage": [10.0]}, modulator={"slope": 0.0}),
        "CCM", False, "subharmonic",
    ),
    "DCM": (_light(), "DCM", True, None),
    "DCM, loop too fast": (
        _light(compensation={"R1": 1e3, "C1": 33e-12, "C2": 33e-12}, stage={"Co": {"capacitance": 100e-6, "esr": 1e-3}}),
        "DCM", False, "voltage loop",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", RUNS)
def test_growth_of_a_disturbance_meets_check(name, tmp_path):
    """Item by item: the mode the disturbance was laid along grows by the rate and at the frequency that ``check`` names."""
    case, mode, stable, called = RUNS[name]
    spec = case["specification"]
    found = corner(ask("check", case, tmp_path), spec["input_voltage"][0], spec["output_current"][0])
    conv = Converter(case, closed=True)
    orbit = operating_point(conv)
    assert orbit.mode == found["mode"] == mode
    values, vectors = np.linalg.eig(period_map(conv, orbit))
    worst = int(np.argmax(np.abs(values)))
    along = vectors[:, worst].real / np.max(np.abs(vectors[:, worst]) / np.maximum(np.abs(orbit.x), 0.1))
    real = abs(values[worst].imag) < 1e-9
    cycles = min(60, int(abs(math.log(MOST) / math.log(abs(values[worst])))))
    d = _disturbance(conv, orbit, SIZE * along, cycles)
    fs = 1.0 / conv.p.period
    root = _fitted(d, real=real)
    assert found["stable"] is bool(abs(root) < 1.0) is stable
    assert abs(root) == pytest.approx(found["largest_multiplier"], abs=2e-7)
    told = found["worst_mode"]
    assert told["growth_per_s"] == pytest.approx(math.log(abs(root)) * fs, rel=1e-3)
    assert told["frequency_hz"] == pytest.approx(abs(np.angle(root)) * fs / (2.0 * np.pi), rel=1e-4, abs=1e-6 * fs)
    assert called is None or told["name"] == called
