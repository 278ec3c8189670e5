"""Boards simulated by brute force, measured with noise: the wrong part is named, intervals hold, several files agree.

The truth is `bruteforce`, which shares no code with the package. Noise: 0.1 dB and 0.7 degrees, as in the exports of
``tests/simulated/data/bench``. A few seeds run always; the ten of every cause and the 300 of the intervals run with
``-m nightly`` (recorded: README of ``tests/simulated/data``).
"""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from bruteforce.casevalues import read_case
from bruteforce.judging import judge
from bruteforce.responses import expected

import loopdesign as ld

CASE = Path(__file__).parents[1] / "simulated" / "data" / "bench" / "clean.nominal.toml"
PLAN = CASE.read_text(encoding="utf-8")
HZ = np.geomspace(50.0, 100e3, 60)
WRONG = {
    "stage.Co.capacitance": ("Co = { capacitance = 0.0001", "Co = { capacitance = 0.00005", 50e-6),
    "stage.Co.esr": ("esr = 0.028", "esr = 0.28", 0.28),
    "stage.L1.inductance": ("L1 = { inductance = 4.7e-05", "L1 = { inductance = 3.525e-05", 35.25e-6),
    "error_amplifier.gm": ("gm = 0.0009", "gm = 0.001035", 1.035e-3),
    "stage.Cs.capacitance": ("Cs = { capacitance = 4.7e-06", "Cs = { capacitance = 2.82e-06", 2.82e-6),
    "modulator.turn_off_delay": ("max_duty = 0.97", "max_duty = 0.97\nturn_off_delay = 3e-7", 300e-9),
}
"""Half of Co, ten times the ESR, L1 down a quarter, gm up 15 %, Cs down 40 %, 300 ns of delay."""


@cache
def simulated(text, input_voltage=9.0, load_current=0.8, quantity="loop"):
    p = read_case(text, input_voltage, load_current)
    found = judge(p)
    return np.array([expected(p, found, quantity, hz) for hz in HZ])


def board(cause):
    before, after, _ = WRONG[cause]
    assert before in PLAN
    return PLAN.replace(before, after)


def export(path, values, seed, *, words=""):
    """Write a response as an analyser does, with its noise."""
    rng = np.random.default_rng(seed)
    db = 20.0 * np.log10(np.abs(values)) + 0.1 * rng.normal(size=len(values))
    deg = np.degrees(np.angle(values)) + 0.7 * rng.normal(size=len(values))
    rows = [f"{f:.8g},{a:.6f},{b:.5f}" for f, a, b in zip(HZ, db, deg, strict=True)]
    path.write_text(
        "\n".join([*([words] if words else []), "Frequency (Hz),Gain (dB),Phase (deg)", *rows]), encoding="utf-8"
    )
    return path


def named(cause, seed, folder):
    held = ld.bench(CASE, export(folder / f"{seed}.csv", simulated(board(cause)), seed), fit="auto")
    return set(held.fit.parts) == {cause}, held


@pytest.mark.parametrize("cause", ["error_amplifier.gm"])
def test_wrong_part_is_named(cause, tmp_path):
    right, held = named(cause, 1, tmp_path)
    assert right, held.sentence
    part = held.fit.parts[cause]
    assert part.low < WRONG[cause][2] < part.high
    assert held.fit.causes[0].odds > 0.5
    assert held.fit.excess < 1.3
    assert cause in held.sentence


@pytest.mark.nightly
@pytest.mark.parametrize("cause", WRONG)
def test_wrong_part_is_named_in_nine_of_ten(cause, tmp_path):
    assert sum(named(cause, seed, tmp_path)[0] for seed in range(10)) >= 9


def test_board_as_planned_is_left_alone(tmp_path):
    held = ld.bench(CASE, export(tmp_path / "a.csv", simulated(PLAN), 3), fit="auto")
    assert held.fit.parts == {}
    assert held.fit.causes[0].values == {}
    assert "every part as planned" in held.sentence


def covered(seeds, folder):
    """Shares of the seeds whose interval encloses each true value."""
    keys = {"stage.Co.capacitance": 50e-6, "stage.Co.esr": 0.028, "error_amplifier.gm": 9e-4}
    truth = simulated(board("stage.Co.capacitance"))
    hits = np.zeros(len(keys))
    for seed in seeds:
        fit = ld.bench(CASE, export(folder / "a.csv", truth, seed), fit=list(keys)).fit
        hits += [fit.parts[key].low < value < fit.parts[key].high for key, value in keys.items()]
    return hits / len(seeds)


def test_intervals_hold_in_a_few_seeds(tmp_path):
    assert np.all(covered(range(8), tmp_path) >= 0.75)


