"""Start-ups and line drop-outs against brute force: hand-written equations, no code shared; derived.

Three ways through hand-written equations: ``solve_ivp`` with events, where clamp and amplifier limit are at work; exact exponentials
between edges (`bruteforce`); and for two outputs the nodal equations of `test_two_outputs`, integrated. The reference rises in a true
straight line in all of them, and its final value is the judge's own: the one that makes the average output the specified one.

Largest difference found of the mean output of a cycle: 1.1e-8 V against ``solve_ivp`` (1e-11 per step), 2.7e-9 V against the exponentials,
1.4e-9 V with two outputs. The tolerance of all is 1e-7 V.
"""

from __future__ import annotations

import re
from collections import Counter

import numpy as np
import pytest
from bruteforce.casevalues import corners, read_case
from bruteforce.judging import judge
from bruteforce.simulator import Simulator
from numpy.testing import assert_allclose
from random_designs import draw
from rising import IntegratedSimulator, follow, overshoot_and_time
from scipy.integrate import solve_ivp
from test_two_outputs import FLYBACK, Flyback, closed_devices

import loopdesign as ld
from loopdesign.case import parse_case
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.orbit.operating_point import operating_point

BOOST = """
title = "Start of a boost"
[converter]
topology = "boost"
switching_frequency = "300 kHz"
[specification]
input_voltage = ["12 V"]
output_voltage = "24 V"
output_current = ["0.5 A"]
load = "resistive"
line_dropout = { to = "2 V", for = "0.1 ms" }
[stage]
L1 = { inductance = "22 uH", resistance = "32 mohm" }
Co = { capacitance = "22 uF", esr = "15 mohm" }
switch = { resistance = "16 mohm" }
diode = { drop = "0.42 V", resistance = "14 mohm" }
[modulator]
scheme = "peak current"
sense_gain = "55 mV/A"
slope = "33 mV/us"
max_duty = 0.9
current_limit = "200 mV"
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
output_current_limit = "60 uA"
reference = "1.2 V"
soft_start = "0.4 ms"
clamp = { min = "0.1 V", max = "0.6 V" }
[divider]
lower = "5.6 kohm"
[compensation]
network = "type II"
R1 = "3.9 kohm"
C1 = "22 nF"
C2 = "220 pF"
"""

SEPIC = """
title = "Start of a SEPIC"
[converter]
topology = "sepic"
switching_frequency = "300 kHz"
[specification]
input_voltage = ["13 V"]
output_voltage = "15 V"
output_current = ["1 A"]
load = "resistive"
line_dropout = { to = "0 V", for = "0.2 ms" }
[stage]
L1 = { inductance = "33 uH", resistance = "45 mohm" }
L2 = { inductance = "22 uH", resistance = "40 mohm" }
coupling = 0.3
Cs = { capacitance = "6.8 uF", esr = "4 mohm" }
damper = { resistance = "2.7 ohm", capacitance = "33 uF" }
Co = { capacitance = "47 uF", esr = "15 mohm" }
switch = { resistance = "18 mohm" }
diode = { drop = "0.45 V", resistance = "15 mohm" }
[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "45 mV/us"
max_duty = 0.85
turn_off_delay = "60 ns"
blanking = "120 ns"
current_limit = "300 mV"
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"
soft_start = "0.601 ms"
[divider]
lower = "10 kohm"
[compensation]
network = "type II"
R1 = "3 kohm"
C1 = "47 nF"
C2 = "330 pF"
"""

LATCHING = """
title = "Boost that latches"
[converter]
topology = "boost"
switching_frequency = "300 kHz"
[specification]
input_voltage = ["5 V"]
output_voltage = "12 V"
output_current = ["1.8 A"]
load = "resistive"
[stage]
L1 = { inductance = "10 uH", resistance = "80 mohm" }
Co = { capacitance = "47 uF", esr = "15 mohm" }
switch = { resistance = "60 mohm" }
diode = { drop = "0.4 V", resistance = "20 mohm" }
[modulator]
scheme = "peak current"
sense_gain = "30 mV/A"
slope = "15 mV/us"
max_duty = 0.95
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type II"
R1 = "1 kohm"
C1 = "47 nF"
C2 = "330 pF"
"""


def runs(text):
    return ld.step(parse_case(text, "case.toml"), start=True)


def books_balance(*runs):
    """What the source gives is burnt, drawn or stored; nothing is interrupted but where coupled or series inductors stop."""
    for rise in runs:
        energy = rise.record.energy
        assert abs(energy.missing) < 1e-7
        assert energy.source_j > energy.loads_j > 0.0
        assert energy.losses_j > 0.0
        assert 0.0 <= energy.interrupted_j + 1e-12 < 1e-3 * energy.source_j


