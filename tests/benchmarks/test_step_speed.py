"""How fast steps are: 3,000 cycles of the shipped SEPIC, and cycles against ``solve_ivp`` with events, in one run.

To be read with `pytest tests/benchmarks`; the ratios stand under the timings.
"""

import dataclasses
import timeit
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import control_limits
from loopdesign.case import load_case
from loopdesign.corners.converters import compensation, one_corner, solved
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.stepping.cycle import CycleStepper

TESTS = Path(__file__).parents[1]
SHIPPED = TESTS.parent / "cases" / "tide_gauge_sepic_undamped.toml"
CYCLES, FEW = 3000, 20


def rested(case, input_voltage, load_current):
    """Return a stepper with its closed-loop operating point."""
    corner = one_corner(case, input_voltage, load_current)
    opened, point = solved(case, corner)
    closed = opened.closed(compensation(case, case.compensation.parts, corner))
    point = operating_point(closed, point.sequence)
    inputs = dict(zip(point.network.inputs, point.inputs[0], strict=True))
    return CycleStepper(closed, inputs, control_limits(case)), point


@pytest.mark.parametrize("input_voltage", [13.0, 30.0])
def test_three_thousand_cycles_of_the_shipped_sepic(benchmark, record_ratio, input_voltage):
    """A load step of the shipped SEPIC with its compensator; half a second is to be reached."""
    case = load_case(SHIPPED)
    stepper, point = rested(case, input_voltage, 0.4)
    stepper.set_inputs(load=0.8)
    x, devices = from_point(point)
    benchmark(run_cycles, stepper, x, devices, cycles=CYCLES)
    best = min(timeit.repeat(lambda: run_cycles(stepper, x, devices, cycles=CYCLES), number=1, repeat=3))
    record_ratio(f"{CYCLES} cycles of the SEPIC at {input_voltage:g} V over half a second (to reach: 1)", best / 0.5)


def plain_numbers(case, stepper):
    """Write a case as the handwritten equations want it, capacitors at the value of their bias."""

    def number(value):
        return float(np.ravel(value)[0])

    def parts(*values):
        return [{f.name: number(getattr(v, f.name)) for f in dataclasses.fields(v)} for v in values]

    stage = stepper.converter.stage
    (L1, L2), (Cs,) = parts(stage.L1, stage.L2), parts(stage.Cs)
    s, amplifier = case.specification, case.error_amplifier
    return {
        "converter": {"topology": "sepic", "switching_frequency": case.converter.switching_frequency},
        "specification": {"input_voltage": [13.0], "output_voltage": s.output_voltage, "output_current": [0.4]},
        "stage": {
            "L1": L1, "L2": L2, "Cs": Cs, "Co": parts(*stage.Co), "switch": {"resistance": number(stage.switch_resistance)},
            "diode": {"drop": number(stage.diode_drop), "resistance": number(stage.diode_resistance)},
        },
        "modulator": case.modulator.model_dump(),
        "error_amplifier": {k: getattr(amplifier, k) for k in ("gm", "output_resistance", "reference")},
        "divider": {"lower": case.divider.lower},
        "compensation": case.compensation.parts,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("method", "rtol", "agreement"),
    [("RK45", 1e-12, 1e-10), ("DOP853", 1e-12, 1e-10), ("LSODA", 1e-12, 2e-10), ("Radau", 1e-10, 1e-10)],
)
def test_cycles_against_solve_ivp(benchmark, record_ratio, monkeypatch, method, rtol, agreement):
    """The shipped SEPIC by ``solve_ivp`` with events on handwritten equations, as accurate as the method can be made.

    RK45 is what ``solve_ivp`` takes by itself. The stepping stays ahead of all of them in accuracy: their own error
    falls with their tolerance down to the agreement asserted here, the stepping's is rounding.
    """
    monkeypatch.syspath_prepend(str(TESTS / "independent"))
    import test_steps_against_solve_ivp as independent
    from cyclesim import Converter

    case = load_case(SHIPPED)
    stepper, point = rested(case, 13.0, 0.4)
    stepper.set_inputs(load=0.8)
    x, devices = from_point(point)
    benchmark(run_cycles, stepper, x, devices, cycles=FEW)
    ours = min(timeit.repeat(lambda: run_cycles(stepper, x, devices, cycles=FEW), number=3, repeat=5)) / 3

    monkeypatch.setattr(independent, "RTOL", rtol)
    monkeypatch.setattr(independent, "solve_ivp", lambda *a, **k: solve_ivp(*a, **(k | {"method": method})))
    oracle = independent.Integrated(Converter(plain_numbers(case, stepper), closed=True))
    names = {"i1": "i(L1)", "i2": "i(L2)", "vcs": "v(Cs)", "vo0": "v(Co1)", "vo1": "v(Co2)",
             "vc": "v(compensation C2)", "v1": "v(compensation C1)"}  # fmt: skip
    si = (x / stepper.scale)[[stepper.states.index(names[n]) for n in oracle.conv.names[: oracle.conv.n]]]

    def integrated():
        z = oracle.conv.start(si, vref=float(point.trim[0]), isink=0.8)
        means = []
        for _ in range(FEW):
            z = oracle.cycle(z)
            means.append(z[oracle.conv.at["area"]] / oracle.conv.p.period)
        return np.array(means)

    mine = run_cycles(stepper, x, devices, cycles=FEW).mean
    assert_allclose(mine, integrated(), rtol=0.0, atol=agreement * np.abs(mine - 15.0).max())
    theirs = min(timeit.repeat(integrated, number=1, repeat=2))
    record_ratio(f"cycles by solve_ivp ({method}, {rtol:g}) over cycles edge by edge (to reach: 100)", theirs / ours)
