"""The independent side is itself held against stored simulations, energy conservation and a second integrator.

The data are excerpts of brute-force simulations of whole converters (cycle-by-cycle simulation, sinusoid injected, correlation over
whole periods; accuracy 1e-5 for plants, 2e-5 for loops).
"""

from __future__ import annotations

import numpy as np
import pytest
from cyclesim import Converter, cycle_means, operating_point, period_map, response, worst
from handwritten import TOPOLOGIES, TWO_INDUCTORS
from oraclecases import reference, trap
from scipy.integrate import solve_ivp
from topologycases import CASES


@pytest.mark.parametrize("name", ["sepic_peak_current_damped", "sepic_peak_current_dcm", "flyback_peak_current_dcm"])
def test_plant_by_injection_meets_the_stored_simulation(name):
    case, rows = reference(name)
    for frequency, re, im in rows:
        found = response(case, frequency, inject="control")
        assert abs(found / complex(re, im) - 1.0) < 1e-5


def test_loop_by_injection_meets_the_stored_simulation():
    case, rows = reference("sepic_coupled_closed_loop")
    for frequency, re, im in rows:
        found = response(case, frequency, inject="loop", measure="loop", closed=True, vref=0.6)
        assert abs(found / complex(re, im) - 1.0) < 2e-5


def test_load_step_meets_the_stored_simulation():
    case, rows = reference("sepic_load_step")
    conv = Converter(case, closed=True)
    orbit = operating_point(conv, vref=1.2)
    means = cycle_means(conv, orbit, cycles=len(rows), isink=0.3)
    np.testing.assert_allclose(means, np.array(rows)[:, 1], atol=1e-8, rtol=0)


def _power_balance(conv, mode, z):
    """Rate of stored energy minus (power in - power dissipated or delivered); zero by Tellegen's theorem."""
    p, dz = conv.p, conv.F[mode] @ z
    value = {name: z[k] for name, k in conv.at.items()}
    rate = {name: dz[k] for name, k in conv.at.items()}
    vo, isw, idd, iin = (conv.probe[mode][key] @ z for key in ("vo", "isw", "idd", "iin"))
    stored = p.l1 * value["i1"] * rate["i1"]
    winding = isw if p.topology == "flyback" else value["i1"]
    lost = p.rsw * isw**2 + (p.vd + (p.rd + p.rsec) * idd) * idd + p.r1 * winding**2
    lost += vo**2 * p.load_conductance + vo * p.load_sink
    for k, (c, r) in enumerate(p.bank):
        stored += c * value[f"vo{k}"] * rate[f"vo{k}"]
        lost += (vo - value[f"vo{k}"]) ** 2 / r
    if p.topology in TWO_INDUCTORS:
        vab = conv.probe[mode]["vab"] @ z
        stored += p.l2 * value["i2"] * rate["i2"] + p.m * (value["i1"] * rate["i2"] + value["i2"] * rate["i1"])
        stored += p.cs[0] * value["vcs"] * rate["vcs"]
        lost += p.r2 * value["i2"] ** 2 + (vab - value["vcs"]) ** 2 / p.cs[1]
        if p.damper:
            stored += p.damper[1] * value["vdp"] * rate["vdp"]
            lost += (vab - value["vdp"]) ** 2 / p.damper[0]
    return stored, p.vin * iin - lost


@pytest.mark.parametrize("topology", sorted(TOPOLOGIES))
@pytest.mark.parametrize("mode", ["on", "off", "idle"])
def test_equations_conserve_energy(topology, mode):
    conv = Converter(CASES[topology])
    rng = np.random.default_rng(7)
    for _ in range(5):
        x = rng.uniform(-3.0, 3.0, conv.n)
        if mode == "idle":
            x[0] = 0.0 if topology not in TWO_INDUCTORS else x[0]
            if topology in TWO_INDUCTORS:
                x[1] = -x[0]
        stored, supplied = _power_balance(conv, mode, conv.start(x))
        assert stored == pytest.approx(supplied, rel=1e-9, abs=1e-9)


def test_stepping_meets_an_adaptive_integrator():
    """One discontinuous cycle, integrated again by an eighth-order Runge-Kutta method with event location."""
    case, _ = reference("sepic_peak_current_dcm")
    conv = Converter(case)
    orbit = operating_point(conv)
    assert orbit.mode == "DCM"
    z, t = conv.start(orbit.x, vhold=orbit.vhold), 0.0

    def event(mode, name):
        def g(_, y):
            return conv.probe[mode][name] @ y

        g.terminal = True
        return g

    for mode, name in (("on", "trip"), ("off", "idd"), ("idle", None)):
        events = None if name is None else event(mode, name)
        F = conv.F[mode]
        run = solve_ivp(
            lambda _, y, F=F: F @ y, (t, conv.p.period), z, method="DOP853", rtol=1e-11, atol=1e-14, events=events
        )
        z, t = run.y[:, -1], run.t[-1]
    exact, on, off = conv.cycle(conv.start(orbit.x, vhold=orbit.vhold))
    np.testing.assert_allclose(z[: conv.n], exact[: conv.n], rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(exact[: conv.n], orbit.x, rtol=1e-9, atol=1e-10)
    assert 0.0 < on + off < 1.0


def test_subharmonic_multiplier_meets_the_textbook_ratio():
    """Without slope compensation a current disturbance is multiplied by about -D/(1-D) each cycle (derived; ripple-free voltages)."""
    case = trap(damper=True, modulator={"slope": 0.0})
    conv = Converter(case, input_voltage=10.0)
    orbit = operating_point(conv)
    eigenvalues = np.linalg.eigvals(period_map(conv, orbit))
    assert np.min(eigenvalues.real) == pytest.approx(-orbit.duty / (1.0 - orbit.duty), rel=0.02)


def test_growth_in_the_time_domain_meets_the_multiplier():
    """Simulated cycles after a small kick grow as the largest multiplier of the differentiated cycle map says."""
    conv = Converter(trap(), closed=True, input_voltage=6.0)
    orbit = operating_point(conv)
    size, frequency, growth, _ = worst(conv, orbit)
    assert size > 1.0
    kick = np.zeros(conv.n)
    kick[0] = 1e-8
    d = cycle_means(conv, orbit, cycles=400, kick=kick)[200:] - orbit.average
    a, b = np.linalg.lstsq(np.column_stack([d[1:-1], d[:-2]]), d[2:], rcond=None)[0]
    root = np.roots([1.0, -a, -b])[0]
    fs = 1.0 / conv.p.period
    assert np.log(abs(root)) * fs == pytest.approx(growth, rel=1e-3)
    assert abs(np.angle(root)) * fs / (2 * np.pi) == pytest.approx(frequency, rel=1e-3)
