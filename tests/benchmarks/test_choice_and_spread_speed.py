"""How fast the lattice is searched and a spread is sampled, against python-control doing the averaged job one by one.

To be read with `pytest tests/benchmarks`; the ratios stand under the timings. Memory is the process's own high-water
mark, printed as a ratio of 1 GB.
"""

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import control
import numpy as np
import pytest

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.spread.sample import spread
from loopdesign.analysis.worst import beyond_nominal
from loopdesign.case import parse_case, read_text, write_parts
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import amplifier, divider, network_parts
from loopdesign.models.averaged import average
from loopdesign.synthesis.choice.choose import choose

CASES = Path(__file__).parents[2] / "cases"
TEXT = read_text(CASES / "tide_gauge_sepic.toml")
PARTS = {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9}
FREQUENCIES = np.geomspace(10.0, 165e3, 400)
LOOPED = 120


def _memory():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e9


@pytest.fixture(scope="module")
def open_case():
    return parse_case(TEXT, "tide gauge")


@pytest.fixture(scope="module")
def three_lines():
    """Three input voltages at full load."""
    text = TEXT.replace('output_current = { min = "0.1 A", max = "1.2 A" }', 'output_current = ["1.2 A"]')
    return parse_case(write_parts(text, PARTS), "tide gauge")


def _control_seconds_per_item(case, *, own_margins):
    """Build and evaluate averaged models one by one with python-control; their matrices are handed to it ready made."""
    rng = np.random.default_rng(1)
    spread_by = {"L1.inductance": 0.2, "L2.inductance": 0.2, "Cs.capacitance": 0.1, "Co1.capacitance": 0.2}
    factors = {k: 1.0 + t * rng.uniform(-1.0, 1.0, LOOPED) for k, t in spread_by.items()}
    corners = Corners(
        input_voltage=np.full(LOOPED, 13.0), load_current=np.full(LOOPED, 1.2), temperature=np.full(LOOPED, 25.0), factors=factors,
    )  # fmt: skip
    stage = examine_stage(case, corners)
    model = average(stage.point, stage.converter.modulator)
    gm, ro, ratio = 1e-3, 2e6, float(divider(case).ratio)
    R1, C1, C2 = PARTS["R1"], PARTS["C1"], PARTS["C2"]
    numerator = gm * ratio * ro * np.array([R1 * C1, 1.0])
    denominator = [R1 * C1 * C2 * ro, ro * (C1 + C2) + R1 * C1, 1.0]
    s = 2j * np.pi * FREQUENCIES
    closed_form = compensator_response(amplifier(case), divider(case), network_parts(case, PARTS), FREQUENCIES)
    np.testing.assert_allclose(np.polyval(numerator, s) / np.polyval(denominator, s), np.ravel(closed_form), rtol=1e-9)
    begin = time.perf_counter()
    for i in range(LOOPED):
        T = model.period[i]
        plant = control.ss(model.A[i] / T, model.B[i][:, :1] / T, model.C[i][:1], model.D[i][:1, :1])
        loop = control.ss(control.tf(numerator, denominator)) * plant
        response = control.frequency_response(loop, s.imag)
        if own_margins:
            control.stability_margins(response)
        control.feedback(loop, 1).poles()
    return (time.perf_counter() - begin) / LOOPED


def test_ten_thousand_samples_at_three_input_voltages(benchmark, three_lines, record_ratio):
    """Exact margins and verdict of 30,000 items; python-control is looped over a part of them and scaled."""
    found = benchmark.pedantic(spread, (three_lines, 10_000), rounds=1, iterations=1)
    assert found.crossover_hz.shape == (10_000, 3)
    begin = time.perf_counter()
    spread(three_lines, 1000)
    small = (time.perf_counter() - begin) / 3000
    ours = benchmark.stats.stats.min / 30_000 if benchmark.stats else small
    theirs = _control_seconds_per_item(three_lines, own_margins=True)
    record_ratio(
        "averaged model and margins, python-control one by one, over exact samples (to reach: 20)", theirs / ours
    )
    theirs = _control_seconds_per_item(three_lines, own_margins=False)
    record_ratio("the same without margins", theirs / ours)
    record_ratio("cost per sample, 10,000 over 1,000 samples", ours / small)
    record_ratio("exact sample at one condition [us]", 1e6 * ours)
    record_ratio("memory after 10,000 samples x 3 [GB] (to stay under: 1)", _memory())


@pytest.mark.slow
@pytest.mark.skipif("LOOPDESIGN_SLOW" not in os.environ, reason="minutes long; set LOOPDESIGN_SLOW to run it")
def test_cost_is_linear_to_a_hundred_thousand_samples(three_lines, record_ratio):
    begin = time.perf_counter()
    spread(three_lines, 1000)
    small = (time.perf_counter() - begin) / 1000
    begin = time.perf_counter()
    found = spread(three_lines, 100_000)
    large = (time.perf_counter() - begin) / 100_000
    assert found.samples == 100_000
    record_ratio("cost per sample, 100,000 over 1,000 samples", large / small)
    record_ratio("seconds for 100,000 samples x 3", large * 100_000)
    record_ratio("memory after 100,000 samples x 3 [GB] (to stay under: 1)", _memory())


