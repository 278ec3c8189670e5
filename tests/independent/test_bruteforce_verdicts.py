"""The judge's smaller parts against closed forms, and its verdicts against what the stepped converter does."""

from __future__ import annotations

from copy import copy
from types import SimpleNamespace

import numpy as np
import pytest
from bruteforce.casevalues import corners, read_case, si
from bruteforce.controllers import closed_control, control_states
from bruteforce.cycles import cycle, dense
from bruteforce.equations import Rows, opened
from bruteforce.judging import judge, settle
from bruteforce.simulator import Motion
from random_designs import draw

NETWORKS = {  # R1, C1, C2, R2, C3
    "type I": (0.0, 0.0, 10e-9, 0.0, 0.0),
    "type II": (12e3, 10e-9, 150e-12, 0.0, 0.0),
    "type II without C2": (12e3, 10e-9, 0.0, 0.0, 0.0),
    "type III": (12e3, 10e-9, 150e-12, 1.5e3, 680e-12),
    "type III without C2": (12e3, 10e-9, 0.0, 1.5e3, 680e-12),
}


def controller(kind, network, feedforward=0.0):
    r1, c1, c2, r2, c3 = NETWORKS[network]
    c = SimpleNamespace(
        kind=kind, r1=r1, c1=c1, c2=c2, r2=r2, c3=c3, upper=90e3, lower=10e3, feedforward=feedforward, clamp=None,
        gm=1e-3, ro=2e6, dc_gain=5e3, gain_bandwidth=4e6,
    )  # fmt: skip
    return SimpleNamespace(control=c)


def closed_form(c, s):
    """Control voltage over sensed voltage, from impedances (derived with the node equations of each amplifier)."""
    network = s * c.c2 + (1.0 / (c.r1 + 1.0 / (s * c.c1)) if c.c1 else 0.0)
    upper = 1.0 / c.upper + s * c.feedforward + (1.0 / (c.r2 + 1.0 / (s * c.c3)) if c.c3 else 0.0)
    if c.kind == "transconductance":
        return -c.gm * upper / (upper + 1.0 / c.lower) / (network + 1.0 / c.ro)
    # vc = -A vfb, A = 1/(1/A0 + s/w); currents into the feedback node: (y - vfb) Yu = vfb Yl + (vfb - vc) Yn
    inverse = 1.0 / c.dc_gain + s / (2.0 * np.pi * c.gain_bandwidth)
    return -upper / (network + inverse * (upper + 1.0 / c.lower + network))


@pytest.mark.parametrize("network", NETWORKS)
@pytest.mark.parametrize(
    ("kind", "feedforward"), [("transconductance", 0.0), ("transconductance", 47e-12), ("operational", 0.0)]
)
def test_controller_meets_its_impedances(kind, feedforward, network):
    p = controller(kind, network, feedforward)
    names = [*control_states(p), "ctl", "one", "y"]
    unit = np.eye(len(names))
    z = Rows(**{name: unit[k] for k, name in enumerate(names)}, zero=np.zeros(len(names)))
    control, rates = closed_control(p, z, z.y, 0)
    n = len(names) - 3
    F = np.array([rates[name] for name in names[:n]])
    for f in (10.0, 3e3, 2e5):
        s = 2j * np.pi * f
        x = np.linalg.solve(s * np.eye(n) - F[:, :n], F[:, -1])
        assert control.vc[:n] @ x + control.vc[-1] == pytest.approx(closed_form(p.control, s), rel=1e-9)


def test_opening_of_both_devices_is_one_impulse_on_both_inductors():
    """The impulse changes both flux linkages alike and leaves no sum of the currents."""
    p = SimpleNamespace(topology="sepic", l1=22e-6, l2=47e-6, m=11e-6)
    before = np.array([1.3, -0.4, 5.0])
    after = opened(p, ["i1", "i2", "vcs"]) @ before
    d1, d2 = after[0] - before[0], after[1] - before[1]
    assert after[0] + after[1] == pytest.approx(0.0, abs=1e-15)
    assert p.l1 * d1 + p.m * d2 == pytest.approx(p.m * d1 + p.l2 * d2, rel=1e-12)
    assert after[2] == before[2]


