"""Loads at which conduction and regulation change, of nearly lossless stages against closed forms.

Source: R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., Springer, 2020 (EM3), Tables 5.1 and 5.2:
K = 2L/(R Ts) at the boundary of the modes, and the conversion ratio in discontinuous conduction, here solved for the load
at which the shortest on-time gives the output.
"""

from __future__ import annotations

import numpy as np
import pytest

from loopdesign.analysis.regimes.boundary import load_boundary
from loopdesign.analysis.regimes.least import risen_output
from loopdesign.case import parse_case
from loopdesign.corners.converters import one_corner, solved
from loopdesign.orbit.stepping.devices import ControlLimits

FS, L, DELAY = 300e3, 20e-6, 200e-9
STAGES = {"buck": (12.0, (20.0, 40.0)), "boost": (24.0, (9.0, 18.0)), "inverting": (15.0, (10.0, 30.0))}
CASE = """
title = "foghorn supply"
[converter]
topology = "{topology}"
switching_frequency = {fs}
[specification]
input_voltage = [{lines}]
output_voltage = {output}
output_current = [0.5, 4.0]
[stage]
L1 = {{ inductance = {L}, resistance = 1e-5 }}
Co = {{ capacitance = 2e-3, esr = 1e-5 }}
switch = {{ resistance = 1e-5 }}
diode = {{ drop = 1e-5, resistance = 1e-5 }}
[modulator]
scheme = "peak current"
sense_gain = 0.05
slope = 3e4
turn_off_delay = {delay}
"""
CRITICAL = {
    "buck": lambda M: 1.0 - M, "boost": lambda M: (M - 1.0) / M**3, "inverting": lambda M: 1.0 / (1.0 + M) ** 2,
}  # fmt: skip
"""Table 5.1, the critical K with the duty of continuous conduction put in."""
LIGHT = {
    "buck": lambda M, D: D**2 * (1.0 - M) / M**2, "boost": lambda M, D: D**2 / (M * (M - 1.0)),
    "inverting": lambda M, D: D**2 / M**2,
}  # fmt: skip
"""Table 5.2 solved for K."""


@pytest.mark.parametrize("topology", STAGES)
def test_loads_of_a_lossless_stage(topology):
    """E9, Tables 5.1 and 5.2: the load where continuous conduction ends, and the one that the shortest on-time holds."""
    output, ends = STAGES[topology]
    lines = np.linspace(*ends, 4)
    text = CASE.format(topology=topology, fs=FS, lines=f"{ends[0]}, {ends[1]}", output=output, L=L, delay=DELAY)
    found = load_boundary(parse_case(text, "foghorn.toml"), {}, lines)
    M, D = output / lines, DELAY * FS
    load = output / (2.0 * L * FS)  # K times this is the load current
    np.testing.assert_allclose(found.continuous_limit_a, load * CRITICAL[topology](M), rtol=1e-3)
    np.testing.assert_allclose(found.least_load_a, load * LIGHT[topology](M, D), rtol=1e-3)
    assert set(found.least_load_by) == {"minimum on-time"}


@pytest.mark.parametrize("bound", ["on-time", "clamp"])
def test_output_that_rises(bound):
    """E9, Table 5.2: a buck whose pulse cannot be shorter than D settles at M = 2 / (1 + sqrt(1 + 4 K / D^2)) of its input."""
    output, line, load, D = 12.0, 30.0, 0.004, 0.06
    text = CASE.format(topology="buck", fs=FS, lines=line, output=output, L=L, delay=0.0)
    limits = ControlLimits(min_on_time=D / FS)
    if bound == "clamp":
        text = text.replace('"peak current"\nsense_gain = 0.05\nslope = 3e4', '"voltage"\nramp = 1.5')
        limits = ControlLimits(lowest=1.5 * D)
    opened = solved(case := parse_case(text, "foghorn.toml"), one_corner(case, line, load))[0]
    K = 2.0 * L * FS * load / output
    assert risen_output(opened, limits) == pytest.approx(line * 2.0 / (1.0 + np.sqrt(1.0 + 4.0 * K / D**2)), rel=1e-4)