def final_reference(text, vin, load):
    """The judge's operating point, and the reference that makes its average output the specified one."""
    p = read_case(text, vin, load)
    found = judge(p)
    assert found.exists
    assert not found.held
    return p, found


def risen(final, over):
    """Reference at the clock of a cycle: a straight line over a number of periods."""
    return lambda k: final * min(1.0, k / over) if over else final


def followed(rise, sim, z, *, cycles, reference, line, **devices):
    """Compare the trace of a run, cycle by cycle, and return the judge's."""
    told = follow(sim, z, cycles=cycles, reference=reference, line=line, **devices)
    return (
        told,
        float(np.abs(rise.record.mean[:cycles] - told.mean).max()),
        float(np.abs(rise.record.control[:cycles] - told.control).max()),
    )


def test_boost_with_clamp_amplifier_limit_and_current_limit_by_solve_ivp():
    made = runs(BOOST)
    start, gap = made.results
    books_balance(start, gap)
    p, found = final_reference(BOOST.replace("output_current_limit", "# "), 12.0, 0.5)
    sim = IntegratedSimulator(p, most=60e-6)
    z = sim.start(np.zeros(sim.n), ctl=0.0)
    z = follow(sim, z, cycles=1, reference=lambda _k: 0.0, line=lambda _k: 0.0, count=0).z  # the controller is awake
    sim.seen = {}
    told, output, control = followed(
        start, sim, z, cycles=160, reference=risen(found.ctl, 120.0), line=lambda _k: 12.0, count=0
    )
    assert output < 1e-7
    assert control < 1e-7
    over, _ = overshoot_and_time(told.mean, 24.0, 0.24, p.period)
    _, time = overshoot_and_time(
        start.record.mean, 24.0, 0.24, p.period
    )  # ours runs on; the judge has seen all that moves
    assert start.overshoot_v == pytest.approx(over, abs=1e-7)
    assert start.settling_time_s == time
    assert start.peak_current_a == pytest.approx(sim.seen["isw"], rel=1e-6)
    assert start.record.peaks["i(L1)"] == pytest.approx(sim.seen["i1"], rel=1e-3)  # the inrush, between samples
    assert Counter(told.ended)["limit"] == start.record.ended[:160].count("current limit") > 0
    assert start.record.limited[:160].any()
    z = sim.start(found.orbit.x, ctl=found.ctl)
    told, output, control = followed(
        gap, sim, z, cycles=70, reference=lambda _k: found.ctl, line=lambda k: 2.0 if k < 30 else 12.0,
        diode=found.orbit.diode, count=0,
    )  # fmt: skip
    assert output < 1e-7
    assert control < 1e-7
    assert gap.lowest_output_v == pytest.approx(min(told.mean), abs=1e-7)


def test_sepic_start_and_line_dropout_by_exact_brute_force():
    made = runs(SEPIC)
    start, gap = made.results
    books_balance(start, gap)
    p, found = final_reference(SEPIC, 13.0, 1.0)
    sim = Simulator(p, closed=True, ramped=True)
    line = {"start": lambda _k: 13.0, "dropout": lambda k: 0.0 if k < 60 else 13.0}
    states = {"start": (np.zeros(sim.n), 0.0, False), "dropout": (found.orbit.x, found.ctl, found.orbit.diode)}
    over = 0.601e-3 * 300e3
    reference = {"start": lambda k: found.ctl * min(1.0, k / over), "dropout": lambda _k: found.ctl}
    for rise in (start, gap):
        x, ctl, diode = states[rise.kind]
        told, output, control = followed(
            rise, sim, sim.start(x, ctl=ctl), cycles=len(rise.record.mean), reference=reference[rise.kind],
            line=line[rise.kind], diode=diode,
        )  # fmt: skip
        assert output < 1e-7
        assert control < 1e-7
        highest, time = overshoot_and_time(told.mean, 15.0, 0.15, p.period, 60 if rise.kind == "dropout" else 0)
        assert rise.overshoot_v == pytest.approx(highest, abs=1e-7)
        assert rise.settling_time_s == pytest.approx(time, rel=1e-12)
        assert rise.peak_current_a == pytest.approx(told.peaks["isw"], rel=1e-4)
        assert rise.record.peaks["i(L2)"] == pytest.approx(told.peaks["i2"], rel=1e-4)
        ours = rise.record.ended  # a trip within the delay before the largest duty may bear either name
        assert all(
            (a == "limit") == (b == "current limit")
            for a, b in zip(told.ended, ours, strict=True)
            if a != "largest duty"
        )
        assert rise.limited_cycles >= told.ended.count("limit") > 0
    assert gap.lowest_output_v == pytest.approx(min(told.mean), abs=1e-7)


