"""Load steps of every topology, modulator and load against the cycle simulation of the handwritten equations.

The simulation bisects every edge to 2^-46 of a period; the agreement asked for is its rounding over the run.
"""

from __future__ import annotations

import copy

import numpy as np
import pytest
from cyclesim import Converter, cycle_means, operating_point
from numpy.testing import assert_allclose
from oraclecases import write_case
from topologycases import CASES, VOLTAGE_MODE

from loopdesign.analysis.transient.steps import step
from loopdesign.case import load_case

CYCLES = 60


def against_simulation(case, tmp_path, load_from, load_to):
    """Step by both; compare cycle means to 1e-8 of the largest deviation."""
    case = copy.deepcopy(case)
    case["specification"]["load_step"] = {"from": load_from, "to": load_to}
    result = step(load_case(write_case(case, tmp_path / "case.toml")), cycles=CYCLES).of("load")[0]
    conv = Converter(case, closed=True, load_current=load_from)
    orbit = operating_point(conv)
    expected = cycle_means(conv, orbit, cycles=CYCLES, isink=load_to - load_from)
    peak = np.abs(expected - case["specification"]["output_voltage"]).max()
    assert_allclose(result.output_voltage_v, expected, rtol=0.0, atol=1e-8 * peak)
    assert_allclose(result.peak_deviation_v, peak, rtol=1e-8)
    return result


@pytest.mark.parametrize("name", CASES)
def test_from_discontinuous_conduction_upwards(name, tmp_path):
    low, high = CASES[name]["specification"]["output_current"]
    result = against_simulation(CASES[name], tmp_path, low, high)
    assert not result.run.devices[0].diode


@pytest.mark.parametrize("name", ["sepic", "boost", "flyback", "buck"])
def test_voltage_mode(name, tmp_path):
    case = copy.deepcopy(CASES[name]) | {"modulator": dict(VOLTAGE_MODE)}
    high = case["specification"]["output_current"][1]
    against_simulation(case, tmp_path, 0.7 * high, high)


@pytest.mark.parametrize("load", ["current", "power"])
def test_other_loads(load, tmp_path):
    case = copy.deepcopy(CASES["sepic"])
    case["specification"]["load"] = load
    against_simulation(case, tmp_path, 0.6, 1.0)


def test_synchronous_rectifier(tmp_path):
    """The inductor current may reverse; nothing goes idle."""
    case = copy.deepcopy(CASES["sepic"])
    case["converter"]["rectifier"] = "synchronous"
    result = against_simulation(case, tmp_path, 0.05, 0.8)
    assert not result.run.discontinuous.any()
