"""The outermost layer: every end of a process has its status and its sentence, and no end shows a trace."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from loopdesign.cli import commands, entry, main

CASE = Path(__file__).parents[3] / "cases" / "tide_gauge_sepic_undamped.toml"
PROGRAM = [sys.executable, "-m", "loopdesign"]
HOSTILE = '"\\u001b]0;owned\\u0007 \\u001b[2J \\u202e \\u0000 \\u009b31m \\u200b end"'


@pytest.fixture
def broken(monkeypatch):
    """Make the check fail in a given way."""

    def breaks(fault):
        def fail(*_, **__):
            raise fault

        monkeypatch.setattr("loopdesign.case.parse_case", fail)

    return breaks


def steers_a_terminal(text):
    return any((ord(x) < 0x20 and x not in "\n\t") or 0x7F <= ord(x) < 0xA0 or x in "\u202e\u200b" for x in text)


@pytest.mark.parametrize("fault", [ZeroDivisionError("secret\x1b[2J"), KeyError("secret"), ValueError("secret")])
def test_fault_of_the_program_is_one_sentence_without_the_exceptions_own_text(fault, broken, capsys):
    broken(fault)
    assert main(["check", str(CASE)]) == entry.PROGRAM_FAULT == os.EX_SOFTWARE
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"this is a fault of the program, not of your input: {type(fault).__name__} at cli/")
    assert "--debug" in told.err
    assert "secret" not in told.err
    assert "Traceback" not in told.err


def test_debug_shows_the_trace_and_it_cannot_steer_the_terminal(broken, capsys):
    broken(ZeroDivisionError("secret\x1b[2J"))
    assert main(["check", "--debug", str(CASE)]) == entry.PROGRAM_FAULT
    told = capsys.readouterr().err
    assert "Traceback" in told
    assert "secret\\x1b[2J" in told
    assert not steers_a_terminal(told)


def test_fault_of_the_program_is_one_object_for_a_machine(broken, capsys):
    broken(ZeroDivisionError("secret"))
    assert main(["check", str(CASE), "--json"]) == entry.PROGRAM_FAULT
    error = json.loads(capsys.readouterr().out)["error"]
    assert error["kind"] == "ProgramFault"
    assert "secret" not in error["message"]


@pytest.mark.parametrize(
    ("fault", "status", "said"),
    [(KeyboardInterrupt(), 130, "interrupted\n"), (MemoryError(), 71, "not enough memory")],
)
def test_interruption_and_lack_of_memory_are_one_line(fault, status, said, broken, capsys):
    broken(fault)
    assert main(["check", str(CASE), "--json"]) == status
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(said)
    assert told.err.count("\n") == 1


@pytest.mark.parametrize(
    "words", [["check"], ["frobnicate"], ["check", "a", "b"], ["spread", "x", "--samples", "many"], ["check", "--tea"]]
)
def test_wrong_words_are_one_object_for_a_machine(words, capsys):
    assert main([*words, "--json"]) == 2
    told = capsys.readouterr()
    error = json.loads(told.out)["error"]
    assert error["kind"] == "UsageError"
    assert error["message"] in told.err


def test_name_that_begins_with_a_minus_gets_a_word(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["check", "-supply.toml"]) == 2
    assert "is written ./-supply.toml" in capsys.readouterr().err
    Path("-supply.toml").write_text(CASE.read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["check", "./-supply.toml"]) == 1
    assert main(["check", "--", "-supply.toml"]) == 1


def run(*words, **how):
    given = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True} | how
    return subprocess.run([*PROGRAM, *map(str, words)], check=False, **given)


needs_full_device = pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")


@needs_full_device
@pytest.mark.parametrize("words", [["check", CASE], ["check", CASE, "--json"], ["check", "--json"], ["--help"]])
def test_full_output_ends_with_a_sentence(words):
    with Path("/dev/full").open("w") as full:
        done = run(*words, stdout=full)
    assert done.returncode == entry.NOT_WRITTEN == os.EX_IOERR
    assert done.stderr.endswith("the answer cannot be written: No space left on device\n")
    assert "Traceback" not in done.stderr


@needs_full_device
def test_complaint_that_nobody_can_read_keeps_its_status():
    with Path("/dev/full").open("w") as full:
        assert run("check", "nowhere.toml", stderr=full).returncode == 2


@pytest.mark.parametrize("words", [["check", CASE], ["--help"], ["schema"]])
def test_reader_that_went_away_is_no_fault(words):
    reading, writing = os.pipe()
    os.close(reading)
    done = run(*words, stdout=writing)
    os.close(writing)
    assert (done.returncode, done.stderr) == (entry.READER_GONE, "")


def test_closed_output_is_told():
    done = subprocess.run(
        ["sh", "-c", f'"{sys.executable}" -m loopdesign --version >&-'], capture_output=True, text=True, check=False
    )
    assert done.returncode == entry.NOT_WRITTEN
    assert "standard output is closed" in done.stderr


def test_output_that_lacks_letters_gets_escapes():
    done = run("check", CASE, env={**os.environ, "PYTHONIOENCODING": "ascii"}, encoding="ascii")
    assert done.returncode == 1
    assert "kHz" in done.stdout


@pytest.mark.parametrize("extra", [[], ["--json"]])
@pytest.mark.parametrize("place", ["title", "key", "value", "file name", "word"])
def test_nothing_from_outside_steers_the_terminal(place, extra, tmp_path, capsys):
    text = CASE.read_text(encoding="utf-8")
    replaced = {
        "title": ('title = "Tide-gauge logger supply, damper left out"', f"title = {HOSTILE}"),
        "key": ("[converter]", f"[converter]\n{HOSTILE} = 1"),
        "value": ('topology = "sepic"', f"topology = {HOSTILE}"),
    }
    if place in replaced:
        assert replaced[place][0] in text
        text = text.replace(*replaced[place])
    path = tmp_path / ("\x1b]0;owned\x07\u202e.toml" if place == "file name" else "case.toml")
    path.write_text(text.replace("sepic", "sepik") if place == "file name" else text, encoding="utf-8")
    words = ["\x1b[2J\u202e"] if place == "word" else ["check", str(path)]
    assert main([*words, *extra]) == {"title": 1}.get(place, 2)
    told = capsys.readouterr()
    assert told.out + told.err
    assert not steers_a_terminal(told.out + told.err)


def test_commands_leave_the_exit_statuses_of_failures_to_the_entry():
    assert not hasattr(commands, "main")


def test_case_file_is_read_once(tmp_path, monkeypatch, capsys):
    """A file that is edited or deleted while its case is at work cannot mix into the answer."""
    from loopdesign.analysis.spread import sample

    path, folder = tmp_path / "case.toml", tmp_path / "spread"
    path.write_text(CASE.read_text(encoding="utf-8"), encoding="utf-8")
    sample_all = sample.spread

    def meanwhile(*words, **more):
        path.unlink()
        return sample_all(*words, **more)

    monkeypatch.setattr(sample, "spread", meanwhile)
    assert main(["spread", str(path), "--samples", "4", "--output", str(folder)]) == 1
    assert capsys.readouterr().err == ""
    assert "Tide-gauge" in (folder / "worst_sample.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["step", str(CASE), "--cycles", "100000000"], "it must be from 1 to 200,000"),
        (["spread", str(CASE), "--samples", "9" * 30], "it must be from 1 to 16,777,216"),
        (["spread", str(CASE), "--samples", "9" * 5000], "is not a whole number"),
        (["response", str(CASE), "--frequencies", "1e300"], "far too large"),
        (["response", str(CASE), "--frequencies", "1e-300"], "far too small"),
        (["response", str(CASE), "--load-current", "1e300 A"], "far too large"),
        (["response", str(CASE), "--input-voltage", "1e-300 V"], "far too small"),
        (["response", str(CASE), "--frequencies", "1k," * 100_000 + "1k"], "entries"),
        (["start", "sepic", "--output", "/proc/x"], "cannot be written"),
        (["start", "sepic", "--output", "x" * 5000], "cannot be written: File name too long"),
        (["start", "../sepic"], "unknown topology"),
        pytest.param(["check", str(CASE), "--output", "/proc/x/y"], "cannot be written", marks=pytest.mark.nightly),
        (["check", str(CASE), "--output", "x" * 5000], "File name too long"),
        (["check", ""], "this is a folder"),
    ],
)
def test_endless_or_impossible_wishes_are_refused(words, said, capsys):
    assert main(words) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""
    assert len(told.err) < 10_000


@pytest.mark.parametrize("delay", [3.0, pytest.param(8.0, marks=pytest.mark.nightly)])
def test_interruption_at_any_time_shows_no_trace(delay, tmp_path):
    """While the program loads the system ends it, later it says one line; shells call both 130."""
    words = ["spread", str(CASE), "--samples", "300000", "--output", str(tmp_path / "report")]
    child = subprocess.Popen([*PROGRAM, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    time.sleep(delay)
    child.send_signal(signal.SIGINT)
    told, complained = child.communicate(timeout=60)
    assert told == ""
    assert (child.returncode, complained) in {(entry.INTERRUPTED, "interrupted\n"), (-signal.SIGINT, "")}
    assert list(tmp_path.iterdir()) == []


def test_report_cannot_steer_a_terminal_either(tmp_path, capsys):
    """Whoever looks at a report with cat meets no control character of the case, nor does mathematics break a plot."""
    hostile = "\\u001b]0;owned\\u0007 \\u202e $x^{ <script> "
    text = CASE.read_text(encoding="utf-8")
    for old, new in (
        ('title = "', f'title = "{hostile}'),
        ('notes = "', f'notes = "{hostile}'),
        ('esr = "15 mohm"', f'lot = "{hostile}", esr = "15 mohm"'),
        ('input_voltage = { min = "8 V", nominal = "13 V", max = "30 V" }', 'input_voltage = ["8 V"]'),
        ('output_current = { min = "0.1 A", max = "1.2 A" }', 'output_current = ["1.2 A"]'),
        ("load_step", "# load_step"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    assert main(["spread", str(path), "--samples", "8", "--output", str(tmp_path / "spread"), "--pictures", "svg"]) == 1
    assert main(["check", str(path), "--output", str(tmp_path / "check"), "--pictures", "svg"]) == 1
    told = capsys.readouterr()
    written = {
        x: x.read_text(encoding="utf-8") for x in tmp_path.rglob("*") if x.suffix in {".md", ".json", ".svg", ".toml"}
    }
    assert len(written) > 10
    for name, content in written.items():
        assert not steers_a_terminal(content), name
    assert not steers_a_terminal(told.out + told.err)
    page, fence, quoted = (tmp_path / "check" / "report.md").read_text(encoding="utf-8").partition("\n```toml\n")
    assert "<script>" not in page
    assert fence  # the case file in full stands in one fence, where nothing is markup
    assert quoted.count("```") == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["start", "sepic", "boost"], 'more words than "start" takes: "boost"'),
        (["response", "x.toml", "--quantity", "loop", "--input-voltage", "-5 V"], '--input-voltage="-5 V"'),
    ],
    ids=["a word too many", "a value that begins with a minus"],
)
def test_words_that_a_command_cannot_place(words, told, capsys):
    assert main(words) == 2
    said = capsys.readouterr().err
    assert told in said
    assert "Unused" not in said
