"""Stages with two outputs against hand-written equations integrated by solve_ivp with events; derived, no code shared.

The hand-written network is solved for its node voltages at every instant from the inductor currents and capacitor
voltages; which rectifiers conduct follows from events. Over one period from the engine's orbit the state must come
back, the regulated average be the specified one and the other average that of the table of cross regulation.
"""

from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

import loopdesign as ld
from loopdesign.analysis.outputs.cross import cross_regulation
from loopdesign.corners.converters import line_load_corners, one_corner, solved
from loopdesign.network.converter import output_probe
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import Devices
from loopdesign.orbit.waveforms import average_probe
from loopdesign.report.loop.response_text import response_heading

CASES = Path(__file__).parents[2] / "cases"
FLYBACK, SEPIC = CASES / "mooring_head_flyback.toml", CASES / "current_profiler_bipolar.toml"


class Flyback:
    """Two secondaries on one core, magnetising inductance on the primary side."""

    C = (470e-6, 330e-6)

    states = ("i(L1)", "v(Co)", "v(C5)")
    rectifiers = 2

    def __init__(self, vin, load, further):
        self.vin, self.R = vin, (12.0 / load, 5.0 / further)

    def solve(self, y, on, diodes, drawn=0.0):
        i, caps = y[0], y[1:]
        n, wire, rd, drop, esr = (0.4, 0.17), (0.015, 0.010), (0.012, 0.015), (0.45, 0.4), (0.016, 0.020)
        sink = (0.0, drawn)
        # out_k = (vc + esr (i_k - sink)) R / (R + esr): behind each rectifier a source with a resistance
        source = [(caps[k] - esr[k] * sink[k]) * self.R[k] / (self.R[k] + esr[k]) for k in (0, 1)]
        inner = [esr[k] * self.R[k] / (self.R[k] + esr[k]) for k in (0, 1)]
        total = [wire[k] + rd[k] + inner[k] for k in (0, 1)]
        if on:
            e = -(self.vin - (0.070 + 0.075) * i)  # winding voltage that a rectifier sees is n e
        elif any(diodes):
            weight = sum(n[k] ** 2 / total[k] for k in (0, 1) if diodes[k])
            offset = sum(n[k] * (drop[k] + source[k]) / total[k] for k in (0, 1) if diodes[k])
            e = (i + offset) / weight
        else:
            e = 0.0
        currents = [(n[k] * e - drop[k] - source[k]) / total[k] if diodes[k] else 0.0 for k in (0, 1)]
        out = [source[k] + inner[k] * currents[k] for k in (0, 1)]
        charge = [(out[k] - caps[k]) / esr[k] for k in (0, 1)]
        slope = np.array([-e / 90e-6, charge[0] / self.C[0], charge[1] / self.C[1]])
        forward = [n[k] * e - drop[k] - out[k] for k in (0, 1)]
        return slope, out, currents, forward, i if on else 0.0


class Bipolar:
    """SEPIC whose switch node also feeds a branch to a negative output."""

    states = ("i(L1)", "i(L2)", "i(L3)", "v(Cs)", "v(Cd)", "v(Cs2)", "v(Cd2)", "v(Co)", "v(Cn)")
    rectifiers = 2

    def __init__(self, vin, load, further):
        self.vin, self.R = vin, (15.0 / load, 15.0 / further)

    def solve(self, y, on, diodes, drawn=0.0):
        l1, l2, l3, cs, cd, cs2, cd2, co, _ = y
        d1, d2 = diodes
        A, r = np.zeros((4, 4)), np.zeros(4)  # node voltages a, b, c, out
        A[0, 0] += 1 / 0.015 if on else 0.0
        for esr, other, held in ((0.004, 1, cs), (2.7, 1, cd), (0.005, 2, cs2), (3.9, 2, cd2)):
            A[0, 0] += 1 / esr
            A[0, other] -= 1 / esr
            r[0] += held / esr
            A[other, other] += 1 / esr
            A[other, 0] -= 1 / esr
            r[other] -= held / esr
        r[0] += l1
        r[1] += l2
        r[2] += l3
        A[3, 3] += 1 / 0.012 + 1 / self.R[0]
        r[3] += co / 0.012
        if d1:
            A[1, 1] += 1 / 0.015
            A[1, 3] -= 1 / 0.015
            A[3, 3] += 1 / 0.015
            A[3, 1] -= 1 / 0.015
            r[1] += 0.45 / 0.015
            r[3] -= 0.45 / 0.015
        if d2:
            A[2, 2] += 1 / 0.025
            r[2] += 0.45 / 0.025
        if not on and not d1 and not d2:  # nothing carries the sum of the currents: it must be zero, and stay so
            return self.blocked(y, drawn)
        a, b, c, out = np.linalg.solve(A, r)
        return self.flows(y, (a, b, c, out), (on, d1, d2), drawn)

    def flows(self, y, nodes, devices, drawn):
        l1, l2, l3, cs, cd, cs2, cd2, co, cn = y
        a, b, c, out = nodes
        on, d1, d2 = devices
        minus = (l3 - drawn + cn / 0.020) / (1 / 0.020 + 1 / self.R[1])  # its size
        slope = np.array([
            (self.vin - a - 0.030 * l1) / 33e-6, (-b - 0.045 * l2) / 33e-6, (-minus - c - 0.060 * l3) / 47e-6,
            (a - b - cs) / 0.004 / 6.8e-6, (a - b - cd) / 2.7 / 33e-6, (a - c - cs2) / 0.005 / 4.7e-6,
            (a - c - cd2) / 3.9 / 22e-6, (out - co) / 0.012 / 150e-6, (minus - cn) / 0.020 / 47e-6,
        ])  # fmt: skip
        currents = [(b - out - 0.45) / 0.015 if d1 else 0.0, (c - 0.45) / 0.025 if d2 else 0.0]
        return slope, [out, minus], currents, [b - out - 0.45, c - 0.45], a / 0.015 if on else 0.0

    def blocked(self, y, drawn):
        """All devices open: the free voltage keeps the sum of the inductor currents at rest."""

        def at(level):
            _, l2, l3, cs, cd, cs2, cd2, co, _ = y
            g1, g2 = 1 / 0.004 + 1 / 2.7, 1 / 0.005 + 1 / 3.9
            b = level - (cs / 0.004 + cd / 2.7 - l2) / g1
            c = level - (cs2 / 0.005 + cd2 / 3.9 - l3) / g2
            out = co / 0.012 / (1 / 0.012 + 1 / self.R[0])
            return self.flows(y, (level, b, c, out), (False, False, False), drawn)

        first, second = (at(level)[0][:3].sum() for level in (0.0, 1.0))
        return at(-first / (second - first))


