"""Text that leaves the program can neither steer a terminal nor reorder a line, and JSON loses nothing by it."""

import json
import math
import re
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loopdesign.printable import LONGEST_PIECE, excerpt, json_text, printable, printable_lines

BIDIRECTIONAL = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
"""Explicit formatting characters of Unicode Standard Annex 9, table 4."""
MARKS = "\u200e\u200f\u061c"
"""Implicit directional marks of the same table."""


def unsafe_characters():
    for code in range(sys.maxunicode + 1):
        letter = chr(code)
        steers = unicodedata.category(letter) in {"Cc", "Cs", "Zl", "Zp"}
        if steers or unicodedata.bidirectional(letter) in BIDIRECTIONAL or letter in MARKS:
            yield letter


def test_every_control_separator_surrogate_and_bidirectional_character_is_escaped():
    """Categories and directions by Python's own Unicode database, over every code point."""
    for letter in unsafe_characters():
        assert printable(letter).isascii(), hex(ord(letter))
        assert printable(letter).startswith("\\")
        if letter not in "\n\t":
            assert printable_lines(letter) == printable(letter)


@pytest.mark.parametrize(
    "text", ["4.7 µF", "Ω", "潮位計", "بيانات", "\u0645\u06cc\u200c\u062e\u0648", "déjà vu", "👩\u200d🔬"]
)
def test_letters_of_any_script_stay(text):
    assert printable(text) == text
    assert json_text(text) == f'"{text}"'


def test_escapes_show_the_code():
    assert printable("\x1b[31mred\u202e\U000e0041\n") == r"\x1b[31mred\u202e\U000e0041\x0a"
    assert printable_lines("a\nb\tc\r\x07") == "a\nb\tc\\x0d\\x07"


def test_excerpt_is_bounded():
    assert excerpt("a" * LONGEST_PIECE) == "a" * LONGEST_PIECE
    assert excerpt("a" * 10**6) == "a" * (LONGEST_PIECE - 3) + "..."


@given(st.text(st.characters(exclude_categories=[])), st.booleans(), st.booleans())
def test_json_reads_back_exactly_and_holds_nothing_unsafe(text, ascii_only, rows):
    written = json_text({text: [text]}, ascii_only=ascii_only, rows=rows)
    assert json.loads(written) == {text: [text]}
    assert printable_lines(written) == written
    assert written.isascii() or not ascii_only


LEAVES = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text()


@given(st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)))
def test_json_in_rows_is_that_of_the_standard_library_but_for_lists_of_numbers(value):
    """What parts the two is how lists that hold numbers and nothing else are written: their values are the same."""
    usual, rows = json_text(value), json_text(value, rows=True)
    numbers = re.compile(r"\[\s*-?\d[-+.\deE,\s]*?\](?=,?$)", re.MULTILINE)
    usual, together = (numbers.sub(lambda m: repr(json.loads(m.group())), text) for text in (usual, rows))
    assert together == usual
    assert json.loads(rows) == value
    assert all("\n" not in found for found in numbers.findall(rows))


@pytest.mark.parametrize("value", [math.nan, [1.0, math.inf], {"a": [None, -math.inf]}])
def test_json_has_no_nan_and_no_infinity(value):
    for rows in (False, True):
        with pytest.raises(ValueError, match="not JSON compliant"):
            json_text(value, rows=rows)
