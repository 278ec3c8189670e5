"""Flyback with leakage and clamp against hand-written equations, integrated by solve_ivp with events; no code shared.

Derived: the leakage in series with an ideal primary, the magnetising inductance across it, all currents and voltages of
each set of conducting devices written down by hand. One period from the engine's orbit must come back to where it
began, with the same duty and average; what the clamp takes follows from an energy balance that leaves the clamp out;
the period map by differences has the engine's multipliers; a small sinusoid on the control voltage gives the plant.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import loopdesign as ld
from loopdesign.analysis.findings.clamp import clamp_findings
from loopdesign.corners.converters import one_corner, solved
from loopdesign.models.switched import control_to_output, linearise
from loopdesign.orbit.waveforms import waveforms

CASE = Path(__file__).parents[2] / "cases" / "ice_radar_flyback.toml"
STATES = ("i(leakage)", "i(L1)", "v(Cc)", "v(Co)")
T = 1.0 / 140e3
CCM, DCM = (48.0, 1.8), (56.0, 0.15)


@dataclass
class Stage:
    """The values of the case, typed in again."""

    vin: float
    load: float
    n: float = 0.36
    lm: float = 110e-6
    ll: float = 1.8e-6
    rp: float = 0.08
    rs: float = 0.014
    rsw: float = 0.09
    vd: float = 0.5
    rd: float = 0.013
    vcd: float = 0.8
    rcd: float = 0.1
    rc: float = 6.8e3
    cc: float = 15e-9
    co: float = 390e-6
    esr: float = 0.018

    def at(self, y, *, switch, diode, clamp):
        """Derivatives of the states, and every voltage and current that is asked for."""
        il, im, vc, vo = y
        R = 12.0 / self.load
        i_s = (im - il) / self.n if diode else 0.0
        out = (vo + self.esr * i_s) * R / (R + self.esr)
        if switch:
            node = self.rsw * il
        elif clamp:
            node = self.vin + vc + self.vcd + self.rcd * il
        if diode:
            vp = -(self.vd + (self.rs + self.rd) * i_s + out) / self.n
            dm = vp / self.lm
            dl = (self.vin - self.rp * il - node - vp) / self.ll if switch or clamp else 0.0
        elif switch or clamp:  # one current through both
            dl = dm = (self.vin - self.rp * il - node) / (self.ll + self.lm)
            vp = self.lm * dm
        else:
            dl = dm = vp = 0.0
        if not (switch or clamp):
            node = self.vin - vp
        return {
            "slope": np.array([dl, dm, ((il if clamp else 0.0) - vc / self.rc) / self.cc, (out - vo) / self.esr / self.co]),
            "out": out,
            "rectifier": i_s if diode else -(-self.n * vp - out - self.vd),  # what must stay positive
            "clamp": il if clamp else -(node - self.vin - vc - self.vcd),
            "into the clamp": (node - self.vin) * il if clamp else 0.0,
            "drawn": self.vin * (il - (il if clamp else 0.0)),  # the clamp gives its current back to the source
            "delivered": out**2 / R,
            "lost": self.rp * il**2 + (self.rsw * il**2 if switch else 0.0)
            + (self.rs + self.rd) * i_s**2 + self.vd * i_s + (out - vo) ** 2 / self.esr,
        }  # fmt: skip


KEPT = ("out", "into the clamp", "drawn", "delivered", "lost")


def period(stage, y, control, start=0.0, omega=0.0):
    """Integrate one period in peak current mode; control is a function of time.

    Returns the state, the duty, the shares of the period with switch and rectifier together, and the integrals of what
    is kept, the output's with cosine and sine besides.
    """
    t, switch, clamp = 0.0, True, False
    diode = y[1] > y[0] + 1e-9
    kept, duty, both = np.zeros(len(KEPT) + 2), 0.0, 0.0
    while t < T * (1.0 - 1e-12):
        state = {"switch": switch, "diode": diode, "clamp": clamp}

        def flow(time, z, state=state):
            at = stage.at(z[:4], **state)
            angle = omega * (start + time)
            wave = at["out"] * np.array([np.cos(angle), np.sin(angle)])
            return np.concatenate([at["slope"], [at[k] for k in KEPT], wave])

        def rectifier(time, z, state=state):
            return stage.at(z[:4], **state)["rectifier"]

        def clamping(time, z, state=state):
            return stage.at(z[:4], **state)["clamp"]

        def trip(time, z):
            return 0.19 * z[0] + 38e3 * time - control(start + time)

        rectifier.terminal = clamping.terminal = trip.terminal = True
        rectifier.direction = clamping.direction = -1
        trip.direction = 1
        events = [rectifier, clamping, *([trip] if switch else [])]
        z = np.concatenate([y, kept])
        run = solve_ivp(flow, (t, T), z, method="LSODA", rtol=1e-10, atol=1e-13, events=events)
        both += run.t[-1] - t if switch and diode else 0.0
        t, y, kept = run.t[-1], run.y[:4, -1].copy(), run.y[4:, -1]
        hit = next((k for k, e in enumerate(run.t_events) if len(e)), None)
        if hit == 2:
            switch, duty = False, t
            clamp, diode = True, True  # the clamp holds more than the reflected output; else the next line stops it
            assert stage.at(y, switch=False, diode=False, clamp=True)["rectifier"] < 0.0
        elif hit == 1:
            clamp = not clamp
            y[0] = 0.0
        elif hit == 0:
            diode = not diode
            y[1] = y[0]
    return y, duty / T, both / T, kept / T


def solve(corner):
    case = ld.load_case(CASE)
    at = one_corner(case, *corner)
    converter, point = solved(case, at)
    found = clamp_findings(case, at, converter, point, waveforms(converter, point))
    y = (point.start / point.network.state_scale)[0, [point.network.states.index(s) for s in STATES]]
    return point, found, Stage(*corner), y


@pytest.fixture(scope="module", params=[CCM, DCM], ids=["CCM", "DCM"])
def orbit(request):
    return (request.param, *solve(request.param))


def test_orbit_duty_and_clamp(orbit):
    corner, point, found, stage, y = orbit
    assert bool(point.discontinuous[0]) == (corner == DCM)
    end, duty, both, kept = period(stage, y, lambda _t: float(point.trim[0]))
    np.testing.assert_allclose(end, y, rtol=1e-7, atol=1e-8)
    assert duty == pytest.approx(float(point.duty[0]), rel=1e-8)
    assert both == pytest.approx(float(found.lost_duty[0]), rel=1e-6, abs=1e-9)
    assert (both > 1e-3) == (corner == CCM)
    moved = dict(zip(KEPT, kept, strict=False))
    assert moved["out"] == pytest.approx(12.0, rel=1e-8)
    assert found.clamp_loss[0] == pytest.approx(moved["into the clamp"], rel=1e-6)
    # energy drawn less what is delivered and lost elsewhere: the same, without a word about the clamp
    assert found.clamp_loss[0] == pytest.approx(moved["drawn"] - moved["delivered"] - moved["lost"], rel=1e-4)


def period_map(stage, y, control, free):
    """Derivative of the period map over the free states, by central differences."""
    columns = []
    for k in free:
        step = np.zeros(4)
        step[k] = 1e-4 * max(abs(y[k]), 1.0)
        ends = [period(stage, y + sign * step, control)[0] for sign in (1.0, -1.0)]
        columns.append((ends[0] - ends[1])[list(free)] / (2.0 * step[k]))
    return np.array(columns).T


def test_multipliers_and_plant(orbit):
    corner, point, _, stage, y = orbit
    model = linearise(point)
    held = float(point.trim[0])
    free = (1, 2, 3) if corner == CCM else (2, 3)  # the leakage has no current at the clock; in DCM nothing has
    if corner == DCM:
        y = np.where(np.arange(4) < 2, 0.0, y)
    M = period_map(stage, y, lambda _t: held, free)
    ours = np.sort_complex(np.linalg.eigvals(M).astype(complex))
    theirs = model.multipliers[0]
    theirs = np.sort_complex(theirs[np.argsort(-np.abs(theirs))[: len(free)]])
    np.testing.assert_allclose(ours, theirs, atol=2e-6)
    for cycles in (16, 4):
        omega = 2.0 * np.pi / (cycles * T)
        answer = 0.0
        for sign in (1.0, -1.0):
            answer += sign * forced(
                stage, y, (held, sign * 1e-4, omega), cycles, np.linalg.matrix_power(M, cycles), free
            )
        exact = control_to_output(model, np.array([1.0 / (cycles * T)]))[0, 0]
        assert abs(answer / 2e-4 / exact - 1.0) < 2e-4


def forced(stage, y, drive, cycles, over, free):
    """Complex amplitude of the output where the control voltage carries a small cosine, repeated after some cycles."""
    held, size, omega = drive

    def control(time):
        return held + size * np.cos(omega * time)

    free = list(free)
    y = y.copy()
    for _ in range(2):
        z, wave = y, 0.0
        for k in range(cycles):
            z, _, _, kept = period(stage, z, control, k * T, omega)
            wave += kept[-2] - 1j * kept[-1]
        y[free] += np.linalg.solve(np.eye(len(free)) - over, (z - y)[free])
    return 2.0 * wave / cycles
