"""The bound on a lattice too large to search whole, against brute force on small ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopdesign.analysis.limits import Limit, Limits
from loopdesign.compensation.compensator import (
    Divider,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.synthesis.search.bound import best_possible
from loopdesign.synthesis.search.bound.factors import Extent, Leads, shape_of
from loopdesign.synthesis.search.lattice import Lattice
from loopdesign.synthesis.search.loops import Demands, Responses, figures
from loopdesign.synthesis.search.screens import screens_for

GRID = np.geomspace(10.0, 150e3, 70)
ALL = ("R1", "C1", "C2", "R2", "C3")
AMPLIFIERS = {
    "operational": OperationalAmplifier(dc_gain=1e4, gain_bandwidth=3e6),
    "fast operational": OperationalAmplifier(dc_gain=1e6, gain_bandwidth=1e9),
    "slow operational": OperationalAmplifier(dc_gain=1e3, gain_bandwidth=3e5),
    "transconductance": TransconductanceAmplifier(gm=np.array([0.8e-3, 1.0e-3, 1.2e-3]), output_resistance=5e5),
    "optocoupler": ShuntOptocoupler(
        transfer_ratio=np.array([0.8, 1.0, 1.6]), bandwidth=30e3, pull_up=4.7e3, led_resistance=2.2e3,
        fed_from_output=False,
    ),
}  # fmt: skip
DIVIDERS = (
    Divider(upper=np.array([20e3, 20.2e3, 19.8e3]), lower=np.array([2e3, 1.98e3, 2.02e3])),
    Divider(upper=20e3, lower=2e3),
    Divider(upper=np.array([20e3, 20.2e3, 19.8e3]), lower=np.array([2e3, 1.98e3, 2.02e3]), feedforward=1e-9),
)
SMOOTH, SHARP, SHARPER = (2e3, 1e9, 1e9), (4e3, 30.0, 1.1), (2.5e3, 300.0, 0.9)
"""A pair of poles at a frequency [Hz] with a quality, and a pair of zeros with the same at so many times it; or none."""


def responses(kind, gain, pole_hz, zero_hz, rhp_hz, *, factors=None, divider=0, poles=(0.4, 1.0, 0.5), pair=SMOOTH):
    """Three corners: gain, one pole, the zero of a series resistance, a right-half-plane zero, a double pole, a resonance."""
    s, (at, quality, apart) = 1j * GRID, pair

    def resonance(hz):
        return 1.0 if pair is SMOOTH else 1.0 + s / (quality * hz) + (s / hz) ** 2

    plants = [
        gain
        * g
        * (1 + s / zero_hz)
        * (1 - s / (rhp_hz * r))
        / (1 + s / (pole_hz * p))
        / (1 + s / 75e3)
        / (1 + s / 2e3)
        * (resonance(at * apart * q) / resonance(at * q))
        for g, p, r, q in zip((3.0, 1.0, 2.0), poles, (3.0, 1.0, 2.0), (1.0, 1.3, 0.8), strict=True)
    ]
    impedance = [3.0 / (1 + 1j * GRID / p) + 0.01 for p in (60.0, 25.0, 15.0)]
    return Responses(
        frequencies_hz=GRID, plant=np.array(plants), impedance=np.array(impedance), amplifier=AMPLIFIERS[kind],
        divider=DIVIDERS[divider], network="type III", factors=factors or {},
    )  # fmt: skip


def asking(prefer, phase, modulus, limit_hz, kept=0.0):
    rows = [
        Limit(name=n, words=n, reading=r, value=v, unit="", source="test", is_highest=h)
        for n, r, v, h in (
            ("phase_margin", "phase_margin_deg", phase, False),
            ("gain_margin", "gain_margin_db", 3.0, False),
            ("modulus_margin", "modulus_margin", modulus, False),
            ("crossover_limit", "crossover_hz", limit_hz, True),
        )
    ]
    return Demands(limits=Limits(rows=tuple(rows)), prefer=prefer, kept_crossover_hz=kept)


def brute_force(r, lattice, demands):
    """The best score of all feasible combinations, each evaluated whole; minus infinity where none is."""
    read = figures(r, lattice.values(np.arange(lattice.size)))
    return float(np.max(read.score(demands.prefer), where=read.feasible(demands), initial=-np.inf))


SPREAD = {"R1": np.array([1.01, 1.0, 0.99]), "C1": np.array([0.9, 1.0, 1.1]), "C2": np.array([1.05, 1.0, 1.0]),
          "R2": np.array([1.0, 0.99, 1.01]), "C3": np.array([1.1, 1.0, 0.95])}  # fmt: skip


@settings(max_examples=16, deadline=None, derandomize=True)
@given(
    kind=st.sampled_from(sorted(AMPLIFIERS)),
    prefer=st.sampled_from(["bandwidth", "bandwidth", "margin", "step", "crossover"]),
    plant=st.tuples(*(st.floats(a, b) for a, b in ((2.0, 40.0), (20.0, 400.0), (2e3, 4e4), (5e3, 6e4)))),
    limits=st.tuples(st.floats(20.0, 60.0), st.floats(0.2, 0.5), st.floats(1.5e3, 2e4)),
    spread=st.booleans(),
    divider=st.sampled_from([0, 1, 2]),
    pair=st.sampled_from([SMOOTH, SHARP, SHARPER]),
    seed=st.integers(0, 2**16),
)
def test_no_combination_is_better_than_the_bound(kind, prefer, plant, limits, spread, divider, pair, seed):
    """Whatever the number of blocks, whether or not anything was found before, and beside sharp resonances."""
    rng = np.random.default_rng(seed)
    ends = ((1e3, 2e5), (5e-10, 1e-7), (1e-11, 2e-9), (1e2, 2e4), (1e-10, 2e-8))
    choices = tuple(np.sort(np.exp(rng.uniform(*np.log(e), size=4))) for e in ends)
    lattice = Lattice(open_parts=ALL, choices=choices, fixed={})
    r = responses(kind, *plant, factors=SPREAD if spread else {}, divider=divider, pair=pair)
    demands = asking(prefer, *limits)
    best, screens = brute_force(r, lattice, demands), screens_for(r, demands)
    bounds = [best_possible(screens, lattice, -np.inf, blocks=n) for n in (1, 300, 1500)]
    rounding = 1e-12 * abs(best) if np.isfinite(best) else 0.0
    assert min(bounds) >= best - rounding
    assert bounds == sorted(bounds, reverse=True)
    if np.isfinite(best):
        lower = best - 0.1 * abs(best)
        assert best_possible(screens, lattice, lower, blocks=400) >= best - rounding
        assert best_possible(screens, lattice, best, blocks=400) >= best


def test_the_bound_closes_in():
    """Eight values of each part: what no combination exceeds is near the best of many, far below the crossover limit."""
    r = responses("fast operational", 8.0, 60.0, 4e4, 1.5e4, divider=1, poles=(1.0, 1.0, 1.0))
    demands = asking("bandwidth", 50.0, 0.5, 9e3)
    choices = tuple(np.geomspace(*e, 8) for e in ((5e3, 2e5), (2e-10, 1e-8), (5e-12, 5e-10), (1e2, 5e3), (1e-10, 1e-8)))
    lattice = Lattice(open_parts=ALL, choices=choices, fixed={})
    best, screens = brute_force(r, lattice, demands), screens_for(r, demands)
    assert best > 500.0
    rough, fine = (best_possible(screens, lattice, best, blocks=n) for n in (200, 20_000))
    assert best <= fine < rough
    assert fine < 1.6 * best


@pytest.mark.parametrize("pair", [SMOOTH, (700.0, 50.0, 1.05)], ids=["smooth", "resonance of quality 50"])
def test_an_amplifier_that_sets_the_crossover_by_itself(pair):
    """With so slow an amplifier the network's own gain may lie far above one at a crossover; the bound must allow it."""
    shape = responses("slow operational", 1.0, 60.0, 4e4, 1.5e4, pair=pair).plant
    shape = shape / responses("slow operational", 1.0, 60.0, 4e4, 1.5e4).plant
    r = responses("slow operational", 8.0, 60.0, 4e4, 1.5e4, divider=1)
    r = replace(r, plant=np.array([[0.05], [0.04], [0.045]]) * shape)
    demands = asking("bandwidth", 40.0, 0.3, 1.6e3)
    pairs = ((1e7, 2e7), (1e-8, 2e-8), (1e-15, 2e-15), (1e2, 3e2), (1e-11, 2e-11))
    lattice = Lattice(open_parts=ALL, choices=tuple(np.array(c) for c in pairs), fixed={})
    best = brute_force(r, lattice, demands)
    assert best > 900.0
    gain = np.abs(r.loop(lattice.values(np.arange(1)))[0, :, GRID > 1.6e3]).max()
    assert gain < 1.0
    assert best_possible(screens_for(r, demands), lattice, -np.inf, blocks=1) >= best


