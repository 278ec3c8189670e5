"""Tables as text: one unit for a column, and the steps by which a table is made to fit a terminal."""

import re
from dataclasses import replace

import pytest

from loopdesign.report.basics.layout import NARROWEST, Display, laid_out, paragraph
from loopdesign.report.basics.scale import scaled, scaled_column
from loopdesign.report.basics.tables import Column, Table

ROWS = (
    (8.0, "UNSTABLE", 990.0, 66.1, 18.9, "MISSED: stability, current loop, crossover"),
    (30.0, "stable", 4840.0, 69.4, None, "ok"),
)
COLUMNS = (
    Column(heading="input", unit="V", key=True), Column(heading="verdict", key=True),
    Column(heading="crossover", unit="Hz"), Column(heading="phase margin", unit="deg"),
    Column(heading="gain margin", unit="dB"), Column(heading="targets"),
)  # fmt: skip
TABLE = Table(title="Margins", columns=COLUMNS, rows=ROWS)


def columns_of(text):
    return re.sub(r"\s+", " ", text)


def test_columns_of_a_group_have_one_unit():
    """A current beside its stepped value: without the group one stood in A, the other in mA."""
    columns = (Column(heading="current", unit="A", group="amps"), Column(heading="stepped", unit="A", group="amps"))
    table = Table(title="", columns=columns, rows=((3.1, 0.323), (0.38, None)))
    assert [scaled_column(table, k, plain=False).unit for k in range(2)] == ["A", "A"]
    alone = Table(title="", columns=tuple(replace(c, group="") for c in columns), rows=table.rows)
    assert [scaled_column(alone, k, plain=False).unit for k in range(2)] == ["A", "mA"]


@pytest.mark.parametrize(
    ("unit", "values", "heading", "cells"),
    [
        ("Hz", (990.0, 4840.0, 12100.0), "kHz", ("0.990", "4.84", "12.1")),
        ("A", (0.1, 1.2), "A", ("0.100", "1.20")),
        ("A", (5e-3, 3.0), "mA", ("5.00", "3000")),
        ("F", (1.8e-9, 56e-9), "nF", ("1.80", "56.0")),
        ("ohm", (0.018,), "mΩ", ("18.0",)),
        ("V/s", (4e4,), "mV/µs", ("40.0",)),
        ("%", (0.2,), "%", ("20.0",)),
        ("degC", (-40.0, 85.0), "°C", ("-40.0", "85.0")),
        ("V", (0.0, 999.96), "V", ("0", "1000")),
        ("V", (999.96,), "V", ("1000",)),
        ("Hz", (11.0, 5820.0, 1.46e6), "Hz", ("11.0", "5.82 k", "1.46 M")),
    ],
)
def test_a_column_has_one_unit(unit, values, heading, cells):
    found = scaled(Column(heading="x", unit=unit), values, plain=False)
    assert found.unit == heading
    assert tuple(c.strip() for c in found.cells) == tuple(re.sub(" ", " ", c) for c in cells)


def test_decimal_points_stand_below_one_another():
    cells = scaled(Column(heading="x", unit="Hz"), (990.0, 4840.0, 12100.0, None), plain=False).cells
    assert len({c.index(".") for c in cells[:3]}) == 1
    assert len({len(c) for c in cells}) == 1
    assert cells[3].strip() == "-"


def test_away_from_a_terminal_numbers_are_full_and_carry_no_prefix():
    found = scaled(Column(heading="x", unit="Hz"), (11.0, 5823.456, 1.46e6, 8841940.0), plain=True)
    assert (found.unit, [float(c) for c in found.cells]) == ("Hz", [11.0, 5823.46, 1.46e6, 8841940.0])
    text = laid_out(TABLE)
    assert text.splitlines()[1].split("  ")[1:3] == ["input [V]", "verdict"]
    assert "MISSED: stability, current loop, crossover" in text
    assert "not shown" not in text


def test_letters_that_the_output_lacks_are_spelt_out():
    table = Table(
        title="T", columns=(Column(heading="x", unit="ohm"), Column(heading="y", unit="degC")), rows=((5e-6, 25.0),)
    )
    text = laid_out(table, Display(width=80, ascii_only=True))
    assert text.isascii()
    assert "[uohm]" in text
    assert "[degC]" in text


@pytest.mark.parametrize("width", [200, 100, 80, 62, 48, NARROWEST])
@pytest.mark.parametrize("details", [False, True])
def test_no_line_is_wider_than_the_terminal(width, details):
    text = laid_out(TABLE, Display(width=width, details=details))
    assert max(map(len, text.splitlines())) <= width


def test_words_are_broken_before_a_column_is_left_out():
    text = laid_out(TABLE, Display(width=70))
    assert "not shown" not in text
    assert "stability, current loop" not in text  # broken between these words
    assert all(w in columns_of(text) for w in ("[kHz]", "[deg]", "[dB]", "targets"))


def test_columns_go_from_the_right_and_are_named():
    """The columns that name the row and the verdict stay; what goes is said, with the way to see it."""
    text = columns_of(laid_out(TABLE, Display(width=40)))
    assert "not shown: gain margin, targets (--details or a wider terminal shows them)" in text
    assert "UNSTABLE" in text
    assert "[kHz]" in text
    assert "[dB]" not in text


def test_details_split_the_table_and_repeat_what_names_the_row():
    text = laid_out(TABLE, Display(width=48, details=True))
    assert "not shown" not in text
    assert "Margins, continued" in text
    assert text.count("UNSTABLE") == text.count("[V]") > 1
    assert "18.9" in text
    assert "crossover" in text


def test_what_cannot_be_split_becomes_a_list():
    key = Column(heading="sample", key=True)
    table = Table(title="T", columns=(key, Column(heading="x", unit="V")), rows=(("a" * 45, 1.0), ("b", 2.0)))
    lines = laid_out(table, Display(width=NARROWEST)).splitlines()
    assert [line.split() for line in lines if line] == [
        ["T"], ["sample", "a" * 45], ["x", "[V]", "1.00"], ["sample", "b"], ["x", "[V]", "2.00"],
    ]  # fmt: skip


def test_paragraphs_break_on_a_terminal_only():
    sentence = "word " * 40
    assert "\n" not in paragraph(sentence.strip(), Display())
    lines = paragraph(sentence, Display(width=60), indent="- ", hanging="  ").splitlines()
    assert max(map(len, lines)) <= 60
    assert [line[:2] for line in lines] == ["- ", *["  "] * (len(lines) - 1)]