@pytest.mark.parametrize("depth", [1e-4, 1e-7, -1e-7])
def test_a_bulge_between_two_instants_of_the_grid_is_found(depth):
    """cos(w t) over a level that it passes for a small part of one cell only; a level just beyond its top is not passed."""
    w, turn = 2.0 * np.pi, 0.51 / 64.0  # the top lies half-way through a cell
    F = np.array([[0.0, w, 0.0], [-w, 0.0, 0.0], [0.0, 0.0, 0.0]])
    motion = Motion(F, [("top", np.array([1.0, 0.0, -(1.0 - depth)]))], 64)
    z = np.array([np.cos(w * (10.0 / 64.0 + turn)), np.sin(w * (10.0 / 64.0 + turn)), 1.0])
    hit = motion.first(z, 0.9, [0])
    if depth < 0.0:
        assert hit is None
    else:
        assert hit[1] == pytest.approx(10.0 / 64.0 + turn - np.arccos(1.0 - depth) / w, abs=1e-12)


def kept(topology):
    """Numbers and judgement of the first drawn design with peak current control and a resistor that is kept and stable."""
    for seed in range(41, 90):
        text = draw(seed, topology=topology, stratum="ordinary").text
        p = read_case(text, *corners(text)[-1])
        if p.sense > 0.0 and p.load_kind == "resistive" and (found := judge(p)).stable:
            return p, found
    raise AssertionError("no such design was drawn")


def seen_over_a_period(found, probe):
    """Smallest and largest value of a probe over the period that the comparator keeps."""
    done = cycle(found.sim, found.sim.start(found.orbit.x, ctl=found.orbit.ctl), diode=found.orbit.diode)
    values = np.concatenate([states @ getattr(probes, probe) for _, probes, states in dense(found.sim, done)])
    return float(values.min()), float(values.max())


def changed(p, **control):
    """The same converter with other values of the controller."""
    q = copy(p)
    q.control = copy(p.control)
    vars(q.control).update(control)
    return q


@pytest.mark.parametrize("topology", ["sepic", "boost", "buck"])
def test_clamp_below_what_is_needed_is_told_and_holds_the_output_down(topology):
    p, found = kept(topology)
    low, high = seen_over_a_period(found, "vc")
    assert judge(changed(p, clamp=(low - 0.5, high + 0.5))).held == ()
    q = changed(p, clamp=(low - 1.0, 0.8 * low))
    told = judge(q)
    assert told.held == ("clamp",)
    assert told.stable is False
    seen = settle(q, told, cycles=1200)
    assert seen.clamped
    assert seen.average < 0.99 * p.target


@pytest.mark.parametrize("topology", ["sepic", "boost", "flyback"])
def test_current_limit_below_the_peak_is_told_and_ends_the_cycles(topology):
    p, found = kept(topology)
    peak = p.sense * seen_over_a_period(found, "isw")[1]
    for factor, reasons in ((1.05, ()), (0.8, ("current limit",))):
        q = copy(p)
        q.current_limit = factor * peak
        told = judge(q)
        assert told.held == reasons
        if reasons:
            assert settle(q, told, cycles=1200).average < 0.99 * p.target


@pytest.mark.parametrize("key", ["blanking", "min_on_time", "turn_off_delay"])
def test_on_time_shorter_than_the_controller_allows_is_told(key):
    p, found = kept("boost")
    for factor, reasons in ((0.5, ()), (1.2, ("minimum on-time",))):
        q = copy(p)
        setattr(q, key, factor * found.duty)
        assert judge(q).held == reasons


@pytest.mark.parametrize("seed", [25, 196])
def test_orbit_that_the_comparator_does_not_keep_is_not_what_the_converter_does(seed):
    text = draw(seed).text
    p = read_case(text, *corners(text)[-1])
    told = judge(p)
    assert told.held == ("comparator",)
    seen = settle(p, told, cycles=400, kick=1e-6)
    assert seen.repeats != 1 or abs(seen.duties[-1] - told.duty) > 1e-3


def test_quantities_are_read():
    for text, value in (("4.7 uF", 4.7e-6), ("40 mV/us", 4e4), ("60 mV/A", 0.06), ("10 %", 0.1), ("80 dB", 80.0), (1.5, 1.5),
                        ("330 kHz", 3.3e5), ("2 Mohm", 2e6), ("150 ns", 1.5e-7)):  # fmt: skip
        assert si(text) == pytest.approx(value, rel=1e-15)
    with pytest.raises(ValueError, match="unknown unit"):
        si("3 parsec")