@pytest.mark.nightly
def test_intervals_hold_in_92_to_98_percent(tmp_path):
    """Of 300 seeds: true 95 % intervals fall outside of these bounds in one run of a hundred, of 100 seeds in one of ten."""
    share = covered(range(300), tmp_path)
    assert np.all(share >= 0.92), share
    assert np.all(share <= 0.98), share


def test_several_files_share_one_set_of_parts(tmp_path):
    """Two lines and loads; the words of each file say where it was measured, and both together know more than one."""
    text = board("stage.Co.capacitance")
    places, seeds = ((9.0, 0.8), (16.0, 0.4)), (5, 6)
    files = [
        export(tmp_path / f"{v:g}.csv", simulated(text, v, i), seed, words=f"# Vin = {v:g} V, Iout = {i:g} A")
        for (v, i), seed in zip(places, seeds, strict=True)
    ]
    keys = ["stage.Co.capacitance", "stage.L1.inductance"]
    both = ld.bench(CASE, files, fit=keys)
    one = ld.bench(CASE, files[0], fit=keys)
    assert [(h.point.input_voltage, h.point.load_current) for h in both] == list(places)
    assert both[0].fit.parts == both[1].fit.parts
    for key, value in zip(keys, (50e-6, 47e-6), strict=True):
        part, alone = both[0].fit.parts[key], one.fit.parts[key]
        assert part.low < value < part.high
        assert part.high / part.low < alone.high / alone.low
    assert both[0].fit.difference.rms_db < 0.15
    assert both[1].fit.difference.rms_db < 0.15
    swapped = ld.bench(CASE, files, input_voltage=[16.0, 9.0], load_current=0.8)
    assert [h.point.input_voltage for h in swapped] == [16.0, 9.0]


@pytest.mark.parametrize("quantity", ["plant", "output-impedance"])
def test_other_quantities_are_fitted_likewise(quantity, tmp_path):
    values = simulated(board("stage.Co.esr"), quantity=quantity)
    path = export(tmp_path / "z.csv", values, 2)
    held = ld.bench(CASE, path, quantity=quantity, fit="stage.Co.esr")
    part = held.fit.parts["stage.Co.esr"]
    assert part.low < 0.28 < part.high
    assert held.measured.crossover_hz is None
    with pytest.raises(ld.DataError, match=f"--quantity {quantity}"):
        ld.bench(CASE, path)


def test_values_that_only_act_together_are_told(tmp_path):
    """A larger transconductance acts as a network of lower impedance: the pair is named, and neither is known well."""
    path = export(tmp_path / "a.csv", simulated(board("error_amplifier.gm")), 4)
    keys = ["error_amplifier.gm", "compensation.R1", "compensation.C1", "compensation.C2"]
    fit = ld.bench(CASE, path, fit=keys).fit
    assert ("error_amplifier.gm", "compensation.R1") in fit.correlated
    amplifier = fit.parts["error_amplifier.gm"]
    assert amplifier.low < 1.035e-3 < amplifier.high
    assert amplifier.high / amplifier.low > 1.3
    assert fit.parts["compensation.R1"].low < 3900.0 < fit.parts["compensation.R1"].high


def test_uneven_noise_is_weighed(tmp_path):
    """A twentyfold noise above 20 kHz must not spoil what the quiet part knows; one scatter for all would give 1.1."""
    rng = np.random.default_rng(8)
    truth = simulated(board("stage.Co.capacitance"))
    size = np.where(HZ > 20e3, 2.0, 0.1)
    noise = 10.0 ** (size * rng.normal(size=60) / 20.0) * np.exp(1j * np.radians(7.0 * size * rng.normal(size=60)))
    rows = [f"{f:.8g},{v.real:.8g},{v.imag:.8g}" for f, v in zip(HZ, truth * noise, strict=True)]
    path = tmp_path / "a.csv"
    path.write_text("Hz,Re,Im\n" + "\n".join(rows), encoding="utf-8")
    part = ld.bench(CASE, path, fit="stage.Co.capacitance").fit.parts["stage.Co.capacitance"]
    assert part.low < 50e-6 < part.high
    assert part.high / part.low < 1.05


def test_new_compensation_for_the_board(tmp_path):
    path = export(tmp_path / "a.csv", simulated(board("stage.Co.capacitance")), 6)
    held = ld.bench(CASE, path, fit="stage.Co.capacitance", redesign=True)
    assert held.board.check.stable
    assert held.redesign.check.targets_met
    assert held.redesign.check.case.stage.Co[0].capacitance == pytest.approx(50e-6, rel=0.02)
    assert "With the fitted values the design" in held.sentence