def closed_devices(stage, y, *, on):
    """Find the rectifiers that conduct: forward currents, and less than its drop across every other one."""
    for diodes in sorted(product((False, True), repeat=stage.rectifiers), key=lambda d: (not on) * -sum(d) or sum(d)):
        _, _, currents, forward, _ = stage.solve(y, on, diodes)
        scale = 1e-7
        if all(c >= -scale for c, d in zip(currents, diodes, strict=True) if d) and all(
            f <= scale for f, d in zip(forward, diodes, strict=True) if not d
        ):
            return list(diodes)
    raise AssertionError("no set of rectifiers")


def period(stage, y, T, *, duty=None, trip=None, drawn=None, start=0.0, omega=0.0):
    """Integrate one period; the switch opens at a duty or where trip(t, current) rises through zero.

    Returns the state, and of each output the mean, and of the second its mean with cosine and sine besides.
    """
    drawn = drawn or (lambda _t: 0.0)
    t, on, moments = 0.0, True, np.zeros(len(stage.R) + 2)
    diodes = closed_devices(stage, y, on=on)
    order = len(y)
    while t < T * (1 - 1e-12):
        horizon = duty * T if on and duty is not None else T

        def flow(time, z, on=on, diodes=diodes):
            slope, out, *_ = stage.solve(z[:order], on, diodes, drawn(start + time))
            angle = omega * (start + time)
            return np.concatenate([slope, out, [out[1] * np.cos(angle), out[1] * np.sin(angle)]])

        events = []
        for k in range(stage.rectifiers):

            def moved(time, z, k=k, on=on, diodes=diodes):
                _, _, currents, forward, _ = stage.solve(z[:order], on, diodes, drawn(start + time))
                return currents[k] if diodes[k] else -forward[k]

            moved.terminal, moved.direction = True, -1
            events.append(moved)
        if on and trip is not None:

            def tripped(time, z, on=on, diodes=diodes):
                return trip(time, stage.solve(z[:order], on, diodes, drawn(start + time))[4])

            tripped.terminal, tripped.direction = True, 1
            events.append(tripped)
        run = solve_ivp(
            flow, (t, horizon), np.concatenate([y, moments]), method="LSODA", rtol=1e-9, atol=1e-11, events=events
        )
        t, y, moments = run.t[-1], run.y[:order, -1], run.y[order:, -1]
        hit = [k for k, e in enumerate(run.t_events) if len(e)]
        if on and ((not hit and horizon < T) or (hit and hit[0] == stage.rectifiers)):
            on = False
            diodes = closed_devices(stage, y, on=on)
        elif hit:
            diodes[hit[0]] = not diodes[hit[0]]
    return y, moments / T


STAGES = [(FLYBACK, Flyback), (SEPIC, Bipolar)]


@pytest.mark.parametrize(("path", "equations"), STAGES)
def test_orbit_and_averages_of_both_outputs(path, equations):
    case = ld.load_case(path)
    corners = line_load_corners(case)
    converter, point = solved(case, corners)
    name = case.stage.outputs[0].name
    average = average_probe(point, output_probe(name))
    places = [point.network.states.index(s) for s in equations.states]
    for k in range(len(corners)):
        stage = equations(corners.input_voltage[k], corners.load_current[k], case.stage.outputs[0].current.nominal)
        y = (point.start / point.network.state_scale)[k, places]
        end, means = period(stage, y, converter.period, duty=float(point.duty[k]))
        np.testing.assert_allclose(end, y, rtol=2e-6, atol=2e-6)
        assert means[0] == pytest.approx(case.specification.output_voltage, rel=1e-6)
        assert means[1] == pytest.approx(average[k], rel=1e-6)


