"""Margins the batch code reads of random tolerance variants, against `find_margins` on the exact loop gain of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.grids import band
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of, closed_loop
from loopdesign.case import load_case
from loopdesign.corners.conditions import Corners
from loopdesign.margins.margins import find_margins
from loopdesign.models.switched import loop_gain

CASES = Path(__file__).parents[3] / "cases"
COUNT = 40
TOLERANCES = {
    "L1.inductance": 0.2, "L2.inductance": 0.2, "Cs.capacitance": 0.2, "Co1.capacitance": 0.3, "Co1.esr": 0.5, "R1": 0.1, "C1": 0.2,
}  # fmt: skip
PARTS = {
    "tide_gauge_sepic": {"R1": 4640.0, "C1": 56e-9, "C2": 1.8e-9},
    "tide_gauge_sepic_undamped": {"R1": 4640.0, "C1": 56e-9, "C2": 1.8e-9},
    "beacon_boost": {"R1": 7150.0, "C1": 47e-9, "C2": 2.2e-9},
    "echo_sounder_flyback": {"R1": 45.3e3, "C1": 68e-9, "C2": 3.9e-9},
    "wave_buoy_coupled_sepic": {"R1": 3920.0, "C1": 180e-9, "C2": 6.8e-9},
}


def number(value):
    return np.nan if value is None else value


@pytest.mark.parametrize("name", PARTS, ids=str)
def test_variants_are_read_as_each_alone(name):
    """Promised are 0.1 degree and 0.02 dB; the rule keeps ten times closer. Sharp undamped resonances included."""
    case = load_case(CASES / f"{name}.toml")
    parts = PARTS[name]
    stage = examine_stage(case)
    base = base_of(case, parts, stage)
    rng = np.random.default_rng(5)
    condition = rng.integers(0, len(stage.conditions), COUNT)
    at = stage.conditions.take(condition)
    corners = Corners(
        input_voltage=at.input_voltage, load_current=at.load_current, temperature=at.temperature,
        factors={k: 1.0 + t * rng.uniform(-1.0, 1.0, COUNT) for k, t in TOLERANCES.items()},
    )  # fmt: skip
    judged = judge(base, corners, condition)
    model, _ = closed_loop(base, corners, condition)
    switching = case.converter.switching_frequency
    low, high = band(switching)
    resonances = np.abs(np.angle(model.multipliers)) * switching / (2.0 * np.pi)
    alone = find_margins(
        lambda hz: loop_gain(model, hz), low_hz=low, high_hz=high, count=800, batch=COUNT, extra_hz=resonances
    )
    for k, margins in enumerate(alone):
        assert_allclose(judged.phase_margin_deg[k], number(margins.phase_margin_deg), atol=0.01)
        assert_allclose(judged.gain_margin_db[k], number(margins.gain_margin_db), atol=0.002)
        assert_allclose(judged.modulus_margin[k], margins.modulus_margin, rtol=1e-3)
        assert_allclose(judged.crossover_hz[k], number(margins.crossover_hz), rtol=1e-4)
        assert_allclose(judged.lowest_crossover_hz[k], number(margins.lowest_crossover_hz), rtol=1e-4)