@pytest.mark.nightly
def test_cost_in_corners(three_lines, record_ratio):
    """Six input voltages against three, per item."""
    text = write_parts(TEXT, PARTS).replace(
        'output_current = { min = "0.1 A", max = "1.2 A" }', 'output_current = ["1.2 A"]'
    )
    six = parse_case(
        text.replace(
            '{ min = "8 V", nominal = "13 V", max = "30 V" }', '["8 V", "10 V", "13 V", "18 V", "24 V", "30 V"]'
        ),
        "six",
    )
    seconds = []
    for case in (three_lines, six):
        begin = time.perf_counter()
        spread(case, 2000)
        seconds.append(time.perf_counter() - begin)
    record_ratio("cost of six input voltages over three (linear: 2)", seconds[1] / seconds[0])


@pytest.mark.nightly
def test_whole_lattice_against_nine_corners(benchmark, open_case, record_ratio):
    """Every E96 x E12 x E12 combination against three input voltages and three loads, the divider and the confirmation included."""
    text = TEXT.replace('{ min = "0.1 A", max = "1.2 A" }', '["0.1 A", "0.5 A", "1.2 A"]')
    found = benchmark.pedantic(choose, (parse_case(text, "nine"),), {"tolerances": False}, rounds=1, iterations=1)
    assert found.searched_corners == 9
    assert found.combinations > 1e6
    record_ratio("combinations looked at per one evaluated whole", found.combinations / max(found.evaluated, 1))
    begin = time.perf_counter()
    robust = choose(open_case)
    record_ratio(f"seconds with tolerance ends, {robust.searched_corners} corners", time.perf_counter() - begin)
    record_ratio("memory after the search [GB] (to stay under: 1)", _memory())


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("beacon_boost", marks=pytest.mark.nightly),
        pytest.param("echo_sounder_flyback", marks=pytest.mark.nightly),
        "tide_gauge_sepic",
        pytest.param("wave_buoy_coupled_sepic", marks=pytest.mark.nightly),
    ],
)
def test_choice_against_a_check(benchmark, record_ratio, name):
    """The choice of a shipped case, tolerance ends and all, over a check of what it chose."""
    case = parse_case(read_text(CASES / f"{name}.toml"), name)
    found = benchmark.pedantic(choose, (case,), rounds=1, iterations=1)
    chosen = benchmark.stats.stats.min if benchmark.stats else np.nan
    begin = time.perf_counter()
    beyond_nominal(examine(found.check.case, found.check.parts))
    record_ratio(f"choice over check, {name}", chosen / (time.perf_counter() - begin))


@pytest.mark.nightly
def test_type_iii_around_an_operational_amplifier_against_a_check(benchmark, record_ratio):
    """Five open parts: 3.4e10 combinations in blocks; the check of what was chosen is the measure."""
    text = TEXT.replace('kind = "transconductance"', 'kind = "operational"').replace(
        'network = "type II"', 'network = "type III"'
    )
    text = text.replace('gm = "1 mS"', 'dc_gain = "80 dB"').replace(
        'output_resistance = "2 Mohm"', 'gain_bandwidth = "5 MHz"'
    )
    found = benchmark.pedantic(choose, (parse_case(text, "type III"),), rounds=1, iterations=1)
    chosen = benchmark.stats.stats.min if benchmark.stats else np.nan
    begin = time.perf_counter()
    beyond_nominal(examine(found.check.case, found.check.parts))
    record_ratio("choice of a type III network over check", chosen / (time.perf_counter() - begin))


def _processor_seconds():
    """What this process and the children it waited for took."""
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def _command_seconds(*words):
    """Wall clock and processor time of one command, a process of its own; exit status 0 and 1 are answers."""
    begin, before = time.perf_counter(), _processor_seconds()
    done = subprocess.run([sys.executable, "-m", "loopdesign", *map(str, words)], capture_output=True, check=False)
    assert done.returncode in {0, 1}, done.stderr.decode()
    return time.perf_counter() - begin, _processor_seconds() - before


@pytest.mark.nightly
@pytest.mark.parametrize("name", ["beacon_boost", "tide_gauge_sepic", "navigation_light_sepic", "echo_sounder_flyback"])
def test_whole_design_against_a_whole_check(benchmark, record_ratio, tmp_path, name):
    """Report, document and page included, over a check of what was chosen: clock, and the processor of the command."""
    folder = tmp_path / "report"
    design = benchmark.pedantic(
        _command_seconds, ("design", CASES / f"{name}.toml", "--output", folder), rounds=1, iterations=1
    )
    check = _command_seconds("check", folder / "case.toml")
    record_ratio(f"whole design over whole check, clock, {name} (to reach: 2.7)", design[0] / check[0])
    record_ratio(f"whole design over whole check, main process, {name}", design[1] / check[1])