def test_what_it_does_not_cover_has_no_bound():
    """A light source fed from the output: the loop gain is not proportional to the gain of the network."""
    lattice = Lattice(
        open_parts=ALL, choices=tuple(np.array([a, 10 * a]) for a in (1e3, 1e-9, 1e-11, 1e2, 1e-10)), fixed={}
    )
    r = responses("operational", 8.0, 60.0, 4e4, 1.5e4)
    demands = asking("bandwidth", 50.0, 0.5, 9e3)
    fed = ShuntOptocoupler(transfer_ratio=1.0, bandwidth=30e3, pull_up=4.7e3, led_resistance=2.2e3)
    assert best_possible(screens_for(replace(r, amplifier=fed), demands), lattice, 1.0) == np.inf


@pytest.mark.parametrize("behind", [0.0, 1800.0], ids=["operational", "transconductance"])
def test_feed_forward_capacitor_in_a_block(behind):
    """Roots of the admittance written out, by `numpy.roots`, at random places of random blocks."""
    rng, leads = np.random.default_rng(7), Leads(upper=20e3, behind=behind, feedforward=3e-10)
    low = np.exp(rng.uniform(np.log(1e-7), np.log(1e-3), (40, 4)))
    extent = Extent(low, low * np.exp(rng.uniform(0.0, 2.0, (40, 4))))
    times = leads.times(extent)
    assert len(leads.signs) == times.low.shape[1]
    for _ in range(10):
        axes = extent.low * (extent.high / extent.low) ** rng.uniform(size=(40, 4))
        for k, (_, a, _, q) in enumerate(axes):
            c3 = a / leads.upper

            def roots(ohm, c3=c3, q=q):
                told = np.roots([ohm * leads.feedforward * q, ohm * (leads.feedforward + c3) + q, 1.0])
                return np.sort(-1.0 / told.real)[::-1]

            zeros = roots(leads.upper)
            wanted = [axes[k, 0], zeros[0], axes[k, 2], q, zeros[1]]
            if behind:
                poles = roots(behind)
                wanted = [axes[k, 0], zeros[0], axes[k, 2], poles[0], zeros[1], poles[1]]
            assert (times.low[k] * (1 - 1e-9) <= wanted).all()
            assert (wanted <= times.high[k] * (1 + 1e-9)).all()