@pytest.mark.parametrize(("path", "equations"), STAGES)
def test_cross_regulation_moves_with_every_load(path, equations):
    case = ld.load_case(path)
    study = cross_regulation(case)
    output = case.stage.outputs[0]
    assert len(study.input_voltage) == len(case.specification.input_voltage.values) * 4
    k = int(np.argmax(np.abs(study.voltages[output.name] - output.voltage)))
    further = study.currents[output.name][k]
    corner = one_corner(case, study.input_voltage[k], study.load_current[k])
    corner = type(corner)(
        input_voltage=corner.input_voltage, load_current=corner.load_current, temperature=corner.temperature,
        factors={f"{output.name}.current": np.array([further / output.current.nominal])},
    )  # fmt: skip
    converter, point = solved(case, corner)
    y = (point.start / point.network.state_scale)[0, [point.network.states.index(s) for s in equations.states]]
    stage = equations(study.input_voltage[k], study.load_current[k], further)
    _, means = period(stage, y, converter.period, duty=float(point.duty[0]))
    assert means[1] == pytest.approx(study.voltages[output.name][k], rel=1e-6)


def test_output_impedance_of_a_further_output_by_brute_force():
    """A sinusoid of 10 mA drawn from the 5 V output, control voltage held: its component at the same frequency."""
    case = ld.load_case(FLYBACK)
    found = ld.response(case, "output-impedance", frequencies_hz=[7500.0], output="logger", open_loop=True)
    assert response_heading(found).startswith("output-impedance of logger, switched model")
    assert found.to_dict()["output"] == "logger"
    converter, point = solved(case, one_corner(case, 48.0, 2.0))
    T, vc = converter.period, float(point.trim[0])
    stage = Flyback(48.0, 2.0, case.stage.outputs[0].current.nominal)
    y = (point.start / point.network.state_scale)[0, [point.network.states.index(s) for s in Flyback.states]]
    size, omega, count = 0.01, 2 * np.pi * 7500.0, 20  # twenty periods of switching to one of the sinusoid

    def turn(y):
        parts = []
        for n in range(count):
            y, means = period(
                stage, y, T, trip=lambda t, i: 0.2 * i + 47e3 * t - vc, drawn=lambda t: size * np.sin(omega * t),
                start=n * T, omega=omega,
            )  # fmt: skip
            parts.append(means)
        return y, np.mean(parts, axis=0)

    for _ in range(2):  # the state that one turn of the sinusoid brings back, by Newton's method
        end = turn(y)[0]
        step = 1e-3
        jacobian = np.array([(turn(y + step * e)[0] - end) / step for e in np.eye(len(y))]).T
        y = y - np.linalg.solve(jacobian - np.eye(len(y)), end - y)
    _, means = turn(y)
    answer = 2.0 * (means[2] - 1j * means[3]) / (-1j * size)
    assert -answer == pytest.approx(found.values[0], rel=2e-4)


def test_energy_balance_of_a_run():
    """What the source gives is what the parts burn and the loads take, and the change of what is stored."""
    case = ld.load_case(FLYBACK)
    converter, point = solved(case, one_corner(case, 48.0, 1.0))
    values = dict(zip(point.network.inputs, point.inputs[0], strict=True))
    burns = {
        "Rp": 0.070,
        "switch": 0.075,
        "Rs1": 0.015,
        "Rs2": 0.010,
        "diode": 0.012,
        "D2": 0.015,
        "Co": 0.016,
        "C5": 0.020,
    }
    probes = ("i(line)", "v(out)", "v(logger)", *(f"i({n})" for n in burns))
    stepper = CycleStepper(converter, values, probes=probes)
    stepper.set_inputs(control=values["control"] * 1.2)
    x, trace = point.start[0] * 0.6, []

    devices, begin = Devices(switch=False, diode=0), float(x @ x) / 2
    given = taken = 0.0
    for _ in range(40):
        trace = []
        cycle = stepper.cycle(x, devices, trace)
        for segment in trace:
            if segment.length <= 0.0:
                continue
            t, p = stepper.dense(segment, 401, probes)
            seconds = t * converter.period
            values_of = dict(zip(probes, p.T, strict=True))
            load = values_of["v(out)"] ** 2 / 12.0 + values_of["v(logger)"] ** 2 / (5.0 / 0.6)
            losses = sum(r * values_of[f"i({n})"] ** 2 for n, r in burns.items())
            losses = losses + 0.45 * values_of["i(diode)"] + 0.4 * values_of["i(D2)"]
            given += float(np.trapezoid(-48.0 * values_of["i(line)"], seconds))
            taken += float(np.trapezoid(load + losses, seconds))
        x, devices = cycle.x, cycle.devices
    stored = float(x @ x) / 2 - begin
    assert given == pytest.approx(taken + stored, rel=1e-4)
    assert given > 0.0
