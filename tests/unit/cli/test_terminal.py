"""The command line on a terminal: width, colour, progress, watching a file, completion, the schema beside a case."""

import fcntl
import json
import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
import tomllib
from pathlib import Path

import jsonschema
import pytest

from loopdesign.case import STAGES, json_schema, parse_case, template
from loopdesign.cli import main
from loopdesign.cli.watch import watched
from loopdesign.errors import DataError

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
PAINT = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
COMMAND = [sys.executable, "-m", "loopdesign"]


def on_a_terminal(*words, width, **environment):
    """Run the command with standard output on a terminal of a width, standard error in a pipe."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 50, width, 0, 0))
    env = {k: v for k, v in os.environ.items() if k not in {"COLUMNS", "LINES", "NO_COLOR"}}
    env |= {"PYTHONIOENCODING": "utf-8", "TERM": "xterm-256color", **environment}
    process = subprocess.Popen([*COMMAND, *map(str, words)], stdout=theirs, stderr=subprocess.PIPE, env=env)
    os.close(theirs)
    pieces = []
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # what Linux reports once the other end is closed
            break
        if not piece:
            break
        pieces.append(piece)
    os.close(ours)
    with process.stderr:
        error = process.stderr.read().decode()
    return process.wait(), b"".join(pieces).decode().replace("\r\n", "\n"), error


def test_check_fits_a_terminal_of_80_columns_verdict_first():
    status, text, error = on_a_terminal("check", UNDAMPED, width=80)
    plain = PAINT.sub("", text)
    assert (status, error) == (1, "")
    assert max(map(len, plain.splitlines())) <= 80
    assert plain.splitlines()[2] == "Verdict: UNSTABLE at 1 of 6 corners"
    assert "phase" in plain
    assert "operating points" in plain  # among what --details adds
    assert "\x1b[1;31mUNSTABLE" in text
    last = " ".join(plain.rsplit("\n\n", 1)[1].split())
    assert last.startswith("UNSTABLE at 1 of 6 nominal corners: at 8 V, 1.2 A the coupling resonance")
    assert "Examined at 6 nominal corners and the worst tolerance ends (" in last


def test_details_show_every_table_within_the_width_and_without_colour_where_that_is_asked():
    status, text, _ = on_a_terminal("check", UNDAMPED, "--details", width=80, NO_COLOR="1")
    assert status == 1
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 80
    assert "not shown" not in text
    for title in ("Operating points", "Currents and voltages", "What was asked", "characteristic multipliers"):
        assert title in text


def test_a_pipe_gets_plain_columns_without_progress():
    done = subprocess.run([*COMMAND, "check", str(UNDAMPED)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (1, "")
    assert "\x1b" not in done.stdout
    assert "MISSED: stability, current loop, crossover" in done.stdout
    assert "crossover [kHz]" in done.stdout
    assert len(done.stdout.rstrip().rsplit("\n\n", 1)[1].splitlines()) == 1


def test_sweep_shows_the_units_of_its_keys_and_every_point(capsys):
    words = ["--vary", "stage.Cs.capacitance", "4 uF", "10 uF", "--vary", "specification.input_voltage", "8 V", "30 V"]
    assert main(["sweep", str(UNDAMPED), *words, "--points", "2"]) == 1
    text = capsys.readouterr().out
    assert text.split("\n\n")[1].startswith("Verdict: 2 of 4 points are stable")
    assert "Cs capacitance [µF]  input voltage [V]  verdict" in text
    rows = [line.split() for line in text.splitlines() if re.match(r" +\d", line)]
    assert [(row[0], row[1], row[2]) for row in rows] == [
        ("4", "8", "UNSTABLE"), ("4", "30", "stable"), ("10", "8", "UNSTABLE"), ("10", "30", "stable"),
    ]  # fmt: skip


# ---------------------------------------------------------------- start, schema


def test_start_puts_the_schema_beside_the_case_and_overwrites_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["start", "sepic"]) == 0
    first = Path("sepic.toml").read_text(encoding="utf-8").splitlines()[0]
    assert first == "#:schema ./loopdesign.schema.json"
    schema = Path("loopdesign.schema.json")
    assert json.loads(schema.read_text(encoding="utf-8")) == json_schema()
    capsys.readouterr()
    assert main(["start", "boost", "--json"]) == 0  # the same schema serves a second case
    answer = json.loads(capsys.readouterr().out)
    assert answer == {"written": "boost.toml", "schema": "loopdesign.schema.json", "schema_kept": True}
    schema.write_text("{}", encoding="utf-8")
    assert main(["start", "buck"]) == 2
    assert "differs" in capsys.readouterr().err
    assert schema.read_text(encoding="utf-8") == "{}"
    assert not Path("buck.toml").exists()


@pytest.mark.parametrize("topology", STAGES)
def test_templates_satisfy_the_schema(topology):
    """By an independent validator of JSON Schema 2020-12."""
    text = template(topology, schema="./x.json")
    jsonschema.Draft202012Validator(json_schema()).validate(tomllib.loads(text))
    assert parse_case(text, "x").converter.topology == topology


@pytest.mark.parametrize("path", sorted(CASES.glob("*.toml")), ids=lambda p: p.stem)
def test_shipped_cases_satisfy_the_schema(path):
    jsonschema.Draft202012Validator(json_schema()).validate(tomllib.loads(path.read_text(encoding="utf-8")))


def test_schema_refuses_what_the_case_file_refuses():
    document = tomllib.loads(template("boost"))
    document["stage"]["L2"] = document["stage"]["L1"]
    assert list(jsonschema.Draft202012Validator(json_schema()).iter_errors(document))


# ---------------------------------------------------------------- watch


@pytest.fixture
def watching(tmp_path):
    """`check --watch` of a copy of a case; yields its path, its lines as they come, and the process."""
    path = tmp_path / "case.toml"
    path.write_text(UNDAMPED.read_text(encoding="utf-8"), encoding="utf-8")
    process = subprocess.Popen(
        [*COMMAND, "check", str(path), "--watch"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    lines = []
    reader = threading.Thread(target=lambda: lines.extend(iter(process.stdout.readline, "")), daemon=True)
    reader.start()
    yield path, lines, process
    process.kill()
    process.wait()
    reader.join()
    process.stdout.close()


def until(lines, count, seconds=30.0):
    """Wait until the check has ended so many times."""
    end = time.monotonic() + seconds
    while sum("watching" in line for line in lines) < count:
        assert time.monotonic() < end, "".join(lines)
        time.sleep(0.02)
    return "".join(lines)


def test_watch_checks_after_each_save_and_survives_a_broken_one(watching):
    path, lines, process = watching
    good = path.read_text(encoding="utf-8")
    assert "UNSTABLE at 1 of 6" in until(lines, 1)
    lines.clear()
    path.write_text(good.replace('L1 = { inductance = "33 uH"', 'L1 = { inductance = "33 uF"'), encoding="utf-8")
    assert "is a capacitance" in until(lines, 1)
    lines.clear()
    path.write_text(good[: good.index("[error_amplifier]")], encoding="utf-8")
    assert "No loop is given" in until(lines, 1)
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=10) == 1
    assert "Traceback" not in "".join(lines)


def test_watch_and_json_exclude_each_other(capsys):
    assert main(["check", str(UNDAMPED), "--watch", "--json"]) == 2
    assert "one of the two" in capsys.readouterr().err


def test_watch_returns_the_last_status(tmp_path):
    """An error counts with its own exit status; Ctrl-C at any time ends the loop."""
    path = tmp_path / "x"
    statuses = iter([0, 1, DataError("broken"), KeyboardInterrupt()])

    def work():
        path.write_text(str(time.monotonic_ns()), encoding="utf-8")  # as if saved while at work: checked again
        found = next(statuses)
        if isinstance(found, BaseException):
            raise found
        return found

    assert watched(path, work, poll=0.001) == 2


# ---------------------------------------------------------------- completion


def test_completion_is_installed_for_the_shell_named(tmp_path):
    """The script parses in the shell itself and knows the commands and options."""
    script = tmp_path / "loopdesign.bash"
    words = ["--install-completion", "--shell", "bash", "--output", str(script), "--json"]
    done = subprocess.run(
        [*COMMAND, *words], capture_output=True, text=True, check=False, env={**os.environ, "HOME": str(tmp_path)}
    )
    assert (done.returncode, json.loads(done.stdout)) == (0, {"shell": "bash", "written": str(script)})
    assert subprocess.run(["bash", "-n", str(script)], check=False).returncode == 0
    text = script.read_text(encoding="utf-8")
    assert all(word in text for word in ("design", "check", "--watch", "output-impedance"))
    assert not (tmp_path / ".bashrc").exists()


# ---------------------------------------------------------------- help


@pytest.mark.parametrize("command", ["start", "design", "check", "response", "step", "spread", "bench", "schema"])
def test_help_says_of_every_option_what_it_takes(command, capsys):
    assert main([command, "--help"]) == 0
    told = " ".join(re.sub("[│╭╮╰╯─]", " ", capsys.readouterr().out).split())
    options = re.findall(r"(--[a-z-]+) (?:[A-Z]+ )?([A-Z][a-z]|plant|switched)", told)
    named = {o for o, _ in options}
    assert "--json" in named
    for option, kind in re.findall(r"(--[a-z-]+) (STR|INT|PATH)\b", told):
        start = told.index(f"{option} {kind}")
        assert "such as" in told[start : start + 260] or "same seed" in told[start : start + 200], option
