"""The engine in the page against the engine in Python: `check --nominal` for 200 random sets of parts.

The two share no code. The page solves the network's orbit by one linear system and takes the loop gain from the
multipliers and from what the stage answers to a late turn-off; Python follows the whole network by Newton's method and
injects at every frequency.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pages import CASES, NINE, checked, nine, nine_corners, page_of

from loopdesign.analysis.check import closed_model, examine, loop_margins
from loopdesign.analysis.findings.corner import corner_results
from loopdesign.case import PARTS_OF_NETWORK
from loopdesign.corners.controller import bounds
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import verdicts
from loopdesign.network.batch import take

sys.path.append(str(Path(__file__).parents[1] / "independent"))
from random_designs import OPTIONS, draw

READINGS = ("largest_multiplier", "crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin", "duty")
WORDS = ("input_voltage", "load_current", "stable", "held", "mode", "current_loop_stable")
TOLERANCE = 1e-4
"""A tenth of what is promised; a reading below one counts by its size."""
SETS = 10
"""Sets of parts for each case."""
DRAWN = {
    0: "flyback, voltage mode, operational amplifier, type III, delay, input filter",
    12: "boost, blanking, input filter; the ripple trips the comparator early",
    14: "boost, operational amplifier, type III, delay, both modes of conduction",
    17: "Cuk, voltage mode, regulated current, clamp, discontinuous",
    18: "boost, operational amplifier, type III, delay, blanking, current limit, clamp",
    23: "flyback, operational amplifier, type III, power load, both filters, delay",
    27: "Cuk, current load, delay, clamp, discontinuous",
    37: "zeta, voltage mode, delay, blanking, input filter, clamp, five intervals",
    41: "buck, delay, blanking, clamp, discontinuous",
    44: "Cuk, power load, output filter, both modes of conduction",
    49: "Cuk, operational amplifier, both filters, current limit, discontinuous",
    51: "SEPIC, operational amplifier, type III, delay, discontinuous",
    53: "boost, power load, delay, input filter, both modes of conduction",
    59: "boost, output filter, current limit, both modes of conduction",
    64: "flyback, synchronous rectifier, operational amplifier, delay, blanking",
    68: "zeta, both filters, both modes of conduction",
}
"""Seeds of random designs with every option allowed, and what they drew."""
SHIPPED = {
    "echo_sounder_flyback": {"R1": 10e3, "C1": 100e-9, "C2": 1e-9},
    "wave_buoy_coupled_sepic": {"R1": 2.2e3, "C1": 100e-9, "C2": 1e-9},
    "beacon_boost": {"R1": 9.09e3, "C1": 27e-9, "C2": 1.8e-9},
    "ice_radar_flyback": {},
    "current_profiler_bipolar": {},
    "mooring_head_flyback": {},
    "navigation_light_sepic": {"R1": 1e3, "C1": 100e-9, "C2": 1e-9},
}
"""Shipped cases, with parts where they leave them open."""


def in_python(found, sets):
    """Corners of a nominal check for every set of parts, all in one batch: what `check --nominal` computes one by one."""
    count = len(found.conditions)
    drawn = {f"compensation.{k}": np.repeat([s[k] / v for s in sets], count) for k, v in found.parts.items() if v}
    every = np.tile(np.arange(count), len(sets))
    point = found.stage.point.take(every)
    stage = replace(
        found.stage, conditions=replace(found.conditions.take(every), factors=drawn), point=point, model=linearise(point),
        converter=take(found.stage.converter, every, count), plants=found.stage.plants * len(sets),
    )  # fmt: skip
    loop = closed_model(found.case, stage, found.parts)
    judged = verdicts(stage.model, loop, bounds(found.case, stage.conditions))
    rows = corner_results(stage.conditions, stage.point, stage.plants, judged, loop_margins(loop), found.compensator)
    told = [row.to_dict() for row in rows]
    return [told[k * count : (k + 1) * count] for k in range(len(sets))]


def alike(mine, theirs, parts):
    """Hold one corner of the page against Python's."""
    assert {k: mine[k] for k in WORDS} == {k: theirs[k] for k in WORDS}, parts
    for reading in READINGS:
        assert (mine[reading] is None) == (theirs[reading] is None), (reading, parts)
        if mine[reading] is not None:
            assert mine[reading] == pytest.approx(theirs[reading], rel=TOLERANCE, abs=TOLERANCE), (reading, parts)


