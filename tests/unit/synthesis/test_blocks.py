"""A lattice too large to look at whole: the way to what is feasible at all, and what is said where nothing is found."""

from contextlib import nullcontext
from itertools import product

import numpy as np
import pytest
from lattices import GRID, asking, brute_force, one_pole_plant

from loopdesign.case import parse_case
from loopdesign.compensation.compensator import Divider, OperationalAmplifier
from loopdesign.errors import NoDesignError
from loopdesign.synthesis.choice.choose import choose
from loopdesign.synthesis.search import screens, walk
from loopdesign.synthesis.search.blocks.block_walk import EVERY, BlockWalk
from loopdesign.synthesis.search.blocks.staged import blocks, staged_search
from loopdesign.synthesis.search.lattice import Lattice
from loopdesign.synthesis.search.loops import Responses, figures
from loopdesign.synthesis.search.order import largest_misses
from loopdesign.synthesis.search.walk import search
from loopdesign.units.preferred import between
from loopdesign.workers.branch import branching

ALL = ("R1", "C1", "C2", "R2", "C3")
SERIES = (("E6", 1e3, 1e6), ("E6", 1e-10, 1e-6), ("E6", 1e-11, 1e-8), ("E6", 1e2, 1e5), ("E6", 1e-11, 1e-7))
LATTICE = Lattice(open_parts=ALL, choices=tuple(between(*s) for s in SERIES), fixed={})
WANTED = {"phase_margin_deg": 55.0, "gain_margin_db": 8.0, "modulus_margin": 0.5, "crossover_hz": 4e3}
TOO_MUCH = WANTED | {"phase_margin_deg": 140.0}
OUTERMOST = [int(LATTICE.items(np.array([c]))[0]) for c in product(*((0, len(c) - 1) for c in LATTICE.choices))]


def responses():
    """Six corners of a stage with a resonance, as in voltage mode; gain and resonance move with the input voltage."""
    s = 1j * GRID
    plants = [
        one_pole_plant(gain, 3e4, 3e4, 12e3) / (1 + s / (4.0 * at) + (s / at) ** 2)
        for gain, at in product((4.0, 16.0), (1.2e3, 1.8e3, 2.6e3))
    ]
    return Responses(
        frequencies_hz=GRID, plant=np.array(plants), impedance=np.full((6, len(s)), 0.1 + 0j),
        amplifier=OperationalAmplifier(dc_gain=1e4, gain_bandwidth=5e6), divider=Divider(upper=47e3, lower=4.7e3),
        network="type III", factors={},
    )  # fmt: skip


def worst_miss(r, demands, items):
    return np.max(list(largest_misses(r, LATTICE.values(items), demands).values()), axis=0)


def test_a_descent_from_the_outermost_combinations_finds_what_one_in_thousands_is():
    """Of 20,000 drawn by chance a handful is feasible at most; each descent looks at far fewer and finds one."""
    r, demands = responses(), asking(**WANTED)
    drawn = np.random.default_rng(1).integers(0, LATTICE.size, 20_000)
    assert figures(r, LATTICE.values(drawn)).feasible(demands).mean() < 1e-3
    for item in OUTERMOST:
        found = BlockWalk(r, demands, LATTICE)
        end = found.approach([item])
        assert found.best == end
        assert found.looked < 5_000
        assert figures(r, LATTICE.values(np.array([end]))).feasible(demands)[0]


@pytest.mark.parametrize("reach", [1, 2])
def test_where_nothing_is_feasible_a_descent_ends_where_nothing_around_falls_short_by_less(reach):
    r, demands = responses(), asking(**TOO_MUCH)
    found = BlockWalk(r, demands, LATTICE)
    end = found.approach(OUTERMOST[:3], reach)
    assert found.best is None
    around = LATTICE.around(end, (reach,) * len(ALL))
    assert len(around) > 50
    here = worst_miss(r, demands, np.array([end]))[0]
    assert here <= worst_miss(r, demands, around).min()
    assert here < worst_miss(r, demands, np.array(OUTERMOST[:3])).min()


def test_two_blocks_are_looked_at_for_any_combination_with_and_without_a_child_alike():
    """Around a combination of which the thinned first block holds nothing, but the blocks themselves do."""
    r, demands = responses(), asking(**WANTED)
    first, second = blocks(LATTICE)
    whole = BlockWalk(r, demands, LATTICE)
    whole.approach([OUTERMOST[0]])
    whole.climb((2,) * len(ALL))
    steps = LATTICE.steps(np.array([whole.best]))
    around = int(LATTICE.items(np.where(np.isin(ALL, ("R2", "C3")), 0, steps))[0])

    def size(reach, every=None):
        return len(LATTICE.product(LATTICE.axes_around(around, reach, every)))

    found = []
    for share in (False, True):
        here = BlockWalk(r, demands, LATTICE)
        here.looked, here.evaluated = 1000, 10
        if share:
            with branching():
                here.find(around, first, second)
        else:
            here.find(around, first, second)
        found.append((here.result(here.looked), here.best, here.seen))
    alone, shared = found
    assert alone[1] is not None
    assert alone[1:] == shared[1:]
    np.testing.assert_array_equal(alone[0].items, shared[0].items)
    np.testing.assert_array_equal(alone[0].scores, shared[0].scores)
    assert alone[0].evaluated == shared[0].evaluated
    thinned = [EVERY[name[0]] for name in ALL]
    for one in (alone[0], shared[0]):
        assert one.looked_at == 1000 + size(first, thinned) + size(first) + size(second)
    assert 10 + 1 < alone[0].evaluated < 1000


