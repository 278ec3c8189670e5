"""A topology carries its own facts: its module and one registration are all that names it."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import loopdesign
from loopdesign.case import STAGES, parse_case, template
from loopdesign.case.checks.duty import continuous_duty, discontinuous_duty, lossless_load
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.network.topologies.base import LosslessLoad

ROOT = Path(loopdesign.__file__).parent


def test_no_other_module_names_a_topology():
    """Text for people apart: a string that is the name of a topology stands in no module but its own."""
    named = []
    for path in ROOT.rglob("*.py"):
        if "topologies" in path.parts:
            continue
        constants = (n for n in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(n, ast.Constant))
        named += [f"{path.relative_to(ROOT)}:{n.lineno}: {n.value}" for n in constants if n.value in TOPOLOGIES]
    assert named == []


def test_every_topology_has_its_own_module_and_a_stage_table():
    modules = {p.stem for p in (ROOT / "network" / "topologies").glob("*.py")} - {"__init__", "base"}
    assert set(TOPOLOGIES) == modules == set(STAGES) - {"custom"}  # a stage of the user's own has a table and no module


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_facts_agree_with_one_another(name):
    """Volt-second balance of L1 at the lossless duty; and the mirror stands in the netlist where the output is negative."""
    facts = TOPOLOGIES[name]
    line, output = {"steps up": (9.0, 21.0), "steps down": (21.0, 9.0)}.get(facts.conversion, (13.0, 8.0))
    load = LosslessLoad(input_voltage=line, output_voltage=output, output_current=0.7, period=1e-5, L1=33e-6, turns=0.4)
    turns = load.turns if facts.stage_table == "transformer" else 1.0
    duty = float(facts.lossless_duty(line, output, turns))
    first = facts.first_inductor(load)
    assert 0.0 < duty < 1.0
    assert first.on_voltage * duty == pytest.approx(first.off_voltage * (1.0 - duty), rel=1e-12)
    assert facts.inverts == (name in {"inverting", "cuk"})


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_both_duties_meet_where_conduction_turns_discontinuous(name):
    """At the load where the valley of all inductor currents together is zero, either mode needs the same duty."""
    case = parse_case(template(name), name)
    line = case.specification.input_voltage.lowest
    output = case.specification.output_voltage

    def load(current):
        return lossless_load(case.converter, case.stage, line, output, current)

    duty = continuous_duty(case.converter, load(1.0))
    first = TOPOLOGIES[name].first_inductor(load(1.0))
    at = load(1.0)
    swing = first.on_voltage * duty * at.period / at.L1
    average = first.average
    if at.L2 is not None:
        swing += first.on_voltage * duty * at.period / at.L2
        average += 1.0
    boundary = 0.5 * swing / average  # averages are in proportion to the load
    assert discontinuous_duty(case.converter, load(boundary)) == pytest.approx(duty, rel=1e-12)
    lighter = discontinuous_duty(case.converter, load(0.25 * boundary))
    assert lighter == pytest.approx(0.5 * duty, rel=1e-12)
    assert np.isfinite(lighter)
