"""Cases of the comparison tests, written once as plain numbers, and the way to hand them to the command line."""

from __future__ import annotations

import copy
import csv
import json
import tomllib
from pathlib import Path

from inprocess import answered

DATA = Path(__file__).parent / "data"

# The case where a smooth Bode plot hides an unstable converter: separate inductors, peak current mode, no damper.
# Slope: 0.4 of the sensed down-slope, 0.05 V/A * (15 V + 0.5 V) * 2 / 22 uH.
TRAP = {
    "title": "lighthouse lamp supply",
    "converter": {"topology": "sepic", "switching_frequency": 300e3, "rectifier": "diode"},
    "specification": {
        "input_voltage": [6.0, 13.0, 30.0], "output_voltage": 15.0, "output_current": [1.25], "load": "resistive",
    },
    "stage": {
        "L1": {"inductance": 22e-6, "resistance": 0.03},
        "L2": {"inductance": 22e-6, "resistance": 0.03},
        "coupling": 0.0,
        "Cs": {"capacitance": 4e-6, "esr": 5e-3},
        "Co": {"capacitance": 100e-6, "esr": 0.01},
        "switch": {"resistance": 0.02},
        "diode": {"drop": 0.5, "resistance": 0.02},
    },
    "modulator": {
        "scheme": "peak current", "sense_gain": 0.05, "slope": 0.4 * 0.05 * 15.5 * 2.0 / 22e-6, "max_duty": 0.97,
    },
    "error_amplifier": {"kind": "transconductance", "gm": 1e-3, "output_resistance": 2e6, "reference": 1.2},
    "divider": {"lower": 10e3, "upper": 115e3},
    "compensation": {"network": "type II", "R1": 3.9e3, "C1": 47e-9, "C2": 470e-12},
}  # fmt: skip

DAMPER = {"resistance": 2.2, "capacitance": 22e-6}


def trap(*, damper=False, coupling=0.0, **changes):
    """Return the trap case, with its cures and with whole tables of the case replaced or extended."""
    case = copy.deepcopy(TRAP)
    case["stage"]["coupling"] = coupling
    if damper:
        case["stage"]["damper"] = dict(DAMPER)
    for table, values in changes.items():
        case[table] |= values
    return case


def reference(name):
    """Return a converter simulated elsewhere and the rows of its data."""
    with (DATA / f"{name}.toml").open("rb") as file:
        case = tomllib.load(file)
    with (DATA / f"{name}.csv").open(newline="") as file:
        rows = [[float(cell) for cell in row] for row in list(csv.reader(file))[1:]]
    return case, rows


def _value(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(value) if isinstance(value, str) else repr(float(value))


def write_case(case, path):
    """Write a case file from plain numbers."""
    lines = [f"title = {json.dumps(case.get('title', 'a converter'))}"]
    for table, values in case.items():
        if isinstance(values, dict):
            lines += ["", f"[{table}]"] + [f"{key} = {_value(value)}" for key, value in values.items()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _run(command, case, tmp_path, *options):
    path = write_case(case, tmp_path / "case.toml")
    return answered(command, path, *options, "--json")


def ask(command, case, tmp_path, *options):
    """Run one command of the program on a case and return its machine-readable answer."""
    run = _run(command, case, tmp_path, *options)
    assert run.returncode in (0, 1), run.stderr + run.stdout
    assert run.stdout, run.stderr
    return json.loads(run.stdout)


def ask_response(case, tmp_path, quantity, frequencies, *, input_voltage, load_current, options=()):
    """Return the complex response that the program predicts."""
    answer = ask(
        "response", case, tmp_path, "--quantity", quantity, "--input-voltage", f"{input_voltage!r}V",
        "--load-current", f"{load_current!r}A", "--frequencies", ",".join(repr(f) for f in frequencies), *options,
    )  # fmt: skip
    assert answer["quantity"] == quantity
    assert answer["model"] == "switched"
    return [complex(re, im) for re, im in zip(answer["real"], answer["imag"], strict=True)]


def corner(answer, input_voltage, load_current):
    """Pick one corner of a check."""
    found = [
        c for c in answer["corners"]
        if abs(c["input_voltage"] - input_voltage) < 1e-6 and abs(c["load_current"] - load_current) < 1e-6
    ]  # fmt: skip
    assert found, f"no corner at {input_voltage} V, {load_current} A"
    return found[0]
