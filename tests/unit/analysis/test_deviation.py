"""The largest departure at the load step: against the steps themselves, and every vertex of the tolerance box."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import loopdesign as ld
from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.limits import limits_of
from loopdesign.analysis.transient import deviation
from loopdesign.analysis.transient.deviation import small_step, step_deviation, with_step_deviation
from loopdesign.analysis.transient.steps import step
from loopdesign.analysis.variants.solve import base_of
from loopdesign.analysis.worst import beyond_nominal
from loopdesign.case import parse_case, read_text
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.report.loop.answer import answer
from loopdesign.report.loop.terminal import check_text

TEXT = read_text(Path(__file__).parents[3] / "cases" / "tide_gauge_sepic.toml")
PARTS = {"R1": 6.8e3, "C1": 22e-9, "C2": 0.0}
NETWORK = ('network = "type II"', 'network = "type II"\nR1 = "6.8 kohm"\nC1 = "22 nF"\nC2 = "none"')


def case(*changes, target="200 mV"):
    """The shipped SEPIC with a target for its load step and pieces of its text exchanged."""
    text = TEXT.replace("[targets]", f'[targets]\nstep_deviation = "{target}"')
    for old, new in (NETWORK, *changes):
        assert old in text
        text = text.replace(old, new)
    return parse_case(text, "gauge.toml")


@pytest.fixture(scope="module")
def steps():
    return step(case(), cycles=300).of("load")


def test_nominal_departure_is_the_largest_of_the_steps(steps):
    found = step_deviation(case(), PARTS, tolerances=False)
    worst = max(steps, key=lambda s: s.peak_deviation_v)
    assert_allclose(found.peak_deviation_v, worst.peak_deviation_v, rtol=1e-8)
    assert found.input_voltage == worst.input_voltage
    assert (found.load_from, found.load_to, found.ends) == (0.4, 1.2, {})
    assert found.estimated == 3


def test_places_not_stepped_depart_less(steps):
    """Whatever small steps leave out, the place told is the worst."""
    found = step_deviation(case(), PARTS, tolerances=False)
    assert found.stepped < found.estimated
    others = [s.peak_deviation_v for s in steps if s.input_voltage != found.input_voltage]
    assert max(others) < found.peak_deviation_v
    assert found.left_v < found.peak_deviation_v


def test_way_back_is_that_of_the_steps():
    found = step_deviation(case(), PARTS, tolerances=False)
    (back,) = [s for s in step(case(), cycles=300).of("load back") if s.input_voltage == found.input_voltage]
    assert_allclose(found.back_deviation_v, back.peak_deviation_v, rtol=1e-8)


def test_worst_ends_are_those_of_all_vertices():
    """Seven causes, 128 vertices at three input voltages; those ten that depart furthest as small steps are stepped."""
    given = case()
    varied = toleranced(given, PARTS)
    conditions = deviation.step_conditions(given, tolerances=True)
    base = base_of(given, PARTS, examine_stage(given, conditions))
    vertices = np.array(list(product((-1.0, 1.0), repeat=len(varied))))
    condition = np.repeat(np.arange(3), len(vertices))
    every = variants(base.corners, condition, varied, np.tile(vertices, (3, 1)))
    small = small_step(base, every, condition)
    found = step_deviation(given, PARTS)
    stepped = deviation.SteppedPlaces(base, every, condition)
    furthest = max(stepped.at(int(k), "load") for k in np.argsort(-small)[:10])
    assert found.peak_deviation_v >= furthest * (1.0 - 1e-6)
    assert found.ends["Co1.capacitance"] == -0.2


@pytest.mark.parametrize(("share", "met"), [(1.001, True), (0.999, False)])
def test_target_turns_at_the_departure(share, met):
    bare = case(target="1 V")
    reached = step_deviation(bare, PARTS).peak_deviation_v
    given = case(target=f"{reached * share * 1e3:.6f} mV")
    found = with_step_deviation(examine(given, PARTS))
    told = [r for r in found.reasons if r.startswith("step deviation")]
    assert (told == []) is met
    if not met:
        assert "at 8 V, 0.4 A to 1.2 A, 25 degC with " in told[0]
        assert "Co1 -20 %" in told[0]


def test_check_answers_with_departure_and_limit():
    found = beyond_nominal(examine(case(), PARTS))
    told = json.loads(json.dumps(answer(found), allow_nan=False))
    assert told["worst"]["step_deviation_v"]["value"] == told["step_deviation"]["peak_deviation_v"] > 0.2
    assert told["step_deviation"]["stepped"] <= told["step_deviation"]["estimated"] == 6
    row = {r["name"]: r for r in told["limits"]}["step_deviation"]
    assert (row["value"], row["unit"], row["source"]) == (0.2, "V", "case file")
    assert told["verdict"]["targets_met"] is False
    text = check_text(found)
    assert "Verdict: stable, but targets are MISSED" in text
    assert "step deviation" in text.splitlines()[2]
    assert "stepped in time" in text


def test_without_a_target_nothing_is_stepped():
    text = TEXT
    for old, new in (NETWORK,):
        text = text.replace(old, new)
    given = parse_case(text, "gauge.toml")
    found = with_step_deviation(examine(given, PARTS))
    assert found.step_deviation is None
    assert limits_of(given).step_deviation is None
    assert answer(found)["step_deviation"] is None


def test_way_back_beyond_the_target_is_a_warning():
    """Exchanged, the step that loads the converter is the way back, and departs further at 8 V."""
    step_text = 'load_step = { from = "0.4 A", to = "1.2 A" }'
    exchanged = (step_text, 'load_step = { from = "1.2 A", to = "0.4 A" }')
    found = with_step_deviation(examine(case(exchanged, target="189 mV"), PARTS), tolerances=False)
    assert found.step_deviation.peak_deviation_v < 0.189 < found.step_deviation.back_deviation_v
    assert not any("step deviation" in r for r in found.reasons)
    assert any(w.startswith("targets.step_deviation: the step back, 0.4 A to 1.2 A") for w in found.warnings)


def test_step_that_cannot_begin_is_a_reason():
    """A clamp that the step's beginning needs more than: nothing shows that the target is met."""
    clamp = ('reference = "1.2 V"', 'reference = "1.2 V"\nclamp = { min = "0 V", max = "0.12 V" }')
    found = with_step_deviation(examine(case(clamp), PARTS), tolerances=False)
    assert found.step_deviation.peak_deviation_v is None or found.step_deviation.not_made
    assert any(
        r.startswith("no load step can be made at 8 V, 0.4 A: it needs a control voltage") for r in found.reasons
    )


def test_nominal_check_leaves_ends_out():
    nominal, whole = ld.check(case(), nominal=True), ld.check(case())
    assert nominal.step_deviation.ends == {}
    assert whole.step_deviation.peak_deviation_v > nominal.step_deviation.peak_deviation_v
    assert "step_deviation_v" not in nominal.worst


def test_command_line_exit_status(tmp_path):
    path = tmp_path / "gauge.toml"
    text = TEXT.replace("[targets]", '[targets]\nstep_deviation = "150 mV"').replace(*NETWORK)
    path.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "loopdesign", "check", str(path), "--nominal"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "step deviation 191.7 mV at 8 V, 0.4 A to 1.2 A, 25 degC is above 150.0 mV" in done.stdout