@pytest.mark.parametrize("reference_hz", [700.0, 5e3])
def test_shapes_enclose_every_network_of_a_block(reference_hz):
    """Zeros and poles written out at random places of random blocks."""
    rng = np.random.default_rng(4)
    low = np.exp(rng.uniform(np.log(1e-6), np.log(1e-2), (50, 4)))
    extent = Extent(low, low * np.exp(rng.uniform(0.0, 2.0, (50, 4))))
    factors = np.array([[0.9, 1.1], [1.0, 1.0], [0.95, 0.97], [1.0, 1.2]])
    shape = shape_of(extent, factors, np.array([1.0, 1.0, -1.0, -1.0]), GRID, reference_hz)
    for _ in range(20):
        place, by = rng.uniform(size=(50, 4)), rng.uniform(size=4)
        t = extent.low * (extent.high / extent.low) ** place
        moved = t * (factors[:, 0] + by * (factors[:, 1] - factors[:, 0]))

        def factor(x, hz):
            p = 1.0 + 2j * np.pi * np.atleast_1d(hz) * x[:, :, None]
            return p[:, 0] * p[:, 1] / (p[:, 2] * p[:, 3])

        told, angle = np.log(np.abs(factor(moved, GRID) / factor(t, reference_hz))), 0.0
        for axis, sign in enumerate((1, 1, -1, -1)):
            angle = angle + sign * np.arctan(2.0 * np.pi * GRID * moved[:, axis, None])
        assert (shape.low <= told + 1e-12).all()
        assert (told <= shape.high + 1e-12).all()
        assert (shape.first <= angle + 1e-12).all()
        assert (angle <= shape.last + 1e-12).all()