def compare(opened, found, seed):
    """Hold the page against Python for random parts within a factor of six of the given ones."""
    rng = np.random.default_rng(seed)
    sets = [{k: v * 10.0 ** rng.uniform(-0.8, 0.8) for k, v in found.parts.items()} for _ in range(SETS)]
    page, stable = opened(page_of(found)), 0
    for parts, wanted in zip(sets, in_python(found, sets), strict=True):
        told = page.evaluate(parts)["corners"]
        assert len(told) == len(wanted)
        for mine, theirs in zip(told, wanted, strict=True):
            alike(mine, theirs, parts)
            stable += mine["stable"]
    return stable


@pytest.mark.parametrize("seed", DRAWN, ids=DRAWN.get)
def test_random_parts_of_random_designs(seed, opened):
    compare(opened, checked(draw(seed, options=OPTIONS).text), seed)


@pytest.mark.parametrize("name", SHIPPED)
def test_random_parts_of_shipped_cases(name, opened):
    text = (CASES / f"{name}.toml").read_text(encoding="utf-8")
    assert compare(opened, checked(text, SHIPPED[name] or None), 1) > 0


def test_the_drawn_designs_are_what_is_said():
    """The sample holds both modes of conduction, every kind of load and amplifier, delays and verdicts of every kind."""
    texts = [draw(seed, options=OPTIONS).text for seed in DRAWN]
    for word in ("turn_off_delay", "blanking", "type III", "operational", "transconductance", "power", "synchronous",
                 "output_filter", "input_filter", "clamp", "current_limit", 'scheme = "voltage"', "current_sense"):  # fmt: skip
        assert any(word in text for text in texts), word
    assert "shunt optocoupler" in (CASES / "echo_sounder_flyback.toml").read_text(encoding="utf-8")
    assert len(DRAWN) * SETS + len(SHIPPED) * SETS >= 200


@pytest.mark.parametrize(
    "parts", [{"C2": 0.0}, {"R1": 0.0}, {"R1": 47e3}, {"R1": 470e3, "C1": 1e-9, "C2": 0.0}], ids=str
)
def test_parts_that_are_not_fitted_or_far_off(parts, opened):
    """One by one against a whole nominal check."""
    found = checked(nine_corners(), NINE)
    given = NINE | parts
    wanted = [c.to_dict() for c in examine(found.case, given, found.stage, found.limits).corners]
    for mine, theirs in zip(opened(nine()).evaluate(parts)["corners"], wanted, strict=True):
        alike(mine, theirs, given)


def test_parts_that_make_no_sense_are_refused_in_words(opened):
    page = opened(nine())
    answer = "parts => { try { return window.loopdesign.evaluate(parts) } catch (fault) { return fault.message } }"
    ask = lambda parts: page.page.evaluate(answer, parts)  # noqa: E731
    assert "no part R7 in a type II network: it has R1, C1, C2" in ask({"R7": 1.0})
    assert "C1 must be a number above zero" in ask({"C1": 0})
    assert "R1 must be a number" in ask({"R1": "12k"})
    assert "R1 must be a number" in ask({"R1": -1})
    assert ask(NINE | {"R2": 0, "C3": 0})["corners"] == ask({})["corners"] == page.evaluate(NINE)["corners"]
    assert set(PARTS_OF_NETWORK["type II"]) == set(page.page.evaluate("window.loopdesign.parts"))


def test_capacitors_that_meet_without_resistance(opened):
    """C3 without R2, and C2, around an operational amplifier: one state in the page as in Python."""
    found = checked(draw(23, options=OPTIONS).text)
    given = found.parts | {"R2": 0.0}
    assert given["C2"] > 0.0
    wanted = [c.to_dict() for c in examine(found.case, given, found.stage, found.limits).corners]
    page = opened(page_of(found))
    for mine, theirs in zip(page.evaluate({"R2": 0.0})["corners"], wanted, strict=True):
        alike(mine, theirs, given)
    page.page.locator("#fitted-R2").uncheck()
    page.settled()
    assert "cannot be evaluated" not in page.text("#live-sentence")


def test_evaluating_nine_corners(opened, record_property, capsys):
    """To reach: 50 ms. Shown and not asserted, for a busy machine proves nothing."""
    page = opened(nine())
    found = page.page.evaluate(
        """() => {
          const times = [];
          for (let k = 0; k < 60; k++) {
            const began = performance.now();
            window.loopdesign.evaluate({ R1: 1500 * 1.02 ** (k - 30) });
            times.push(performance.now() - began);
          }
          return times.slice(20).sort((a, b) => a - b);
        }"""
    )
    record_property("evaluate_ms", found[len(found) // 2])
    with capsys.disabled():
        print(
            f"\nevaluate, nine corners: median {found[len(found) // 2]:.1f} ms, least {found[0]:.1f} ms (to reach: 50)"
        )
    assert len(checked(nine_corners(), NINE).corners) == 9