def test_output_that_folds_over_at_the_largest_duty_latches_and_a_soft_start_passes_it():
    """Duty against output folds over: at the largest duty losses keep a boost below its target, and the loop holds it there."""
    p, found = final_reference(LATCHING, 5.0, 1.8)
    assert found.stable
    made = runs(LATCHING)
    (stuck,) = made.results
    books_balance(stuck)
    sim = Simulator(p, closed=True, ramped=True)
    told, output, _ = followed(
        stuck, sim, sim.start(np.zeros(sim.n), ctl=found.ctl), cycles=600, reference=lambda _k: found.ctl,
        line=lambda _k: 5.0, count=0,
    )  # fmt: skip
    assert told.mean[-1] < 11.0
    assert set(told.ended[100:]) == {"largest duty"}
    assert stuck.latched
    assert not made.stable
    assert "largest duty" in stuck.reason
    assert output < 1e-7
    eased = LATCHING.replace('reference = "1.2 V"', 'reference = "1.2 V"\nsoft_start = "2 ms"')
    (passed,) = runs(eased).results
    told, output, _ = followed(
        passed, sim, sim.start(np.zeros(sim.n), ctl=0.0), cycles=750, reference=risen(found.ctl, 600.0),
        line=lambda _k: 5.0, count=0,
    )  # fmt: skip
    assert told.mean[-1] == pytest.approx(12.0, abs=0.02)
    assert passed.stable
    assert output < 1e-7


class Driven:
    """A stage by its own equations with amplifier, comparator and current limit by hand, integrated by ``solve_ivp`` with events.

    C2 vc' = gm (vref - vfb) - vc/ro - (vc - v1)/R1,  R1 C1 v1' = vc - v1; the switch opens where the sensed signal with its ramp
    comes to vc, or without it to the limit.
    """

    gm, ro, last = 1e-3, 2e6, 0.75

    def __init__(self, stage, *, T, sense, slope, limit, R1, C1, C2):
        self.stage, self.T, self.sense, self.slope, self.limit = stage, T, sense, slope, limit
        self.R1, self.C1, self.C2, self.n = R1, C1, C2, len(stage.states)
        self.y, self.diodes, self.ended, self.highest = np.zeros(self.n + 2), [False] * stage.rectifiers, [], 0.0

    def flow(self, on, diodes, reference):
        def rate(t, z):
            slope, out, *_ = self.stage.solve(z[: self.n], on, diodes)
            vc, v1 = z[self.n : self.n + 2]
            first = (vc - v1) / self.R1
            push = self.gm * (reference(t) - self.stage.fed(out)) - vc / self.ro - first
            return np.concatenate([slope, [push / self.C2, first / self.C1], out])

        return rate

    def events(self, on, diodes):
        solve, n = self.stage.solve, self.n

        def moved(k):
            return lambda _t, z: solve(z[:n], on, diodes)[2][k] if diodes[k] else -solve(z[:n], on, diodes)[3][k]

        found = [(moved(k), -1.0) for k in range(self.stage.rectifiers)]
        if on:
            found.append((lambda t, z: self.sense * z[0] + self.slope * t - z[n], 1.0))
            found.append((lambda _t, z: self.sense * z[0] - self.limit, 1.0))
        for event, direction in found:
            event.terminal, event.direction = True, direction
        return [event for event, _ in found]

    def cycle(self, reference):
        """Move on by a period; returns the mean of every output."""
        n, count = self.n, len(self.stage.R)
        y, t, on = np.concatenate([self.y, np.zeros(count)]), 0.0, True
        diodes, ended = closed_devices(self.stage, y[:n], on=on), "largest duty"
        if self.sense * y[0] - y[n] >= 0.0:
            on, diodes, ended = False, closed_devices(self.stage, y[:n], on=False), "skipped"
        while t < self.T * (1 - 1e-12):
            horizon = self.last * self.T if on else self.T
            scale = np.maximum(np.abs(y), 1e-4 * np.array([1.0] * (n + 2) + [self.T] * count))
            run = solve_ivp(
                self.flow(on, diodes, reference), (t, horizon), y, method="LSODA", rtol=1e-11, atol=1e-12 * scale,
                events=self.events(on, diodes), max_step=self.T / 8,
            )  # fmt: skip
            t, y = run.t[-1], run.y[:, -1]
            hit = next((k for k, e in enumerate(run.t_events) if len(e)), None)
            self.highest = max(self.highest, *(self.stage.solve(z[:n], on, diodes)[1][-1] for z in run.y.T))
            if hit is not None and hit < self.stage.rectifiers:
                diodes[hit] = not diodes[hit]
            elif on and (hit is None or hit >= self.stage.rectifiers):
                ended = ended if hit is None else ("comparator", "current limit")[hit - self.stage.rectifiers]
                on = False
                diodes = closed_devices(self.stage, y[:n], on=False)
            if not on and not any(diodes):
                y[0] = 0.0
        self.y, self.diodes = y[: n + 2], diodes
        self.ended.append(ended)
        return y[n + 2 :] / self.T


