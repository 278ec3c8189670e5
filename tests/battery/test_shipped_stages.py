"""The shipped boost and the shipped flyback with its loop across the isolation: designed, filtered, and stepped in time."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stepping import Circuit

from loopdesign.analysis.check import closed_model, examine, examine_stage
from loopdesign.analysis.filter_study import filter_study
from loopdesign.case import load_case
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import amplifier, divider, line_load_corners, network_parts
from loopdesign.models.switched import control_to_output, loop_gain
from loopdesign.synthesis.choice import choose

CASES = Path(__file__).parents[2] / "cases"


@cache
def chosen(name):
    """The parts design chooses, against line and load: the tolerance ends have tests of their own."""
    return choose(load_case(CASES / f"{name}.toml"), tolerances=False)


@pytest.fixture(params=["beacon_boost", "echo_sounder_flyback"])
def designed(request):
    return chosen(request.param)


@pytest.fixture
def flyback():
    found = chosen("echo_sounder_flyback").check
    return found.case, found


def test_shipped_case_meets_every_target_at_every_corner(designed):
    found = designed.check
    assert found.targets_met
    assert found.stable
    assert {True, False} == set(found.stage.point.discontinuous.tolist())
    assert designed.chosen.keys() == {"R1", "C1", "C2", "divider.upper"}


def test_beacon_filter_keeps_its_distance():
    found = chosen("beacon_boost").check
    case = found.case
    study = filter_study(case, found.parts)
    assert study.warnings == ()
    assert study.separation.db.min() > 12.0


def test_undamped_beacon_filter_is_warned_of_by_its_frequency():
    """A larger choke without a damper: the warning names the resonance, by hand 1/(2 pi sqrt(L C)) with the cable's share."""
    found = chosen("beacon_boost").check
    case = found.case
    poor = case.input_filter.model_copy(
        update={"damper": None, "L": case.input_filter.L.model_copy(update={"inductance": 33e-6, "resistance": 0.005})}
    )
    study = filter_study(case.model_copy(update={"input_filter": poor}), found.parts)
    resonance = 1.0 / (2.0 * np.pi * np.sqrt(33.8e-6 * 10e-6))
    worst = int(np.argmin(study.separation.db))
    assert study.separation.db[worst] < 6.0
    assert study.separation.frequency_hz[worst] == pytest.approx(resonance, rel=0.05)
    assert any(f"{study.separation.frequency_hz[worst] / 1e3:.2f} kHz" in w for w in study.warnings)
    assert study.proposal is not None
    assert study.proposal.stable
    assert study.proposal.separation.db.min() > study.separation.db.min() + 6.0


def test_isolated_loop_by_injection_against_the_product(flyback):
    """Plant times compensator leaves out the ripple at the comparator: 0.5 dB and 4 degrees below fs/15."""
    case, found = flyback
    f = np.geomspace(20.0, 10e3, 25)
    network = network_parts(case, found.parts)
    product = control_to_output(found.stage.model, f) * compensator_response(amplifier(case), divider(case), network, f)
    ratio = loop_gain(found.closed_loop, f) / product
    assert np.abs(20.0 * np.log10(np.abs(ratio))).max() < 0.5
    assert np.abs(np.degrees(np.angle(ratio))).max() < 4.0


def _leading(values):
    return np.sort(np.abs(values))[-3:]


@pytest.mark.parametrize("item", range(6))
def test_isolated_loop_stepped_in_time(flyback, item):
    """The period map of flyback, regulator and optocoupler, differentiated from simulated cycles."""
    _, found = flyback
    point = found.closed_loop.point
    scale = np.maximum(np.maximum(np.abs(point.start[item]), np.abs(point.at_duty[item])), 1e-9)
    circuit = Circuit(point, item)
    assert_allclose(circuit.cycle(point.start[item]), point.start[item], atol=1e-8 * scale.max())
    stepped = np.linalg.eigvals(circuit.period_map(point.start[item], scale))
    assert_allclose(_leading(stepped), _leading(found.closed_loop.multipliers[item]), rtol=1e-4)


def test_transfer_ratio_scales_the_whole_loop(flyback):
    """Both paths pass the optocoupler, so its ratio multiplies the loop gain; at both ends of its spread it stays stable."""
    case, found = flyback
    nominal = line_load_corners(case)
    f = np.array([1e3, 5e3])
    for factor in (0.7, 1.6):
        corners = Corners(
            input_voltage=nominal.input_voltage,
            load_current=nominal.load_current,
            temperature=nominal.temperature,
            factors={"transfer_ratio": np.full(len(nominal), factor)},
        )
        loop = closed_model(case, examine_stage(case, corners), found.parts)
        assert (np.abs(loop.multipliers) < 1.0).all()
        assert_allclose(np.abs(loop_gain(loop, f) / loop_gain(found.closed_loop, f)), factor, rtol=0.05)


def test_strong_optocoupler_gain_is_called_unstable_and_grows(flyback):
    """Close to five times the optocoupler's gain, the gain margin being 10.5 dB: the verdict turns, and time shows it."""
    case, found = flyback
    strong = case.model_copy(
        update={"error_amplifier": case.error_amplifier.model_copy(update={"led_resistance": 700.0})}
    )
    result = examine(strong, found.parts)
    item = int(np.argmax([v.largest_multiplier for v in result.verdicts]))
    assert not result.verdicts[item].stable
    modes, point = result.closed_loop.period_modes, result.closed_loop.point
    k = int(np.argmax(np.abs(modes.values[item])))
    scale = np.maximum(np.maximum(np.abs(point.start[item]), np.abs(point.at_duty[item])), 1e-9)
    vector = modes.vectors[item, :, k]
    vector = 1e-6 * vector / np.abs(vector / scale).max()
    circuit, x = Circuit(point, item), point.start[item] + vector.real
    for _ in range(6):
        x = circuit.cycle(x)
    expected = (modes.values[item, k] ** 6 * vector).real / scale
    assert_allclose((x - point.start[item]) / scale, expected, atol=0.02 * np.abs(expected).max())
