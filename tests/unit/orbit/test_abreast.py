"""Periods worked out side by side are the periods that stepping one by one gives, edge by edge.

The stepper itself is held against solve_ivp in tests/independent; here the two ways of running it are held against each
other, over every kind of sequence: both modes, limits, delays, blanking, clamps, several rectifiers, skipped pulses.
"""

from dataclasses import replace

import numpy as np
import pytest
from customcase import forward_case
from numpy.testing import assert_allclose

import loopdesign as ld
from loopdesign.analysis.given import given_parts, with_parts
from loopdesign.analysis.startup.plan import planned
from loopdesign.analysis.transient.run import from_point
from loopdesign.analysis.transient.start import start_of, step_plan, stepper_of
from loopdesign.corners.controller import limits_at
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.stepping.abreast import periods, row
from loopdesign.orbit.stepping.abreast.row import run_periods
from loopdesign.orbit.stepping.cycle import CycleStepper

PARTS = {"R1": "4.32 kohm", "C1": "100 nF", "C2": "4.7 nF"}
CYCLES = 400
CLOSE = 1e-10
"""Of each state on its own size: what rounding and the size of a join add up to over a few hundred periods."""


def one_by_one(stepper, x, devices, count):
    told = []
    for _ in range(count):
        trace = []
        cycle = stepper.cycle(x, devices, trace)
        told.append((cycle, trace))
        x, devices = cycle.x, cycle.devices
    return told


def held_together(fresh, x, devices, count=CYCLES):
    """Run both ways; return what side by side gave, and the share of periods it stepped singly."""
    expected = one_by_one(fresh(), x, devices, count)
    stepper, singly = fresh(), []
    single = CycleStepper.cycle

    class Counted(CycleStepper):
        __slots__ = ()

    stepper.__class__ = Counted
    Counted.cycle = lambda self, *args: singly.append(1) or single(self, *args)
    told = list(run_periods(stepper, x, devices, count, traced=True))
    assert len(told) == count
    size = np.abs([cycle.x for cycle, _ in expected]).max(axis=0)
    for (ours, ours_trace), (theirs, their_trace) in zip(told, expected, strict=True):
        assert_allclose(ours.x / size, theirs.x / size, atol=CLOSE)
        for name in ("mean", "lowest", "highest", "duty"):
            assert_allclose(getattr(ours, name), getattr(theirs, name), atol=CLOSE * max(abs(theirs.mean), 1.0))
        for name in ("devices", "clocked", "ended", "idle", "limited"):
            assert getattr(ours, name) == getattr(theirs, name)
        assert [(s.devices, s.guard) for s in ours_trace] == [(s.devices, s.guard) for s in their_trace]
        assert_allclose([s.length for s in ours_trace], [s.length for s in their_trace], atol=CLOSE)
        assert_allclose([s.x / size for s in ours_trace], [s.x / size for s in their_trace], atol=CLOSE)
    return told, len(singly) / count


def step_run(case, number, **limits):
    parts = given_parts(case)
    start = start_of(case, parts, *step_plan(case)[number])
    start = replace(start, limits=replace(start.limits, **limits))

    def fresh():
        stepper = stepper_of(start)
        stepper.set_inputs(**start.changes)
        return stepper

    return fresh, *from_point(start.point)


def tide_gauge(**modulator):
    case = ld.load_case("cases/tide_gauge_sepic.toml")
    case = case.model_copy(update={"modulator": case.modulator.model_copy(update=modulator)})
    return with_parts(case, PARTS)


@pytest.mark.parametrize("number", [0, 5], ids=["onto the load at low line", "off it at high line"])
def test_load_steps(number):
    """Continuous throughout, and from one mode into the other; nearly all periods are worked out side by side."""
    _, singly = held_together(*step_run(tide_gauge(), number))
    assert singly < 0.1


def test_rounding_is_not_corrected(monkeypatch):
    """Here the states of two capacitors meet no closer than twice what is asked, however often they are corrected."""
    case = ld.load_case("cases/wave_buoy_coupled_sepic.toml")
    case = with_parts(case, {"R1": "3.92 kohm", "C1": "180 nF", "C2": "6.8 nF"})
    fresh, x, devices = step_run(case, 2)
    made = []

    class Counted(row.Periods):
        def __init__(self, *given):
            made.append(len(given[1]))
            super().__init__(*given)

    monkeypatch.setattr(row, "Periods", Counted)
    assert len(list(run_periods(fresh(), x, devices, 1000))) == 1000
    assert len(made) < 60  # 183 where rounding is taken for a departure


@pytest.mark.parametrize(
    "modulator",
    [
        {"turn_off_delay": 150e-9},
        {"blanking": 200e-9, "turn_off_delay": 60e-9},
        {"blanking": 1.2e-6},
        {"current_limit": 0.19},
    ],
    ids=["delay", "blanking and delay", "a shortest pulse that is reached", "current limit that is reached"],
)
def test_edges_of_the_modulator(modulator):
    """In the current limit without enough slope a rounding grows a hundredfold in twenty periods: so few are compared."""
    for number in (0, 5):
        held_together(*step_run(tide_gauge(**modulator), number), count=60 if "current_limit" in modulator else 200)


def test_a_rectifier_that_takes_over_from_one_that_stops(tmp_path):
    """Of the sets tried at that edge some leave the rectifier as it was: they are refused as stepping refuses them."""
    _, singly = held_together(*step_run(ld.load_case(forward_case(tmp_path / "forward.toml")), 0), count=200)
    assert singly < 0.2


def test_clamps_and_amplifier_limits():
    fresh, x, devices = step_run(tide_gauge(), 0, output_current=2e-6, highest=0.26, lowest=0.05)
    told, singly = held_together(fresh, x, devices, count=300)
    assert any(cycle.limited for cycle, _ in told)
    assert singly < 0.5


def start_run(path, line, load):
    case = ld.load_case(path)
    parts, corner = given_parts(case), one_corner(case, line, load)
    opened, found = solved(case, corner)
    closed = opened.closed(compensation(case, parts, corner))
    point = operating_point(closed, found.sequence)

    def fresh():
        plan = planned(case, "start", closed, point, limits=limits_at(case, corner, 0), probes=())
        plan.stepper.set_inputs(**plan.profile[0])
        fresh.begin = plan.begin
        return plan.stepper

    fresh()
    return fresh, *fresh.begin


@pytest.mark.parametrize(
    ("path", "line", "load"),
    [("cases/current_profiler_bipolar.toml", 24.0, 0.3), ("cases/mooring_head_flyback.toml", 60.0, 0.5)],
    ids=["two rectifiers that take turns", "two outputs and skipped pulses"],
)
def test_starts_of_several_rectifiers(path, line, load):
    told, singly = held_together(*start_run(path, line, load))
    assert len({tuple(s.devices for s in trace) for _, trace in told}) > 3
    assert singly < 0.3


def test_a_period_that_leaves_the_sequence_is_not_taken(monkeypatch):
    """Without the question whether periods keep the sequence the two ways part: it is what holds them together."""
    run = step_run(tide_gauge(), 5)
    monkeypatch.setattr(periods.Periods, "_kept", lambda self, count: self.found[:count])
    with pytest.raises(AssertionError):
        held_together(*run)
