"""A simulated load step (``data/README.md``), written as an oscilloscope would: trigger, ripple, offset, noise."""

from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld

DATA = Path(__file__).parent / "data"
CASE = DATA / "sepic_load_step.toml"
PERIOD = 4e-6


def means():
    return np.loadtxt(DATA / "sepic_load_step.csv", delimiter=",", skiprows=1).T


def scope(path, time_s, volts, head="Time (s),CH1 (V)", before=("Model,scope", "Averages,16", "")):
    rows = [f"{t:.6e},{v:.6f}" for t, v in zip(time_s, volts, strict=True)]
    path.write_text("\n".join([*before, head, *rows]), encoding="utf-8")
    return path


def test_clean_step_is_met():
    """What the simulation left is 1e-5 of the deviation; the file begins at the step itself."""
    held = ld.bench(CASE, step=DATA / "sepic_load_step.csv")
    assert held.placed.rms_v < 1e-4
    assert abs(held.placed.step_s) < 0.1 * PERIOD
    assert held.measured.peak_deviation_v == pytest.approx(held.predicted.peak_deviation_v, rel=1e-3)
    assert "agree within 10 %" in held.sentence


def test_step_of_a_scope(tmp_path):
    """Samples between the cycles, ripple on top, the trigger somewhere, an offset, milliseconds and millivolts."""
    cycle, volts = means()
    rng = np.random.default_rng(1)
    time = np.arange(-300.0, 0.8 * cycle[-1] / PERIOD, 0.2) * PERIOD
    level = np.interp(time, np.concatenate([[-1.0, -2e-6], cycle]), np.concatenate([[14.995] * 2, volts]))
    seen = level + 0.02 * np.sin(2.0 * np.pi * time / PERIOD) + 0.05 + 0.003 * rng.normal(size=len(time))
    path = scope(tmp_path / "s.csv", (time + 7.3e-4) * 1e3, seen * 1e3, "Time (ms),CH1 (mV)")
    held = ld.bench(CASE, step=path)
    assert held.placed.step_s == pytest.approx(7.3e-4, abs=2.0 * PERIOD)
    assert held.placed.offset_v == pytest.approx(0.05, abs=0.004)
    assert held.measured.peak_deviation_v == pytest.approx(held.predicted.peak_deviation_v, rel=0.03)
    assert held.way == "load"


@pytest.mark.nightly
def test_wrong_capacitor_is_found_by_the_step(tmp_path):
    """The case says half the capacitance that the simulated board has."""
    text = CASE.read_text(encoding="utf-8")
    plan = tmp_path / "plan.toml"
    assert "Co = { capacitance = 0.0001" in text
    plan.write_text(text.replace("Co = { capacitance = 0.0001", "Co = { capacitance = 0.00005"), encoding="utf-8")
    cycle, volts = means()
    noisy = volts + 1e-3 * np.random.default_rng(2).normal(size=len(volts))
    held = ld.bench(plan, step=scope(tmp_path / "s.csv", cycle, noisy), fit="stage.Co.capacitance,stage.Cs.esr")
    part = held.parts["stage.Co.capacitance"]
    assert part.low < 1e-4 < part.high
    assert part.high / part.low < 1.1
    assert not held.parts["stage.Cs.esr"].seen
    assert held.fitted_placed.rms_v < 0.2 * held.placed.rms_v


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a\nb\n", "no row of two numbers"),
        ("Time,V\n" + "\n".join(f"{k},{k * k}" for k in range(9)), "only 9 samples"),
        ("Time (s),A,B\n" + "\n".join(f"{k * 1e-6},{k % 7},{k % 5}" for k in range(60)), "which column is the output"),
        ("Time (s),V\n" + "\n".join(f"{k * 1e-6},x" if k == 30 else f"{k * 1e-6},{k % 7}" for k in range(60)), "expected a number"),
    ],
)  # fmt: skip
def test_bad_records_get_a_sentence(tmp_path, text, told):
    path = tmp_path / "s.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ld.DataError, match=told):
        ld.bench(CASE, step=path)
