"""Load steps with turn-off delay, blanking, clamps and a current limit, cycle by cycle against the brute-force simulator.

Neither side knows of the other: the simulator has its equations by hand and its own search for edges.
"""

from __future__ import annotations

import numpy as np
import pytest
from bruteforce.casevalues import corners, read_case
from bruteforce.cycles import cycle
from bruteforce.judging import judge
from numpy.testing import assert_allclose
from random_designs import draw

from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import start_of, stepper_of
from loopdesign.case import parse_case

CYCLES = 100
OPTIONS = ("delay", "blanking", "clamp", "current_limit")
SEEDS = (22, 24, 26, 28, 31, 32, 34, 35, 38, 39, 40, 43)


@pytest.mark.parametrize("seed", SEEDS)
def test_cycle_means_after_a_load_step(seed):
    text = draw(seed, options=OPTIONS, stratum="ordinary").text
    vin, load = corners(text)[0]
    found = judge(read_case(text, vin, load))
    if not found.exists or found.held:
        pytest.fail("draw a seed whose operating point is kept")
    case = parse_case(text, "design.toml")
    start = start_of(case, case.compensation.parts, "load", (vin, vin), (load, 1.6 * load))
    stepper = stepper_of(start)
    stepper.set_inputs(**start.changes)
    ours = run_cycles(stepper, *from_point(start.point), cycles=CYCLES)
    z, diode, clamp = found.sim.start(found.orbit.x, ctl=found.orbit.ctl, isink=0.6 * load), found.orbit.diode, 0
    means, duties, ended = [], [], []
    for _ in range(CYCLES):
        done = cycle(found.sim, z, diode=diode, clamp=clamp)
        z, diode, clamp = done.z, done.diode, done.clamp
        means.append(z[found.sim.at["area"]])
        duties.append(done.on_time)
        ended.append(done.ended)
    output = case.specification.output_voltage
    assert_allclose(ours.mean, means, atol=2e-6 * output)
    assert np.median(np.abs(ours.duty - duties)) < 1e-6
