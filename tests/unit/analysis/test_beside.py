"""Variants begun at those beside them: found as they are from nominal parts, and begun nearer to what is found."""

from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.given import given_parts
from loopdesign.analysis.variants import judge as judging
from loopdesign.analysis.variants.beside import OrbitsBeside
from loopdesign.analysis.variants.extremes import READINGS, at_temperatures
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import load_case
from loopdesign.corners.converters import line_load_corners
from loopdesign.corners.tolerances import toleranced, variants

CASES = Path(__file__).parents[3] / "cases"


def test_ends_begun_beside_others_are_those_begun_at_nominal_parts(monkeypatch):
    """Each cause alone, random ends of all of them, then these with one turned over, at every line and load of two rectifiers."""
    case = load_case(CASES / "current_profiler_bipolar.toml")
    parts = given_parts(case)
    base = at_temperatures(base_of(case, parts, examine_stage(case, line_load_corners(case))))
    varied = toleranced(case, parts)
    count, k = len(base.corners), len(varied)
    beside = OrbitsBeside(base, k)
    draw = np.random.default_rng(11)
    alone = np.concatenate([np.zeros((1, k)), np.eye(k), -np.eye(k)])
    every = np.where(draw.random((24, k)) < 0.5, -1.0, 1.0)
    turned = every * np.where(np.arange(k) == draw.integers(0, k, (24, 1)), -1.0, 1.0)
    found = []
    for places in (np.tile(alone, (count, 1)), every, turned):
        condition = np.arange(len(places)) * count // len(places)
        begin, seen = beside.of(condition, places)
        corners = variants(base.corners, condition, varied, places)
        judged = judge(base, corners, condition, begin, lambda items, s, seen=seen: found.append(s) or seen(items, s))
        plain = judge(base, corners, condition)
        for name in READINGS:
            assert getattr(judged, name) == pytest.approx(getattr(plain, name), rel=1e-9, nan_ok=True)
        assert np.array_equal(judged.held, plain.held)
    begun, ended = begin.ends[:, 0], found[-1].ends[:, 0]
    same = begin.same_structure(found[-1])
    nominal = base.guess.take(condition)
    assert same.sum() > nominal.same_structure(found[-1]).sum()
    assert np.abs(begun - ended)[same].max() < 0.2 * np.abs(nominal.ends[:, 0] - ended)[same].max()
    again = beside.guess(condition, turned)
    assert again.same_structure(found[-1]).all()
    assert again.ends == pytest.approx(found[-1].ends, abs=1e-11)
    told = []
    monkeypatch.setattr(judging, "SOONER", 20)
    parted = judge(base, corners, condition, begin, lambda items, _: told.append(items))
    assert len(told) == 2
    assert sorted(np.concatenate(told).tolist()) == list(range(24))
    assert parted.phase_margin_deg == pytest.approx(judged.phase_margin_deg, rel=1e-9)
    assert parted.largest_multiplier == pytest.approx(judged.largest_multiplier, rel=1e-9)
