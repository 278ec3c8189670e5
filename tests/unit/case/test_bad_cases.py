"""Every file in tests/bad_cases must be refused with the faults its first lines announce, and no others.

A line ``# expect: line | key | text`` names the line of the file, the dotted key (empty where the file is no TOML) and a
part of the message. The lines were counted by hand or by searching the text, never taken from the loader.
"""

import re
from pathlib import Path

import pytest

from loopdesign.case import load_case, parse_case
from loopdesign.errors import CaseError

FOLDER = Path(__file__).parents[2] / "bad_cases"
FILES = sorted(FOLDER.glob("*.toml"))
GOOD = """\
title = "Lighthouse lamp supply"
[converter]
topology = "buck"
switching_frequency = "300 kHz"
[specification]
input_voltage = ["12 V", "15 V"]
output_voltage = "5 V"
output_current = ["1 A"]
[stage]
L1 = { inductance = "22 µH" }
Co = { capacitance = "100 uF", esr = "10 mohm" }
switch = { resistance = 0 }
diode = { drop = 0 }
[modulator]
scheme = "voltage"
ramp = "1.5 V"
"""


def expectations(path):
    lines = path.read_text(encoding="utf-8").split("\n")
    marks = [line.removeprefix("# expect: ") for line in lines if line.startswith("# expect: ")]
    return [(int(row), key.strip(), text.strip()) for row, key, text in (mark.split("|", 2) for mark in marks)]


def test_corpus_is_large_enough():
    assert len(FILES) >= 45


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_bad_case_is_refused_with_the_expected_faults(path):
    wanted = expectations(path)
    assert wanted, "a bad case says what is wrong with it"
    with pytest.raises(CaseError, match=re.escape(wanted[0][2])) as caught:
        load_case(path)
    faults = caught.value.faults
    assert [(fault.line, fault.key) for fault in faults] == sorted((row, key) for row, key, _ in wanted)
    for _, key, text in wanted:
        fault = next(fault for fault in faults if fault.key == key)
        assert text in str(fault)
        assert str(fault).startswith(f"{path}:{fault.line}:{fault.column}: ")
        assert fault.column >= 1
    assert caught.value.exit_status == 2


def test_byte_order_mark_is_harmless(tmp_path):
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_case(path).stage.L1.inductance == 22e-6


def test_windows_line_ends_keep_their_lines(tmp_path):
    path = tmp_path / "case.toml"
    path.write_bytes(GOOD.replace('"5 V"', '"5 A"').replace("\n", "\r\n").encode())
    with pytest.raises(CaseError, match=r"case\.toml:7:1: specification.output_voltage: is a current"):
        load_case(path)


def test_other_encoding_gets_a_sentence(tmp_path):
    path = tmp_path / "latin.toml"
    path.write_bytes(GOOD.encode("latin-1"))
    with pytest.raises(CaseError, match=r"latin.toml:10:25: the file is not UTF-8 text; found the byte 0xb5"):
        load_case(path)


def test_empty_file(tmp_path):
    path = tmp_path / "empty.toml"
    path.write_text("")
    with pytest.raises(CaseError, match="the file is empty"):
        load_case(path)
    with pytest.raises(CaseError, match="the file has no keys"):
        parse_case("# nothing yet\n", "empty.toml")


def test_folder(tmp_path):
    with pytest.raises(CaseError, match="this is a folder"):
        load_case(tmp_path)


def test_missing_file_offers_near_names(tmp_path):
    (tmp_path / "logger.toml").write_text(GOOD, encoding="utf-8")
    with pytest.raises(CaseError, match=r"(?s)there is no such file.*did you mean logger.toml"):
        load_case(tmp_path / "loger.toml")
    with pytest.raises(CaseError, match=r"(?s)there is no such file.*loopdesign start"):
        load_case(tmp_path / "other" / "x.toml")


def test_path_through_a_file_cannot_be_read(tmp_path):
    (tmp_path / "logger.toml").write_text(GOOD, encoding="utf-8")
    with pytest.raises(CaseError, match="cannot be read"):
        load_case(tmp_path / "logger.toml" / "inner.toml")


def test_deep_nesting_and_huge_numbers_are_refused():
    with pytest.raises(CaseError, match=r"nested too deeply|not valid TOML"):
        parse_case("x = " + "[" * 9_000, "deep.toml")
    with pytest.raises(CaseError, match=r"x\.toml"):
        parse_case(GOOD.replace('"300 kHz"', "9" * 5000), "x.toml")
    with pytest.raises(CaseError, match="is not a finite number"):
        parse_case(GOOD.replace('"300 kHz"', "9" * 400), "x.toml")
