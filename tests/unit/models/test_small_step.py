"""The response to a small step at the clock, period by period, against converters stepped edge by edge."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import start_of, stepper_of
from loopdesign.case import parse_case, read_text

CASES = Path(__file__).parents[3] / "cases"
SEPIC = "tide_gauge_sepic.toml", {"R1": 6.8e3, "C1": 22e-9, "C2": 0.0}
FLYBACK = "echo_sounder_flyback.toml", {"R1": 3.3e3, "C1": 47e-9, "C2": 1e-9}
BOOST = "beacon_boost.toml", {"R1": 9.09e3, "C1": 27e-9, "C2": 1.8e-9}
DELAYED = ("max_duty", "turn_off_delay = '90 ns'\nmax_duty")
SIZE = 1e-5


@pytest.mark.parametrize(
    ("case", "line", "load", "change"),
    [
        pytest.param(SEPIC, 8.0, 1.0, None, id="sepic in continuous conduction"),
        pytest.param(SEPIC, 30.0, 0.15, None, id="sepic in discontinuous conduction"),
        pytest.param(SEPIC, 13.0, 0.6, DELAYED, id="sepic with a turn-off delay"),
        pytest.param(FLYBACK, 48.0, 1.5, None, id="flyback with optocoupler"),
        pytest.param(BOOST, None, 0.3, None, id="boost"),
    ],
)
@pytest.mark.parametrize("kind", ["load", "line"])
def test_small_step_is_that_of_the_stepped_converter(case, line, load, change, kind):
    name, parts = case
    text = read_text(CASES / name)
    if change is not None:
        assert change[0] in text
        text = text.replace(*change, 1)
    given = parse_case(text, name)
    line = given.specification.input_voltage.nominal if line is None else line
    lines, loads = ((line, line), (load, load + SIZE)) if kind == "load" else ((line, line + SIZE), (load, load))
    start = start_of(given, parts, kind, lines, loads)
    small = start.model.step(kind, "v(out)", 150)[0]
    stepper = stepper_of(start)
    x, devices = from_point(start.point)
    # held against the same run without the step: the orbit is a fixed point to some 1e-12 of 15 V, and what is left of
    # that, followed over 150 cycles, is up to 1e-3 of what 10 uA move
    rest = run_cycles(stepper, x, devices, cycles=150).mean
    stepper.set_inputs(**start.changes)
    stepped = (run_cycles(stepper, x, devices, cycles=150).mean - rest) / SIZE
    # second order of the step, and the rounding of 15 V, are smaller still
    assert_allclose(small, stepped, atol=5e-5 * np.abs(stepped).max())
    assert np.abs(small).max() > 1e-3


def test_batch_is_each_of_its_items():
    given = parse_case(read_text(CASES / SEPIC[0]), SEPIC[0])
    starts = [start_of(given, SEPIC[1], "load", (v, v), (0.5, 0.6)) for v in (8.0, 30.0)]
    alone = [s.model.step("load", "v(out)", 40)[0] for s in starts]
    assert alone[0].shape == (40,)
    assert np.abs(alone[0] - alone[1]).max() > 0.01
