"""Corners of a check: plain numbers, JSON keys, and systems for python-control."""

import json
from pathlib import Path

import control
import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.case import load_case
from loopdesign.front.check import check
from loopdesign.models.averaged import average
from loopdesign.models.switched import loop_gain

CASES = Path(__file__).parents[3] / "cases"
KEYS = {
    "input_voltage", "load_current", "mode", "duty", "stable", "held", "largest_multiplier", "worst_mode",
    "current_loop_stable", "crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin", "plant_poles_hz",
    "plant_zeros_hz",
}  # fmt: skip
"""Keys of a corner that are promised to whoever reads ``check --json``."""


@pytest.fixture(scope="module")
def undamped():
    return check(load_case(CASES / "tide_gauge_sepic_undamped.toml"))


def test_one_corner_per_line_and_load_in_order(undamped):
    at = [(c.input_voltage, c.load_current) for c in undamped.corners]
    assert at == [(8.0, 0.1), (8.0, 1.2), (13.0, 0.1), (13.0, 1.2), (30.0, 0.1), (30.0, 1.2)]
    assert [c.stable for c in undamped.corners] == [True, False, True, True, True, True]
    assert undamped.corners[1].worst_mode.name == "coupling resonance"
    assert all(c.held is None and c.temperature == 25.0 for c in undamped.corners)


def test_rows_hold_the_keys_and_plain_values(undamped):
    rows = undamped.to_rows()
    assert all(set(row) >= KEYS for row in rows)
    back = json.loads(json.dumps(rows, allow_nan=False))
    assert back == rows  # nothing of numpy, no tuple, no NaN
    for row, corner, margins in zip(rows, undamped.corners, undamped.margins, strict=True):
        assert row["phase_margin_deg"] == corner.phase_margin_deg == margins.phase_margin_deg
        assert type(row["stable"]) is bool
        assert type(row["duty"]) is float


def test_missing_margin_is_none_with_a_reason(undamped):
    missing = [c for c in undamped.corners if c.gain_margin_db is None]
    assert missing
    assert all(c.reasons["gain_margin_db"] for c in missing)


def test_plant_for_python_control(undamped):
    """Poles of the state space are those listed; its response is the averaged model's."""
    hz = np.geomspace(10.0, 3e4, 15)
    stage = undamped.stage
    for item, corner in enumerate(undamped.corners):
        system = corner.plant.to_control()
        poles = np.sort_complex(control.poles(system) / (2 * np.pi))
        assert_allclose(poles, np.sort_complex(corner.plant_poles_hz), rtol=1e-6)
        model = average(stage.point.take(np.array([item])), stage.converter.modulator)
        read = control.frequency_response(system, 2 * np.pi * hz).complex.ravel()
        assert_allclose(read, model.response(hz, "control", "v(out)")[0], rtol=1e-8)


def test_loop_for_python_control_is_near_the_exact_one(undamped):
    """Averaged and by multiplication, against switched and by injection: 0.4 dB and 3 degrees below fs/20."""
    hz = np.geomspace(30.0, 330e3 / 20, 12)
    exact = loop_gain(undamped.closed_loop, hz)
    for item, corner in enumerate(undamped.corners):
        if corner.mode == "DCM" or not corner.stable:
            continue
        read = control.frequency_response(corner.loop.to_control(), 2 * np.pi * hz).complex.ravel()
        ratio = read / exact[item]
        assert np.abs(20 * np.log10(np.abs(ratio))).max() < 0.4
        assert np.abs(np.degrees(np.angle(ratio))).max() < 3.0
        assert control.dcgain(corner.loop.to_control()) > 10.0  # positive at dc: negative feedback


def test_a_stage_alone_has_no_loop(undamped):
    bare = undamped.case.model_copy(update={"error_amplifier": None, "divider": None, "compensation": None})
    corner = check(bare).corners[0]
    assert corner.loop is None
    assert corner.compensator is None
    assert corner.phase_margin_deg is None
    assert corner.reasons["phase_margin_deg"] == "no loop is given"
