"""Whatever name is given for a case file: it is read within bounds, or refused in a sentence, and never waited for."""

import os
import socket
import time
from pathlib import Path

import pytest

from loopdesign.case import load_case, parse_case, read_text
from loopdesign.case.load import MOST_FAULTS
from loopdesign.case.read import LARGEST_FILE, LONGEST_LINE, MOST_DOTS
from loopdesign.errors import CaseError

CASE = Path(__file__).parents[3] / "cases" / "tide_gauge_sepic.toml"


def refusal(path):
    begun = time.process_time()
    with pytest.raises(CaseError) as caught:
        load_case(path)
    assert time.process_time() - begun < 5.0, "a refusal takes no time"
    assert str(caught.value).startswith(str(path))
    return str(caught.value)


def test_path_is_taken_as_text_or_path():
    assert load_case(str(CASE)) == load_case(CASE)


@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null", "/dev/urandom", "/dev/full"])
def test_device(device):
    if not Path(device).exists():
        pytest.skip("no such device here")
    assert "this is a device" in refusal(device)


def test_pipe_that_nobody_writes_into(tmp_path):
    os.mkfifo(tmp_path / "case.toml")
    assert "this is a pipe" in refusal(tmp_path / "case.toml")


def test_socket(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with socket.socket(socket.AF_UNIX) as server:
        server.bind("s")
        assert "s: " in refusal("s")


def test_folder_and_link_to_itself(tmp_path):
    assert "this is a folder" in refusal(tmp_path)
    (tmp_path / "round").symlink_to("round")
    assert "cannot be read" in refusal(tmp_path / "round")


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b", "", "\udcff"])
def test_names_that_cannot_be(name):
    with pytest.raises(CaseError, match=r"cannot be|no such file|folder"):
        load_case(name)


def test_file_without_permission(tmp_path):
    path = tmp_path / "case.toml"
    path.write_text("x = 1", encoding="utf-8")
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read everything")
    assert "cannot be read: Permission denied" in refusal(path)


def test_size_is_bounded(tmp_path):
    path = tmp_path / "case.toml"
    lines = CASE.read_text(encoding="utf-8")
    path.write_text(lines + "#\n" * ((LARGEST_FILE - len(lines.encode())) // 2), encoding="utf-8")
    assert load_case(path).title == load_case(CASE).title
    path.write_text(lines + "#\n" * (LARGEST_FILE // 2), encoding="utf-8")
    assert "larger than 1 MB" in refusal(path)
    with path.open("wb") as file:
        file.truncate(1 << 40)  # a file with a hole: a terabyte that takes no room
    assert "larger than 1 MB" in refusal(path)


def test_lines_are_bounded(tmp_path):
    """A dotted key of half a million parts would keep the reader of TOML busy for hours."""
    path = tmp_path / "case.toml"
    path.write_text("\n" + "a" * LONGEST_LINE + " = 1\n", encoding="utf-8")
    assert "case.toml:2:1: the line is longer than" in refusal(path)
    path.write_text("\n" + "a." * (MOST_DOTS + 1) + "a = 1\n", encoding="utf-8")
    assert "case.toml:2:1: more than 100 dots in a row" in refusal(path)
    path.write_text("\n".join("a." * MOST_DOTS + f"a{i} = 1" for i in range(4000)), encoding="utf-8")
    refusal(path)


def test_faults_are_bounded(tmp_path):
    """A hundred thousand unknown keys are not each compared with every known one."""
    path = tmp_path / "case.toml"
    for text in ("", "[converter]\n", "[targets]\n", "[compensation]\n"):
        path.write_text(text + "\n".join(f"kex{i} = 1" for i in range(70_000)), encoding="utf-8")
        said = refusal(path)
        assert said.count("\n") < 2 * MOST_FAULTS + 10
        assert "further faults" in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x = " + "9" * 5000, "x.toml:1: a whole number has thousands of digits"),
        ("x = 1\ny = " + "1_" * 4500 + "1", "x.toml:2: a whole number has thousands of digits"),
        (
            "[converter]\nswitching_frequency = 0x" + "f" * 6000,
            "is not a finite number; found a whole number of 24000 bits",
        ),
        ("[converter]\nswitching_frequency = '1e999999999999 Hz'", "is beyond what a number can hold"),
        ("x = " + "[" * 600 + "]" * 600, "nested too deeply"),
        ("x = " + "{a=" * 400 + "1" + "}" * 400, "nested too deeply"),
    ],
)
def test_numbers_and_nesting_are_bounded(text, said):
    with pytest.raises(CaseError) as caught:
        parse_case(text, "x.toml")
    assert said in str(caught.value)


@pytest.mark.parametrize("depth", range(150, 500, 10))
def test_every_depth_of_nesting_ends_in_a_sentence(depth):
    with pytest.raises(CaseError, match=r"x\.toml"):
        parse_case("x = " + "[" * depth + "]" * depth, "x.toml")


def test_message_repeats_no_more_than_an_excerpt():
    with pytest.raises(CaseError) as caught:
        parse_case("[converter]\ntopology = '" + "a" * 9000 + "'\n" + "k" * 9000 + " = 1", "x.toml")
    assert max(map(len, str(caught.value).splitlines())) < 1200


def test_text_is_read_without_a_byte_order_mark(tmp_path):
    (tmp_path / "a").write_bytes(b"\xef\xbb\xbfx")
    assert read_text(tmp_path / "a") == "x"
