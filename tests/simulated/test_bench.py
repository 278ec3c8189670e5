"""Analyser exports made from brute-force simulations against the prediction, and a board whose parts are not those planned.

``data/bench`` holds the exports: ``clean`` (loop gain, phase wrapped), ``kilohertz_real_imaginary`` (0.1 dB and 0.7 degrees of
noise, the inversion's 180 degrees left in) and ``inverted_noisy_changed_parts`` (the same noise; the board's output
capacitor is 60 uF with 84 mohm where its case says 100 uF with 28 mohm). Simulations, not a laboratory's measurements.
"""

import json
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.cli import main

DATA = Path(__file__).parent / "data" / "bench"
CAPACITOR = ["stage.Co.capacitance", "stage.Co.esr"]
MARGINS = ("crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin")


def held(name, **options):
    return ld.bench(DATA / f"{name}.nominal.toml", DATA / f"{name}.csv", **options)


def test_clean_loop_is_met():
    """Seven digits in the file and 2e-5 of the simulation leave less than 0.01 dB and 0.03 degrees."""
    found = held("clean")
    assert (found.points, found.dropped, found.inversion_removed, found.repeats) == (60, (), False, 0)
    assert found.read_as.to_dict() == {
        "frequency": "Hz", "values": "dB and degrees", "separator": "comma", "decimal": "point"
    }  # fmt: skip
    assert found.difference.rms_db < 0.01
    assert found.difference.rms_deg < 0.03
    for name in MARGINS:
        assert getattr(found.measured, name) == pytest.approx(getattr(found.predicted, name), rel=2e-3)
    assert "the whole band" in found.sentence


def test_noise_is_what_is_left_of_the_second():
    """The noise put in, 0.1 dB and 0.7 degrees, is the whole difference; 62 points tell it within a quarter."""
    found = held("kilohertz_real_imaginary")
    assert (found.points, found.inversion_removed) == (62, True)
    assert found.read_as.frequency == "kHz"
    assert found.read_as.values == "real and imaginary"
    assert found.frequencies_hz[0] == 200.0
    assert found.difference.rms_db == pytest.approx(0.1, rel=0.25)
    assert found.difference.rms_deg == pytest.approx(0.7, rel=0.25)
    assert found.measured.phase_margin_deg == pytest.approx(found.predicted.phase_margin_deg, abs=2.5)


def test_changed_capacitor_comes_back():
    """60 uF and 84 mohm within 1 %, inside their intervals; what is left is the noise."""
    found = held("inverted_noisy_changed_parts", fit=CAPACITOR)
    assert found.inversion_removed
    assert found.read_as.separator == "semicolon"
    assert found.read_as.decimal == "comma"
    assert found.difference.rms_db > 3.0
    for key, truth in zip(CAPACITOR, (60e-6, 84e-3), strict=True):
        part = found.fit.parts[key]
        assert part.seen
        assert part.value == pytest.approx(truth, rel=0.01)
        assert part.low < truth < part.high
        assert part.high / part.low < 1.05
    assert found.fit.difference.rms_db == pytest.approx(0.1, rel=0.25)
    assert found.fit.difference.rms_deg == pytest.approx(0.7, rel=0.25)


def test_part_that_the_loop_does_not_show_stays_nominal():
    found = held("inverted_noisy_changed_parts", fit=[*CAPACITOR, "stage.Cs.esr"])
    part = found.fit.parts["stage.Cs.esr"]
    assert not part.seen
    assert part.value == part.nominal == 0.012
    assert found.fit.parts["stage.Co.esr"].value == pytest.approx(84e-3, rel=0.01)


def test_second_value_widens_the_first():
    """A resistor fitted as well widens what is known of the transconductance."""
    keys = ["error_amplifier.gm", "compensation.R1"]
    alone = held("clean", fit=keys[:1]).fit.parts[keys[0]]
    both = held("clean", fit=keys).fit
    part = both.parts[keys[0]]
    assert part.high / part.low > alone.high / alone.low
    assert alone.value == pytest.approx(9e-4, rel=0.01)


def test_fitted_case_is_written_with_its_comments(tmp_path, capsys):
    plan = tmp_path / "plan.toml"
    text = (DATA / "inverted_noisy_changed_parts.nominal.toml").read_text(encoding="utf-8")
    plan.write_text("# the board on the bench\n" + text, encoding="utf-8")
    words = ["bench", str(plan), str(DATA / "inverted_noisy_changed_parts.csv"), "--fit", ",".join(CAPACITOR)]
    assert main([*words, "--fitted-case", str(tmp_path / "board.toml")]) == 0
    assert "stage.Co.esr" in capsys.readouterr().out
    written = (tmp_path / "board.toml").read_text(encoding="utf-8")
    assert written.startswith("# the board on the bench\n")
    board = ld.load_case(tmp_path / "board.toml")
    assert board.stage.Co[0].capacitance == pytest.approx(60e-6, rel=0.01)
    assert ld.bench(board, DATA / "inverted_noisy_changed_parts.csv").difference.rms_db < 0.15
    assert main([*words, "--fitted-case", str(tmp_path / "board.toml")]) == 2
    assert "exists" in capsys.readouterr().err