class Boost:
    """Boost whose load has a knee: a string of diodes with its sense resistor, or a current sink."""

    states, rectifiers, R = ("i(L1)", "v(Co)"), 1, (None,)
    vin, L, wire, rsw, rd, drop, C, esr = 12.0, 22e-6, 0.032, 0.016, 0.014, 0.42, 22e-6, 0.015

    def __init__(self, *, knee, below, above, fed, share=1.0):
        self.knee, self.below, self.above, self.fed, self.share = knee, below, above, fed, share

    def load(self, inflow, held):
        """Voltage across the load where the capacitor holds `held`: each law is a conductance and a current at zero volts."""
        for conductance, current in (self.below, self.above):
            v = (held + self.esr * (inflow - current)) / (1.0 + self.esr * conductance)
            if v <= self.knee:
                break
        return v, conductance * v + current

    def solve(self, y, on, diodes):
        i, held = y
        through = i if diodes[0] and not on else 0.0
        v, drawn = self.load(through, held)
        a = self.rsw * i if on else (v + self.drop + self.rd * i if diodes[0] else v)
        slope = np.array(
            [(self.vin - self.wire * i - a) / self.L if on or diodes[0] else 0.0, (through - drawn) / self.C]
        )
        forward = (a if on else self.vin) - v - self.drop
        shown = min(v, self.knee) + self.share * max(v - self.knee, 0.0)  # the string without its sense resistor
        return slope, [shown], [through if not on else -1.0], [forward], i if on else 0.0


