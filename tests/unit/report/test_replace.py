"""A report folder is the old one or the new one at every moment, whatever happens to the run that replaces it."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from loopdesign.errors import DataError
from loopdesign.report import replace
from loopdesign.report.replace import MARK, require_replaceable

FILES = ("a.txt", "b.txt", "c.txt")
WRITER = f"""
import sys
from pathlib import Path
from loopdesign.report import replace
import json

replace._exchange = replace._exchange if sys.argv[2] == "exchange" else (lambda first, second: False)
folder = Path(sys.argv[1])


def writer(number):
    def fill(fresh):
        for name in {FILES!r}:
            (fresh / name).write_text(str(number) * 2000)
        text = {{"loopdesign": {{"files": [*{FILES!r}, "report.json"]}}, "number": number}}
        (fresh / "report.json").write_text(json.dumps(text))

    return fill


print("begun", flush=True)
for number in range(1000, 10_000):
    replace.replace(folder, writer(number))
"""


def written(folder, text="new"):
    def fill(fresh):
        (fresh / "page").write_text(text, encoding="utf-8")
        (fresh / "report.json").write_text(json.dumps({MARK: {"files": ["page", "report.json"]}}), encoding="utf-8")

    replace.replace(folder, fill)


def whole(folder):
    """The number of the report, every file of which belongs to the same one."""
    number = json.loads((folder / "report.json").read_text(encoding="utf-8"))["number"]
    assert {x.name for x in folder.iterdir()} == {*FILES, "report.json", "mine.txt", "kept"}
    assert {(folder / x).read_text(encoding="utf-8") for x in FILES} == {str(number) * 2000}
    assert (folder / "mine.txt").read_text(encoding="utf-8") == "years of work"
    assert (folder / "kept" / "deep.txt").read_text(encoding="utf-8") == "deep"
    return number


@pytest.mark.parametrize("way", ["exchange", "two renames"])
def test_kill_at_any_moment_leaves_a_whole_report(way, tmp_path):
    """Kill a process that replaces a report without pause, at moments spread evenly; the next run puts everything right."""
    folder = tmp_path / "report"
    (folder / "kept").mkdir(parents=True)
    (folder / "mine.txt").write_text("years of work", encoding="utf-8")
    (folder / "kept" / "deep.txt").write_text("deep", encoding="utf-8")
    (folder / "report.json").write_text(json.dumps({MARK: {"files": ["report.json"]}}), encoding="utf-8")
    interrupted = 0
    for turn in range(25):
        child = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(folder), way], stdout=subprocess.PIPE, cwd=tmp_path, env=os.environ
        )
        assert child.stdout.readline() == b"begun\n"
        time.sleep(0.02 + 0.05 * (0.618 * turn % 1.0))
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        interrupted += len(list(tmp_path.glob(".loopdesign-*")))
        if way == "exchange":
            assert folder.is_dir(), "the exchange leaves no moment without a report"
        require_replaceable(folder)  # what every run does first
        assert whole(folder) >= 1000
        assert [x.name for x in tmp_path.iterdir()] == ["report"]
    assert interrupted > 10, "the kills hit runs at work"


@pytest.mark.parametrize("complete", [True, False])
def test_kill_between_the_two_renames_is_put_right(complete, tmp_path):
    """The one moment without a report of the way with two renames, made by hand."""
    folder = tmp_path / "report"
    written(folder, "old")
    workshop = tmp_path / f"{replace._prefix(folder)}x"
    workshop.mkdir()
    folder.rename(workshop / "old")
    (workshop / "fresh").mkdir()
    if complete:
        written(workshop / "fresh", "new")
    require_replaceable(folder)
    assert (folder / "page").read_text(encoding="utf-8") == ("new" if complete else "old")
    assert [x.name for x in tmp_path.iterdir()] == ["report"]


def test_workshop_of_a_run_at_work_is_left_alone(tmp_path):
    folder = tmp_path / "report"

    def fill(fresh):
        (fresh / "report.json").write_text(json.dumps({MARK: {}}), encoding="utf-8")
        code = f"from pathlib import Path; from loopdesign.report.replace import *; require_replaceable(Path({str(folder)!r}))"
        subprocess.run([sys.executable, "-c", code], check=True)
        written(folder, "the other run")
        assert fresh.is_dir()

    replace.replace(folder, fill)
    assert json.loads((folder / "report.json").read_text(encoding="utf-8")) == {MARK: {}}
    assert [x.name for x in tmp_path.iterdir()] == ["report"]


def test_failing_swap_puts_the_old_report_back(tmp_path, monkeypatch):
    old, kept = tmp_path / "report", tmp_path / "kept"
    written(old, "old")
    for way in (replace._exchange, lambda *_: False):
        monkeypatch.setattr(replace, "_exchange", way)
        with pytest.raises(OSError, match="No such file"):
            replace._swap(old, tmp_path / "missing", kept)
        assert (old / "page").read_text(encoding="utf-8") == "old"


def test_what_lies_beside_the_report_is_kept_as_it_is(tmp_path):
    """Files, folders, links and even pipes of the user survive, the same files and not copies."""
    folder = tmp_path / "report"
    written(folder)
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    (folder / "link").symlink_to("nowhere")
    os.mkfifo(folder / "pipe")
    folder.chmod(0o750)
    before = {x: (folder / x).lstat().st_ino for x in ("notes.txt", "link", "pipe")}
    written(folder, "newer")
    assert (folder / "page").read_text(encoding="utf-8") == "newer"
    assert {x: (folder / x).lstat().st_ino for x in before} == before
    assert folder.stat().st_mode & 0o777 == 0o750


def test_file_system_without_links_gets_copies(tmp_path, monkeypatch):
    folder = tmp_path / "report"
    written(folder)
    (folder / "notes.txt").write_text("mine", encoding="utf-8")

    def refuse(*_, **__):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    written(folder, "newer")
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine"


def test_what_is_no_report_is_not_replaced(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("years", encoding="utf-8")
    for content in (None, '["loopdesign"]', "[" * 100_000, '"\\ud800'):
        if content is not None:
            (tmp_path / "mine" / "report.json").write_text(content, encoding="utf-8")
        with pytest.raises(DataError, match="not a report"):
            require_replaceable(tmp_path / "mine")
    with pytest.raises(DataError, match="is a file"):
        require_replaceable(tmp_path / "mine" / "thesis.txt")
    (tmp_path / "link").symlink_to(tmp_path / "mine")
    with pytest.raises(DataError, match="is a link"):
        require_replaceable(tmp_path / "link")
    (tmp_path / "empty").mkdir()
    require_replaceable(tmp_path / "empty")
    require_replaceable(tmp_path / "new")
    for name in ("x" * 5000, "a\0b"):
        with pytest.raises(DataError, match="cannot be"):
            require_replaceable(tmp_path / name)


@pytest.mark.parametrize("marked", [{}, [], {"files": 3}, {"files": [["a"]]}, "files"])
def test_strange_mark_of_an_old_report_harms_nothing(marked, tmp_path):
    folder = tmp_path / "report"
    folder.mkdir()
    (folder / "report.json").write_text(json.dumps({MARK: marked}), encoding="utf-8")
    (folder / "mine").write_text("mine", encoding="utf-8")
    written(folder)
    assert sorted(x.name for x in folder.iterdir()) == ["mine", "page", "report.json"]


def test_mark_is_found_wherever_it_stands(tmp_path):
    folder = tmp_path / "report"
    folder.mkdir()
    beginning = '{"loopdesign": {"files": ["page"]}, "number": 1'  # the rest of it was lost
    for content in (beginning, '{"number": 1, "loopdesign": {"files": ["page"]}}'):
        (folder / "report.json").write_text(content, encoding="utf-8")
        require_replaceable(folder)
    (folder / "report.json").write_text('{"number": {"loopdesign": 1}}', encoding="utf-8")
    with pytest.raises(DataError, match="not a report"):
        require_replaceable(folder)


@pytest.mark.skipif(sys.platform != "linux", reason="leftovers are known by locks of this system")
@pytest.mark.parametrize(("rest", "number"), [("}", 2), ("", 1)])
def test_new_report_is_taken_over_from_a_killed_run_only_where_it_is_whole(rest, number, tmp_path):
    workshop = tmp_path / f"{replace._prefix(tmp_path / 'report')}left"
    for name, text in (("old", '{"loopdesign": {}, "number": 1}'), ("fresh", '{"loopdesign": {}, "number": 2' + rest)):
        (workshop / name).mkdir(parents=True)
        (workshop / name / "report.json").write_text(text, encoding="utf-8")
    require_replaceable(tmp_path / "report")
    assert json.loads((tmp_path / "report" / "report.json").read_text(encoding="utf-8"))["number"] == number


def test_longest_name_and_place_that_cannot_be_written(tmp_path):
    written(tmp_path / ("n" * 250))
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(DataError, match=r"cannot be"):
        written(tmp_path / "file" / "report")
    with pytest.raises(DataError, match=r"cannot be written .*No such file|cannot be written"):
        written(Path("/proc/nowhere/report"))


REPORTER = """
import sys
from pathlib import Path