def test_answer_has_the_promised_keys(capsys):
    names = ("clean", "clean")
    words = ["bench", str(DATA / "clean.nominal.toml"), *(str(DATA / f"{n}.csv") for n in names), "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told) == 2
    assert set(told[0]) == {
        "points", "dropped", "read_as", "inversion_removed", "input_voltage", "load_current", "measured", "predicted",
        "difference", "fit", "sentence",
    }  # fmt: skip
    assert set(told[0]["measured"]) == set(told[0]["predicted"]) == set(MARGINS)
    assert set(told[0]["difference"]) == {"rms_db", "rms_deg", "largest_db", "at_hz"}
    assert (told[0]["input_voltage"], told[0]["load_current"], told[0]["fit"]) == (9.0, 0.8, None)
    assert main([*words[:3], "--json", "--fit", "stage.Co.esr"]) == 0
    fit = json.loads(capsys.readouterr().out)["fit"]
    assert set(fit) == {"parts", "correlated", "difference"}
    assert set(fit["parts"]["stage.Co.esr"]) == {"nominal", "value", "low", "high", "seen"}
    assert fit["parts"]["stage.Co.esr"]["value"] == pytest.approx(0.028, rel=0.01)


def test_plant_taken_for_the_loop_is_asked(tmp_path):
    """The exact plant, written as an analyser would, is no loop gain: its shape tells."""
    case = ld.load_case(DATA / "clean.nominal.toml")
    hz = np.geomspace(50.0, 1e5, 40)
    plant = ld.response(case, "plant", frequencies_hz=hz).values
    rows = [f"{f:.6g},{v.real:.7g},{v.imag:.7g}" for f, v in zip(hz, plant, strict=True)]
    path = tmp_path / "plant.csv"
    path.write_text("Frequency (Hz),Real,Imaginary\n" + "\n".join(rows), encoding="utf-8")
    with pytest.raises(ld.DataError, match=r"looks like the plant.*--quantity plant"):
        ld.bench(case, path)
    found = ld.bench(case, path, quantity="plant")
    assert found.difference.rms_db < 1e-4
    assert found.measured.crossover_hz is None
    told = ld.bench(case, path, quantity="loop")
    assert told.difference.rms_db > 6.0
    assert "agrees much better with the plant, control to output" in told.sentence
    assert "say --quantity plant" in told.sentence
    assert "much better" not in found.sentence
    still_open = case.model_copy(update={"compensation": case.compensation.model_copy(update={"R1": None})})
    rows = [f"{f:.6g},{2.0 * v.real:.7g},{2.0 * v.imag:.7g}" for f, v in zip(hz, plant, strict=True)]
    path.write_text("Frequency (Hz),Real,Imaginary\n" + "\n".join(rows), encoding="utf-8")
    assert ld.bench(still_open, path, quantity="plant").warnings == ()  # no loop to hold a far plant against


def test_a_plant_near_its_loop_is_warned_of(tmp_path):
    """Where the compensator is nearly one the two curves are near each other, too near to refuse the file."""
    case = ld.load_case(DATA / "clean.nominal.toml")
    hz = np.geomspace(1e3, 1e4, 30)
    loop, plant = (ld.response(case, q, frequencies_hz=hz).values for q in ("loop", "plant"))
    nearly_one = float(np.median(np.abs(plant / loop)))
    part = case.compensation.R1 * nearly_one * 0.65
    near = ld.load_case(DATA / "clean.nominal.toml").model_copy(
        update={"compensation": case.compensation.model_copy(update={"R1": part})}
    )
    path = tmp_path / "near.csv"
    rows = [f"{f:.6g},{v.real:.7g},{v.imag:.7g}" for f, v in zip(hz, plant, strict=True)]
    path.write_text("Frequency (Hz),Real,Imaginary\n" + "\n".join(rows), encoding="utf-8")
    found = ld.bench(near, path)
    assert found.quantity == "loop"
    assert "Warning: the file is taken for the loop gain, but it agrees much better with the plant" in found.sentence
    assert ld.bench(near, path, quantity="plant").warnings == ()
    rows = [f"{f:.6g},{v.real:.7g},{v.imag:.7g}" for f, v in zip(hz, loop, strict=True)]
    path.write_text("Frequency (Hz),Real,Imaginary\n" + "\n".join(rows), encoding="utf-8")
    assert ld.bench(near, path).warnings == ()
