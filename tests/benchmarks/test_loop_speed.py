"""How fast the exact loop gain and a whole check are, each against something known, in one run.

To be read with `pytest tests/benchmarks`; the ratios stand under the timings.
"""

import subprocess
import sys
import timeit
from pathlib import Path

import control
import numpy as np
import pytest

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.case import load_case
from loopdesign.corners.converters import one_corner
from loopdesign.models.averaged import average
from loopdesign.models.switched import loop_gain

CASES = Path(__file__).parents[2] / "cases"
CHOSEN = CASES / "tide_gauge_sepic_undamped.toml"


@pytest.fixture(scope="module")
def closed():
    case = load_case(CHOSEN)
    stage = examine_stage(case, one_corner(case, 13.0, 1.2))
    parts = dict(case.compensation.parts)
    return stage, closed_model(case, stage, parts)


def _seconds(call, number=5, repeat=7):
    return min(timeit.repeat(call, number=number, repeat=repeat)) / number


def test_exact_loop_gain_against_an_averaged_state_space(benchmark, closed, record_ratio):
    """400 frequencies: python-control evaluating an averaged state space of the same order is the measure."""
    stage, loop = closed
    frequencies = np.geomspace(50.0, 150e3, 400)
    averaged = average(stage.point, stage.converter.modulator).to_control()
    order = loop.period_map.shape[-1]
    # pad the averaged plant with the compensator's states: the same order, decoupled lags
    lags = control.ss(-np.diag(np.arange(1.0, order - averaged.nstates + 1)), np.ones((order - averaged.nstates, 1)),
                      np.ones((1, order - averaged.nstates)), 0.0)  # fmt: skip
    system = averaged[0, 0] * lags
    assert system.nstates == order
    benchmark(loop_gain, loop, frequencies)
    ours, theirs = _seconds(lambda: loop_gain(loop, frequencies)), _seconds(lambda: system(2j * np.pi * frequencies))
    record_ratio(
        "exact loop gain over python-control's averaged state space, 400 frequencies (to reach: 0.2)", ours / theirs
    )


def test_exact_response_against_a_time_domain_sweep(benchmark, closed, record_ratio):
    """One frequency by brute force: as many cycles as a sweep of equal accuracy needs, stepped by exponentials."""
    _, loop = closed
    frequencies = np.geomspace(50.0, 150e3, 32)
    benchmark(loop_gain, loop, frequencies)
    exact = _seconds(lambda: loop_gain(loop, frequencies)) / len(frequencies)
    # A sweep must wait for the slowest mode to fall below 1e-6 and then correlate over one beat of the injection.
    slowest = np.abs(loop.multipliers[0]).max()
    assert slowest < 1.0
    cycles = np.log(1e-6) / np.log(slowest) + 100.0
    matrices = [np.ascontiguousarray(e[0]) for e in loop.exponentials]
    state = np.ascontiguousarray(loop.point.start[0])

    def cycle(x=state):
        for m in matrices:
            x = m @ x
        return x

    per_cycle = _seconds(cycle, number=200)
    record_ratio("time-domain sweep over exact response, per frequency (to reach: 1000)", cycles * per_cycle / exact)


def test_whole_check_and_help(benchmark, record_ratio):
    """Whole processes: `check` on the shipped SEPIC and `--help`, against an interpreter that imports numpy alone."""
    run = [sys.executable, "-m", "loopdesign", "check", str(CHOSEN), "--json"]

    def process(words):
        return subprocess.run(words, capture_output=True, check=False)

    benchmark.pedantic(process, args=(run,), rounds=3, warmup_rounds=1)
    check = _seconds(lambda: process(run), number=1, repeat=3)
    help_ = _seconds(lambda: process([sys.executable, "-m", "loopdesign", "--help"]), number=1, repeat=3)
    bare = _seconds(lambda: process([sys.executable, "-c", "import numpy"]), number=1, repeat=3)
    record_ratio(f"check ({check:.2f} s; to reach 1.5 s) over an interpreter importing numpy", check / bare)
    record_ratio(f"--help ({help_:.2f} s; to reach 0.25 s) over an interpreter importing numpy", help_ / bare)
