"""The command line through its real entry point: exit statuses, JSON, what is written and what is not."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from inprocess import answered

from loopdesign.case import load_case
from loopdesign.cli import main

CASES = Path(__file__).parents[3] / "cases"
DAMPED = CASES / "tide_gauge_sepic.toml"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
COUPLED = CASES / "wave_buoy_coupled_sepic.toml"
CORNER_KEYS = {
    "input_voltage", "load_current", "mode", "duty", "stable", "largest_multiplier", "worst_mode",
    "current_loop_stable", "crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin",
    "plant_poles_hz", "plant_zeros_hz",
}  # fmt: skip


def run(*words, cwd=None, **environment):
    """Run a command: in a process of its own where the test is about the process."""
    if cwd is None and not environment:
        return answered(*words)
    return subprocess.run(
        [sys.executable, "-m", "loopdesign", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
    )


@pytest.fixture
def case(tmp_path):
    def copy(source):
        target = tmp_path / source.name
        target.write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
        return target

    return copy


@pytest.fixture(
    scope="module", params=[DAMPED, pytest.param(COUPLED, marks=pytest.mark.nightly)], ids=["damped", "coupled"]
)
def designed(request, tmp_path_factory):
    """One whole design of a shipped case: its path, the finished process."""
    path = tmp_path_factory.mktemp("design") / request.param.name
    path.write_text(request.param.read_text(encoding="utf-8"), encoding="utf-8")
    return path, run("design", path, "--json")


def test_design_meets_every_target_and_writes_a_report(designed):
    """The main job: a shipped case, every corner, exit 0, a whole report beside the case."""
    path, done = designed
    assert (done.returncode, done.stderr) == (0, "")
    answer = json.loads(done.stdout)
    assert answer["verdict"] == {"stable": True, "targets_met": True, "reasons": []}
    assert len(answer["corners"]) == 6
    for corner in answer["corners"]:
        assert set(corner) >= CORNER_KEYS
        assert corner["stable"]
        assert corner["phase_margin_deg"] >= 55.0
        assert corner["modulus_margin"] >= 0.5
        assert corner["gain_margin_db"] is None or corner["gain_margin_db"] >= 10.0
    folder = path.with_name(f"{path.stem}-report")
    written = {p.name for p in folder.iterdir()}
    assert written == {"report.md", "report.json", "report.pdf", "report.html", "case.toml"}
    assert (folder / "report.pdf").read_bytes().startswith(b"%PDF-")
    chosen = load_case(folder / "case.toml")
    assert chosen.compensation.open_parts == ()
    assert answer["parts"]["R1"] == chosen.compensation.R1


@pytest.mark.nightly
def test_failed_design_leaves_the_old_report_alone(designed):
    path, _ = designed
    folder = path.with_name(f"{path.stem}-report")
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    harder = path.with_name("harder.toml")
    text = path.read_text(encoding="utf-8").replace('phase_margin = "55 deg"', 'phase_margin = "150 deg"')
    harder.write_text(text, encoding="utf-8")
    assert run("design", harder, "--output", folder).returncode == 3
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_undamped_twin_is_called_unstable_although_its_margin_reads_well():
    """The reason for the tool: phase margin above 45 degrees at low line, and the converter oscillates."""
    done = run("check", UNDAMPED, "--json")
    assert done.returncode == 1
    answer = json.loads(done.stdout)
    low = next(c for c in answer["corners"] if c["input_voltage"] == 8.0 and c["load_current"] == 1.2)
    high = next(c for c in answer["corners"] if c["input_voltage"] == 30.0 and c["load_current"] == 1.2)
    assert low["phase_margin_deg"] > 45.0
    assert (low["stable"], low["current_loop_stable"], high["stable"]) == (False, False, True)
    assert low["worst_mode"]["name"] == "coupling resonance"
    assert low["worst_mode"]["growth_per_s"] > 0.0
    assert not answer["verdict"]["stable"]
    assert any("8 V" in reason and "unstable" in reason for reason in answer["verdict"]["reasons"])


@pytest.mark.nightly
def test_design_without_damper_proposes_one_and_writes_nothing(tmp_path):
    """A design that cannot exist ends with 3, names the corner and mode, and proposes the damper."""
    text = DAMPED.read_text(encoding="utf-8").replace("load_step", "# load_step")
    path = tmp_path / "case.toml"
    path.write_text("".join(x for x in text.splitlines(keepends=True) if not x.startswith("damper")), encoding="utf-8")
    done = run("design", path)
    assert (done.returncode, done.stdout) == (3, "")
    assert "coupling resonance" in done.stderr
    assert "a damper of" in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["case.toml"]
    error = json.loads(run("design", path, "--json").stdout)["error"]
    damper = error["nearest"]["damper"]
    cured = text.replace("2.7 ohm", f"{damper['resistance']} ohm").replace(
        '33 uF", tol', f'{damper["capacitance"]}", tol'
    )
    path.write_text(cured, encoding="utf-8")
    assert run("design", path).returncode == 0


def test_check_speaks_plainly_on_the_terminal():
    """Tables align, the status is a word and not a colour, the last line is one plain sentence."""
    done = run("check", UNDAMPED, NO_COLOR="1")
    assert done.returncode == 1
    assert "UNSTABLE" in done.stdout
    assert "coupling resonance" in done.stdout
    assert "\x1b" not in done.stdout
    assert done.stdout.rstrip().splitlines()[-1].endswith(".")


def test_check_of_a_stage_without_loop_examines_the_current_loop(case):
    path = case(UNDAMPED)
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: text.index("[error_amplifier]")], encoding="utf-8")
    done = run("check", path, "--json")
    answer = json.loads(done.stdout)
    assert done.returncode == 1
    assert all(c["phase_margin_deg"] is None for c in answer["corners"])
    assert any(not c["current_loop_stable"] for c in answer["corners"])
    assert any("only the current loop" in r for r in answer["verdict"]["reasons"])


def test_check_with_open_parts_says_what_to_run():
    done = run("check", DAMPED)
    assert done.returncode == 2
    assert "R1, C1, C2" in done.stderr
    assert "loopdesign design" in done.stderr


def test_response_answers_exactly_what_was_asked():
    words = ("response", UNDAMPED, "--quantity", "loop", "--input-voltage", "13V", "--load-current", "1.2A")
    done = run(*words, "--frequencies", "100,1k,10k", "--json")
    answer = json.loads(done.stdout)
    assert set(answer) >= {"quantity", "frequencies_hz", "real", "imag", "model"}
    assert (answer["input_voltage"], answer["load_current"], answer["temperature"]) == (13.0, 1.2, 25.0)
    assert answer["stable"] is True
    assert answer["frequencies_hz"] == [100.0, 1e3, 1e4]
    assert (answer["quantity"], answer["model"]) == ("loop", "switched")
    averaged = json.loads(run(*words, "--frequencies", "100,1k", "--model", "averaged", "--json").stdout)
    exact = np.array(answer["real"][:2]) + 1j * np.array(answer["imag"][:2])
    close = np.array(averaged["real"]) + 1j * np.array(averaged["imag"])
    assert np.abs(close / exact - 1.0).max() < 0.05


def test_response_of_an_oscillating_converter_says_so_beside_the_numbers():
    words = ("response", UNDAMPED, "--quantity", "loop", "--input-voltage", "8V", "--frequencies", "1k", "--json")
    done = run(*words)
    assert json.loads(done.stdout)["stable"] is False
    assert "UNSTABLE" in done.stderr


def test_response_over_a_sweep_goes_into_a_file(tmp_path, capsys):
    """The file reads back to what --json prints; its first line names the operating point and the verdict."""
    path = tmp_path / "loop.csv"
    words = ["response", str(UNDAMPED), "--quantity", "loop", "--input-voltage", "8V", "--from", "100", "--to", "100k"]
    assert main([*words, "--points", "7", "--csv", str(path), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    np.testing.assert_allclose(answer["frequencies_hz"], 100.0 * 10.0 ** (0.5 * np.arange(7)), rtol=1e-12)
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].endswith("at 8 V, 1.2 A, 25 degC, loop closed: UNSTABLE")
    assert lines[1] == "frequency_hz,real,imag,magnitude_db,phase_deg,unwrapped_phase_deg"
    rows = np.array([[float(x) for x in line.split(",")] for line in lines[2:]])
    np.testing.assert_array_equal(rows[:, 0], answer["frequencies_hz"])
    value = rows[:, 1] + 1j * rows[:, 2]
    np.testing.assert_array_equal(value, np.array(answer["real"]) + 1j * np.array(answer["imag"]))
    np.testing.assert_allclose(10.0 ** (rows[:, 3] / 20.0) * np.exp(1j * np.radians(rows[:, 4])), value, rtol=1e-12)


def test_filter_too_near_is_warned_of_on_terminal_and_in_json(tmp_path):
    """An undamped filter near the converter's input impedance: warning with its frequency, and a damper proposed."""
    text = (CASES / "beacon_boost.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("[input_filter]")
    section, _, tail = rest.partition("\n[")
    section = "\n".join(x for x in section.splitlines() if not x.startswith("damper"))
    tail = tail.replace('network = "type II"', 'network = "type II"\nR1 = "6.8 kohm"\nC1 = "47 nF"\nC2 = "1 nF"', 1)
    path = tmp_path / "filter.toml"
    path.write_text(f"{head}[input_filter]{section}\n[{tail}", encoding="utf-8")
    answer = json.loads(run("check", path, "--json").stdout)
    assert any("Hz" in w and "filter" in w for w in answer["warnings"])
    assert answer["input_filter"]["proposed_damper"]["resistance"] > 0.0
    assert min(c["separation_db"] for c in answer["input_filter"]["corners"]) < 6.0
    told = run("check", path).stdout
    assert "proposed damper" in told
    assert "warning: at" in told


@pytest.mark.parametrize("quantity", ["plant", "line", "output-impedance", "input-impedance"])
@pytest.mark.parametrize("loop", ["closed", "open"])
def test_both_models_answer_every_quantity(quantity, loop, capsys):
    words = ["response", str(UNDAMPED), "--quantity", quantity, "--frequencies", "200,2k", "--json"]
    words += ["--open-loop"] if loop == "open" else []
    values = []
    for model in ("switched", "averaged"):
        assert main([*words, "--model", model]) == 0
        answer = json.loads(capsys.readouterr().out)
        values.append(np.array(answer["real"]) + 1j * np.array(answer["imag"]))
    assert np.abs(values[0] / values[1] - 1.0).max() < 0.06


def test_closing_the_loop_divides_by_one_plus_loop_gain(capsys):
    """Line to output, closed over open, is 1/(1+T) at low frequency where the ripple does not matter."""

    def ask(*words):
        assert main(["response", str(UNDAMPED), "--frequencies", "100,400", "--json", *words]) == 0
        answer = json.loads(capsys.readouterr().out)
        return np.array(answer["real"]) + 1j * np.array(answer["imag"])

    loop = ask("--quantity", "loop")
    for quantity in ("line", "output-impedance"):
        ratio = ask("--quantity", quantity) / ask("--quantity", quantity, "--open-loop")
        np.testing.assert_allclose(ratio, 1.0 / (1.0 + loop), rtol=0.03)


@pytest.mark.nightly
def test_start_writes_a_case_that_designs(tmp_path):
    assert run("start", "sepic", cwd=tmp_path).returncode == 0
    designed = run("design", "sepic.toml", cwd=tmp_path)
    assert designed.returncode == 0
    assert designed.stdout.splitlines()[2] == "Verdict: stable, every target met"
    last = designed.stdout.rstrip().splitlines()[-1]  # says what it covers, tolerance ends included
    assert last.startswith("Stable with every target met at 6 nominal corners and the worst tolerance ends")
    assert re.search(r"\(\d+ points\); least phase margin 5\d\.\d deg at .* with .*Co -20 %", last)
    again = run("start", "sepic", cwd=tmp_path)
    assert again.returncode == 2
    assert "already exists" in again.stderr


def test_step_answers_one_entry_per_input_voltage(capsys):
    """The case's load step, from the contract: deviation, settling, verdict; the unstable line is called so."""
    assert main(["step", str(UNDAMPED), "--json", "--cycles", "600"]) == 1
    corners = json.loads(capsys.readouterr().out)["corners"]
    assert [c["input_voltage"] for c in corners] == [8.0, 13.0, 30.0]
    keys = {"load_from", "load_to", "time_s", "output_voltage_v", "peak_deviation_v", "settling_time_s", "stable"}
    assert all(set(c) >= keys for c in corners)
    assert [c["stable"] for c in corners] == [False, True, True]
    for c in corners:
        assert (c["load_from"], c["load_to"]) == (0.4, 1.2)
        assert len(c["time_s"]) == len(c["output_voltage_v"])
        assert 0.05 < c["peak_deviation_v"] < 1.0


@pytest.mark.nightly
def test_spread_counts_what_fails_and_writes_the_worst_sample(tmp_path):
    folder = tmp_path / "spread"
    done = run("spread", UNDAMPED, "--samples", 64, "--seed", 3, "--json", "--output", folder, "--pictures", "png,svg")
    assert done.returncode == 1
    again = run("spread", UNDAMPED, "--samples", 64, "--seed", 3, "--json")
    assert again.stdout == done.stdout
    pictures = {f"{name}.{ending}" for name in ("histograms", "envelope") for ending in ("png", "svg")}
    written = {p.name for p in folder.iterdir()}
    assert written == {"report.md", "report.pdf", "report.json", "worst_sample.toml"} | pictures
    worst = run("check", folder / "worst_sample.toml", "--json")
    assert not json.loads(worst.stdout)["verdict"]["stable"]


def test_schema_is_json_schema(capsys):
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert {"converter", "specification", "stage", "modulator"} <= set(schema["properties"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["design"], "CASE"),
        (["frobnicate"], "frobnicate"),
        (["response", str(UNDAMPED), "--quantity", "gain"], "gain"),
        (["response", str(UNDAMPED), "--frequencies", "0"], "above zero"),
        (["response", str(UNDAMPED), "--frequencies", "1 kV"], "voltage"),
        (["response", str(UNDAMPED), "--from", "100"], "both --from and --to"),
        (["response", str(UNDAMPED), "--from", "1k", "--to", "100"], "below --to"),
        (["response", str(UNDAMPED), "--from", "1", "--to", "2", "--points", "1"], "at least 2"),
        (["response", str(UNDAMPED), "--frequencies", "1k", "--to", "2k"], "one of the two"),
        (["response", str(UNDAMPED), "--csv", "no/such/folder.csv"], "cannot be written"),
        (["response", str(UNDAMPED), "--input-voltage", "13 A"], "current"),
        (["response", str(DAMPED), "--quantity", "loop"], "open"),
        (["start", "sepik"], "sepic"),
        (["check", "nowhere.toml"], "no such file"),
        (["response", str(UNDAMPED), "--load-current", "0 A"], "above zero with a diode"),
        (["spread", str(UNDAMPED), "--samples", "2.5"], "not a whole number"),
        (["step", str(DAMPED)], "loopdesign design"),
        (["step", str(UNDAMPED), "--cycles", "0"], "from 1 to"),
        (["spread", str(DAMPED)], "loopdesign design"),
        (["spread", str(UNDAMPED), "--samples", "-5"], "at least 1"),
    ],
)
def test_wrong_words_end_with_two_and_a_sentence(words, said, capsys):
    assert main(words) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err
    assert told.out == ""


def test_unreachable_output_names_the_highest_and_its_duty(case):
    """Losses fold the dc gain over: 15 V at 40 A from 8 V is out of reach whatever the duty."""
    path = case(UNDAMPED)
    path.write_text(path.read_text(encoding="utf-8").replace('max = "1.2 A"', 'max = "40 A"'), encoding="utf-8")
    done = run("check", path, "--json")
    error = json.loads(done.stdout)["error"]
    assert done.returncode == 3
    assert error["kind"] == "UnreachableOutputError"
    assert error["highest_output"] < 15.0
    assert 0.0 < error["duty"] < 0.9
    assert "highest reachable output" in done.stderr


def test_step_cut_short_claims_no_settling(capsys):
    """Five cycles say nothing about settling, and nothing against a stable operating point."""
    assert main(["step", str(UNDAMPED), "--json", "--cycles", "5"]) == 1
    corners = json.loads(capsys.readouterr().out)["corners"]
    assert [(c["stable"], c["settling_time_s"]) for c in corners] == [(False, None), (True, None), (True, None)]