LOADS = {
    "voltage": (
        (('output_voltage = "24 V"', 'regulate = "current"\nvoltage_load = { drop = "22 V", resistance = "4 ohm" }'),
         ('output_current = ["0.5 A"]', 'output_current = ["0.3 A"]'), ('load = "resistive"', 'load = "voltage"'),
         ('[divider]\nlower = "5.6 kohm"', '[current_sense]\nresistance = "0.5 ohm"'), ('"1.2 V"', '"150 mV"'),
         ('R1 = "3.9 kohm"', 'R1 = "2 kohm"'), ('C1 = "22 nF"', 'C1 = "100 nF"')),
        {"knee": 22.0, "below": (0.0, 0.0), "above": (1 / 4.5, -22.0 / 4.5), "share": 8 / 9, "fed": lambda out: 0.125 * max(out[0] - 22.0, 0.0)},
        {"R1": 2e3, "C1": 100e-9, "C2": 220e-12},
    ),
    "current": (
        (('load = "resistive"', 'load = "current"'), ('output_current = ["0.5 A"]', 'output_current = ["1 A"]')),
        {"knee": 2.4, "below": (1.0 / 2.4, 0.0), "above": (0.0, 1.0), "fed": lambda out: out[0] / 20.0},
        {"R1": 3.9e3, "C1": 22e-9, "C2": 220e-12},
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", LOADS)
def test_start_into_a_load_with_a_knee_by_solve_ivp(kind):
    """A string of diodes at a regulated current draws nothing below its drop; a current sink is a resistor below a tenth."""
    changes, law, network = LOADS[kind]
    text = BOOST
    for old, new in (
        ('output_current_limit = "60 uA"\n', ""), ('clamp = { min = "0.1 V", max = "0.6 V" }\n', ""),
        ('line_dropout = { to = "2 V", for = "0.1 ms" }\n', ""), ("max_duty = 0.9", "max_duty = 0.75"), *changes,
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    case = parse_case(text, "case.toml")
    (start,) = ld.step(case, start=True).results
    books_balance(start)
    final = float(closed_point(case, 12.0, case.specification.output_current.values[0]).trim[0])
    run = Driven(Boost(**law), T=1 / 300e3, sense=0.055, slope=33e3, limit=0.2, **network)
    means = np.array([run.cycle(lambda t, k=k: final * min(1.0, (k + t / run.T) / 120.0)) for k in range(140)])[:, 0]
    ours = start.record.mean[:140]
    assert run.ended[1:] == list(
        start.record.ended[1:140]
    )  # at the first clock rounding may make it a pulse of no length
    assert len(set(run.ended)) > 1
    assert ours.max() > law["knee"] > ours.min()
    assert_allclose(ours, means, atol=1e-7)


def closed_point(case, vin, load):
    """The closed loop's operating point: from it comes the reference that makes the average output the specified one."""
    corner = one_corner(case, vin, load)
    opened, found = solved(case, corner)
    return operating_point(opened.closed(compensation(case, case.compensation.parts, corner)), found.sequence)


class SmallFlyback(Flyback):
    """The flyback of `test_two_outputs` with smaller output capacitors."""

    C = (47e-6, 33e-6)

    @staticmethod
    def fed(out):
        return out[0] / 10.0


def two_output_case():
    text = FLYBACK.read_text(encoding="utf-8")
    for old, new in (
        ('reference = "1.2 V"', 'reference = "1.2 V"\nsoft_start = "0.4 ms"'),
        ("max_duty = 0.75", 'max_duty = 0.75\ncurrent_limit = "360 mV"'),
        ('R1 = "27 kohm"', 'R1 = "3.3 kohm"'), ('C1 = "15 nF"', 'C1 = "68 nF"'),
        ('capacitance = "470 uF"', 'capacitance = "47 uF"'), ('capacitance = "330 uF"', 'capacitance = "33 uF"'),
        ('{ min = "36 V", nominal = "48 V", max = "60 V" }', '["48 V"]'),
        ('output_current = { min = "0.5 A", max = "2 A" }', 'output_current = ["1 A"]'),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new)
    return parse_case(text, "case.toml")


def test_start_of_two_outputs_by_solve_ivp_on_nodal_equations():
    case = two_output_case()
    made = ld.step(case, start=True)
    (start,) = made.results
    stage = SmallFlyback(48.0, 1.0, case.stage.outputs[0].current.nominal)
    judge_of = Driven(stage, T=1 / 150e3, sense=0.2, slope=47e3, limit=0.36, R1=3.3e3, C1=68e-9, C2=220e-12)
    final = float(closed_point(case, 48.0, 1.0).trim[0])
    means = np.array([
        judge_of.cycle(lambda t, k=k: final * min(1.0, (k + t / judge_of.T) / 60.0)) for k in range(115)
    ])  # fmt: skip
    assert judge_of.ended == list(start.record.ended[:115])
    assert start.limited_cycles == judge_of.ended.count("current limit") > 0
    assert_allclose(start.record.mean[:115], means[:, 0], atol=1e-7)
    books_balance(start)
    assert start.peak_current_a == pytest.approx(1.8, rel=1e-6)
    assert start.output_peaks_v["logger"] == pytest.approx(judge_of.highest, rel=1e-6)


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(200, 240))
def test_starts_of_random_designs_of_seven_topologies_by_exact_brute_force(seed):
    text = draw(seed, options=("delay", "blanking", "current_limit"), stratum="ordinary").text
    text = re.sub(r"(?m)^load = .*$", 'load = "resistive"', text)
    vin, load = corners(text)[0]
    p = read_case(text, vin, load)
    found = judge(p)
    if not found.exists or not found.stable:
        pytest.skip("no stable operating point")
    periods = 150
    text = re.sub(r"(?m)^(reference = .*)$", rf"\1\nsoft_start = {periods * p.period!r}", text)
    text = re.sub(r"(?m)^input_voltage = .*$", f"input_voltage = [{vin!r}]", text)
    text = re.sub(r"(?m)^output_current = .*$", f"output_current = [{load!r}]", text)
    (start,) = runs(text).results
    sim = Simulator(p, closed=True, ramped=True)
    z, reference = sim.start(np.zeros(sim.n), ctl=0.0), risen(found.ctl, float(periods))
    told = follow(sim, z, cycles=300, reference=reference, line=lambda _k: vin, count=0)
    near = follow(sim, z, cycles=300, reference=reference, line=lambda _k: vin * (1.0 + 1e-10), count=0)
    grown = np.maximum.accumulate(
        np.abs(np.subtract(near.mean, told.mean))
    )  # of a run that doubles its periods, rounding grows
    assert np.all(np.abs(start.record.mean[:300] - told.mean) < 1e-7 * p.target + 1000.0 * grown)
    assert grown[50] < 1e-6 * p.target