from loopdesign.report.content.blocks import Content, Paragraph
from loopdesign.report.folder import write_report

print("begun", flush=True)
for number in range(1000, 10_000):
    said = (Paragraph(text=f"number {number}"),)
    content = Content(title="t", front=(), verdict="v", good=True, running=("", ""), blocks=said)
    write_report(Path(sys.argv[1]), content, {"number": number}, files={"case.toml": f"number = {number}"})
"""


def test_kill_while_documents_are_written_leaves_a_whole_one(tmp_path):
    """The files of a report, its document among them, all belong to one run, whenever another one was killed."""
    import io

    import pypdf

    folder, numbers = tmp_path / "report", set()
    for turn in range(5):
        child = subprocess.Popen(
            [sys.executable, "-c", REPORTER, str(folder)], stdout=subprocess.PIPE, cwd=tmp_path, env=os.environ
        )
        assert child.stdout.readline() == b"begun\n"
        deadline = time.monotonic() + 60.0
        while not folder.exists() and time.monotonic() < deadline:
            time.sleep(0.01)
        time.sleep(0.15 + 0.2 * (0.618 * turn % 1.0))
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
        require_replaceable(folder)
        number = json.loads((folder / "report.json").read_text(encoding="utf-8"))["number"]
        assert {x.name for x in folder.iterdir()} == {"report.md", "report.pdf", "report.json", "case.toml"}
        assert f"number {number}" in (folder / "report.md").read_text(encoding="utf-8")
        assert (folder / "case.toml").read_text(encoding="utf-8") == f"number = {number}"
        pdf = (folder / "report.pdf").read_bytes()
        assert pdf.rstrip().endswith(b"%%EOF")
        assert f"number {number}" in pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
        assert [x.name for x in tmp_path.iterdir()] == ["report"]
        numbers.add(number)
    assert numbers