def test_a_search_that_finds_nothing_does_not_say_that_there_is_nothing():
    r, demands = responses(), asking(**TOO_MUCH)
    found, told = staged_search(r, LATTICE, demands, [LATTICE.steps(np.array([k]))[0] for k in OUTERMOST[:2]])
    assert not len(found.items)
    assert "in two blocks around its end" in told
    assert "none is better" not in told


@pytest.mark.parametrize(("seed", "prefer"), [(4, "margin"), (5, "bandwidth")])
def test_what_some_corners_leave_is_screened_at_others(monkeypatch, seed, prefer):
    """Seven unlike corners, one screened at a time: fewer are evaluated whole, and the answer is that of brute force."""
    monkeypatch.setattr(walk, "TELLING", 1)
    monkeypatch.setattr(screens, "TELLING", 1)
    rng, s = np.random.default_rng(seed), 1j * GRID
    plants = [
        one_pole_plant(np.exp(rng.uniform(0.0, 3.0)), *(10.0 ** rng.uniform([2.0, 3.5, 3.6], [4.5, 4.5, 4.6])))
        / (1 + s / (3.0 * at) + (s / at) ** 2)
        for at in 10.0 ** rng.uniform(3.0, 4.3, 7)
    ]
    r = Responses(
        frequencies_hz=GRID, plant=np.array(plants), impedance=np.full((7, len(s)), 0.1 + 0j),
        amplifier=OperationalAmplifier(dc_gain=1e4, gain_bandwidth=5e6), divider=Divider(upper=47e3, lower=4.7e3),
        network="type II", factors={},
    )  # fmt: skip
    choices = (between("E24", 1e2, 1e6), between("E6", 1e-9, 1e-5), between("E3", 1e-11, 1e-6))
    lattice = Lattice(open_parts=("R1", "C1", "C2"), choices=choices, fixed={})
    demands = asking(prefer, phase_margin_deg=45.0, gain_margin_db=4.0, modulus_margin=0.4, crossover_hz=4e3)
    whole, evaluated = brute_force(r, lattice, demands), []
    for many in (walk.SOME, 10**9):
        monkeypatch.setattr(walk, "RATHER_MANY", many)
        found = search(r, lattice, demands)
        np.testing.assert_array_equal(found.items, whole.items[whole.scores >= found.threshold])
        evaluated.append(found.evaluated)
    assert evaluated[0] < 0.7 * evaluated[1]


BUCK = """
title = "Anchor-light supply"
[converter]
topology = "buck"
switching_frequency = "300 kHz"
[specification]
input_voltage = { min = "14 V", nominal = "24 V", max = "36 V" }
output_voltage = "9 V"
output_current = { min = "0.1 A", max = "2 A" }
load = "current"
[stage]
L1 = { inductance = "22 uH", resistance = "32 mohm", tolerance = "20 %" }
Co = { capacitance = "150 uF", esr = "22 mohm", tolerance = "20 %" }
switch = { resistance = "18 mohm" }
diode = { drop = "0.45 V", resistance = "15 mohm" }
[modulator]
scheme = "voltage"
ramp = 1.5
max_duty = 0.9
[error_amplifier]
kind = "operational"
dc_gain = "80 dB"
gain_bandwidth = "5 MHz"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type III"
"""


@pytest.mark.nightly
def test_a_supply_whose_feasible_parts_lie_far_from_every_placement_is_designed():
    """Light load in discontinuous and full load in continuous conduction, a current sink for its load (invented)."""
    choice = choose(parse_case(BUCK, "buck"))
    assert choice.check.targets_met
    assert choice.extremes.judged.stable.all()


def test_a_refused_type_iii_network_speaks_of_what_was_compared():
    case = parse_case(BUCK + '[targets]\nphase_margin = "140 deg"\n', "buck")
    with pytest.raises(NoDesignError, match="no combination of preferred values that was compared meets") as caught:
        choose(case, tolerances=False, advise=False)
    assert str(caught.value).endswith("one that was not compared may still meet them")
    assert "none is better" not in str(caught.value)


def test_a_refusal_is_the_same_with_and_without_children_and_leaves_none():
    """Other hardware and relaxed targets are evaluated beside each other; a network small enough to be quick."""
    text = BUCK.replace('"type III"', '"type II"') + '[targets]\nphase_margin = "140 deg"\n'
    refused = []
    for share in (False, True):
        with branching() if share else nullcontext(()) as children, pytest.raises(NoDesignError) as caught:
            choose(parse_case(text, "buck"), tolerances=False)
        assert not children
        refused.append((str(caught.value), caught.value.nearest, caught.value.obstacles))
    assert refused[0] == refused[1]
    assert any("output capacitor" in told for told in refused[0][2])
