"""``bench`` through the real entry point: each bad input with a sentence and exit status 2, and what the options do."""

import json
from pathlib import Path

import numpy as np
import pytest
from inprocess import answered

ROOT = Path(__file__).parents[3]
BOARD = ROOT / "tests" / "simulated" / "data" / "bench"
CASE = BOARD / "clean.nominal.toml"
HEAD = "Frequency (Hz),Gain (dB),Phase (deg)\n"
ROWS = (BOARD / "clean.csv").read_text(encoding="utf-8").split("\n", 1)[1]


def run(*words):
    return answered("bench", *words)


def wavy(k):
    return f"{100 + 37 * k},{np.sin(k):.4f},{np.cos(3 * k):.4f},{np.sin(2 * k):.4f}"


BAD = {
    "no header, ambiguous columns": ("\n".join(wavy(k) for k in range(30)), ["which column is which", "--columns"]),
    "four points": (HEAD + "\n".join(ROWS.splitlines()[:4]), ["only 4 points", "at least 5"]),
    "negative frequency": (HEAD + "-50,1,2\n" + ROWS, ["row 2", "above zero", "-50"]),
    "zero frequency": (HEAD + "0,1,2\n" + ROWS, ["row 2", "above zero"]),
    "text among numbers": (HEAD + ROWS.replace("-99.51755", "minus"), ["row 3, column 3", "expected a number", "minus"]),
    "empty": ("", ["is empty"]),
    "binary": (bytes(range(256)) * 9, ["binary"]),
    "spreadsheet": (b"PK\x03\x04" + bytes(300), ["spreadsheet", "CSV"]),
    "network parameters": ("! swept\n# HZ S RI R 50\n100 1 2\n200 1 2\n", ["Touchstone"]),
    "beyond half the clock": (HEAD + "\n".join(f"{2e5 + k},1,2" for k in range(9)), ["only 0 points", "half the switching"]),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_told_and_ends_with_two(name, tmp_path):
    content, told = BAD[name]
    path = tmp_path / "board.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    done = run(CASE, path)
    assert done.returncode == 2, done
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    for words in told:
        assert words in done.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "no measured data"),
        (("none.csv",), "no such file"),
        ((BOARD / "clean.csv", "--fit", "stage.Co.esrr"), "did you mean stage.Co.esr"),
        ((BOARD / "clean.csv", "--fit", "auto,stage.Co.esr"), "give it alone"),
        ((BOARD / "clean.csv", "--redesign"), "give --fit as well"),
        ((BOARD / "clean.csv", "--fitted-case", "x.toml"), "give --fit as well"),
        ((BOARD / "clean.csv", "--columns", "1,1,2"), "three different numbers"),
        ((BOARD / "clean.csv", "--columns", "1,2,9"), "the table has 3 columns"),
        ((BOARD / "clean.csv", "--values", "volts"), "expected one of"),
        ((BOARD / "clean.csv", "--input-voltage", "9V,12V"), "2 values for 1 file"),
        ((BOARD / "clean.csv", "--step", BOARD / "clean.csv"), "one of the two"),
    ],
)
def test_words_that_make_no_sense(words, told):
    done = run(CASE, *words)
    assert done.returncode == 2, done
    assert told in done.stderr
    assert "Traceback" not in done.stderr


def test_told_columns_read_a_bare_table(tmp_path):
    lines = [line.split(",") for line in ROWS.splitlines()]
    swapped = "\n".join(f"{c},7,{float(a) / 1e3:.9g},{b}" for a, b, c in lines)
    path = tmp_path / "bare.csv"
    path.write_text(swapped, encoding="utf-8")
    options = ("--columns", "3,4,1", "--values", "dB and degrees", "--frequency-unit", "kHz")
    told = json.loads(run(CASE, path, *options, "--json").stdout)
    assert told["points"] == 60
    assert told["read_as"]["frequency"] == "kHz"
    assert told["difference"]["rms_db"] < 0.01


def test_levels_outside_the_specification_are_warned_of(tmp_path):
    """A file says at which input it was measured: far from what the case is specified for."""
    path = tmp_path / "board.csv"
    path.write_text("Vin = 5 V\n" + HEAD + ROWS, encoding="utf-8")
    assert "the input voltage of 5.00 V is outside the specification of" in run(CASE, path).stdout
    assert "outside the specification" not in run(CASE, BOARD / "clean.csv").stdout


def test_rows_beyond_half_the_clock_are_said(tmp_path):
    path = tmp_path / "board.csv"
    path.write_text(HEAD + ROWS.rstrip() + "\n130000,-30,-250\n", encoding="utf-8")
    told = json.loads(run(CASE, path, "--json").stdout)
    assert told["points"] == 60
    assert told["dropped"] == [{"row": 62, "reason": "beyond half the switching frequency"}]


def test_report_holds_pictures_and_the_fitted_case(tmp_path):
    data = BOARD / "inverted_noisy_changed_parts.csv"
    case, folder = BOARD / "inverted_noisy_changed_parts.nominal.toml", tmp_path / "bench"
    done = run(case, data, "--fit", "stage.Co.capacitance,stage.Co.esr", "--redesign", "--output", folder)
    assert done.returncode == 0, done.stderr
    names = {p.name for p in folder.iterdir()}
    assert {"overlay.png", "difference.png", "fitted.toml", "proposed.toml", "report.json", "report.pdf"} <= names
    told = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    assert told["board"]["stable"] is True
    assert "New compensation for this board" in done.stdout
    assert "95 % from" in done.stdout
    assert "Fitted values" in (folder / "report.md").read_text(encoding="utf-8")
    assert "10 to 50 ohm" in (folder / "report.md").read_text(encoding="utf-8")
