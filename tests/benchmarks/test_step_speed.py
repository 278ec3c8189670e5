"""How fast steps are: 3,000 cycles of the shipped SEPIC, and cycles against ``solve_ivp`` with events, in one run.

To be read with `pytest tests/benchmarks`; the ratios stand under the timings.
"""

import sys
import timeit
from pathlib import Path

import pytest

from loopdesign.case import load_case
from loopdesign.converter import operating_point
from loopdesign.corners import compensation, one_corner, solved
from loopdesign.steady import Guess
from loopdesign.step_start import control_limits
from loopdesign.stepping import CycleStepper
from loopdesign.transient import from_point, run

TESTS = Path(__file__).parents[1]
SHIPPED = TESTS.parent / "cases" / "tide_gauge_sepic_undamped.toml"
CYCLES, FEW = 3000, 20


def rested(case, input_voltage, load_current):
    """Return a stepper with its closed-loop operating point."""
    corner = one_corner(case, input_voltage, load_current)
    opened, point = solved(case, corner)
    closed = opened.closed(compensation(case, case.compensation.parts, corner))
    point = operating_point(closed, Guess.from_point(point))
    inputs = dict(zip(point.network.inputs, point.inputs[0], strict=True))
    return CycleStepper(closed, inputs, control_limits(case)), point


@pytest.mark.parametrize("input_voltage", [13.0, 30.0])
def test_three_thousand_cycles_of_the_shipped_sepic(benchmark, record_ratio, input_voltage):
    """A load step of the shipped SEPIC with its compensator; half a second is to be reached."""
    case = load_case(SHIPPED)
    stepper, point = rested(case, input_voltage, 0.4)
    stepper.set_inputs(load=0.8)
    x, devices = from_point(point)
    benchmark(run, stepper, x, devices, cycles=CYCLES)
    best = min(timeit.repeat(lambda: run(stepper, x, devices, cycles=CYCLES), number=1, repeat=3))
    record_ratio(f"{CYCLES} cycles of the SEPIC at {input_voltage:g} V over half a second (to reach: 1)", best / 0.5)


def test_cycles_against_solve_ivp(benchmark, record_ratio, tmp_path):
    """The same cycles by LSODA with events on handwritten equations, at the tolerance where both agree to 1e-9."""
    sys.path.insert(0, str(TESTS / "independent"))
    try:
        from cyclesim import Converter
        from oraclecases import trap, write_case
        from test_steps_against_solve_ivp import Integrated
    finally:
        sys.path.remove(str(TESTS / "independent"))
    plain = trap(damper=True, specification={"input_voltage": [13.0]})
    path = write_case(plain, tmp_path / "case.toml")
    stepper, point = rested(load_case(path), 13.0, 0.8)
    stepper.set_inputs(load=0.6)
    x, devices = from_point(point)
    benchmark(run, stepper, x, devices, cycles=FEW)
    ours = min(timeit.repeat(lambda: run(stepper, x, devices, cycles=FEW), number=1, repeat=5))

    oracle = Integrated(Converter(plain, closed=True, input_voltage=13.0, load_current=0.8))
    order = ("i(L1)", "i(L2)", "v(Cs)", "v(Cd)", "v(Co)", "v(compensation C2)", "v(compensation C1)")
    si = (x / stepper.scale)[[stepper.states.index(name) for name in order]]

    def integrated():
        z = oracle.conv.start(si, vref=float(point.trim[0]), isink=0.6)
        for _ in range(FEW):
            z = oracle.cycle(z)

    theirs = min(timeit.repeat(integrated, number=1, repeat=3))
    record_ratio("cycles by solve_ivp over cycles edge by edge, both to 1e-9 (to reach: 100)", theirs / ours)
