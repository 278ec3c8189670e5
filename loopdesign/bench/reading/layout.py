"""Separator, decimal sign, and where the numbers begin and end."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from itertools import product

from loopdesign.errors import DataError

SEPARATORS = {";": "semicolon", "\t": "tab", ",": "comma", "|": "bar", " ": "blanks"}
"""Separators by their names, the surest first."""
DECIMALS = {".": "point", ",": "comma"}
COMMENT = ("#", "%", "!", "//", "*", "'", "--", "rem ", "REM ")
"""What a comment begins with."""
SAMPLE = 400
"""Lines that the layout is found from."""
GAPS = frozenset({
    "", "-", "--", "---", "n/a", "na", "n.a.", "nan", "null", "none", "inf", "+inf", "-inf", "infinity", "-infinity",
    "ovl", "ol", "o.l", "overload", "overrange", "over", "under", "ovf", "invalid", "error", "err", "?", "*", "***",
    "#n/a", "#num!", "#div/0!", "#value!", "1.#qnan", "1.#inf", "-1.#inf", "-1.#ind", "∞", "-∞", "<na>",
})  # fmt: skip
"""What stands in a cell where the analyser has no value."""
_EXPONENT = r"(?:[eEdD][+-]?\d+)?"
_NUMBER = {
    ".": re.compile(rf"[+-]?(?:\d+\.?\d*|\.\d+|\d{{1,3}}(?:,\d{{3}})+\.\d+){_EXPONENT}"),
    ",": re.compile(rf"[+-]?(?:\d+(?:,\d*)?|,\d+|\d{{1,3}}(?:\.\d{{3}})+,\d+){_EXPONENT}"),
}
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}(?:[, '’]\d{3})+(?:\.\d*)?"),
    ",": re.compile(r"[+-]?\d{1,3}(?:[. '’]\d{3})+(?:,\d*)?"),
}
"""Thousands set apart; read so only where the decimal sign is known, for 1,234 may be either."""
_WITH_UNIT = re.compile(r"(.*?\d[.,]?)\s*([kKMG]?Hz|[kMG]|dB|°|degrees|degree|deg|rad|[mµu]?(?:Ω|ohm)|Grad)")
_UNIT_APART = re.compile(r"(?<=\d)[ \t]+(?=(?:[kKMG]?Hz|dB|°|deg|rad|Grad)(?![A-Za-z]))")
_MULTIPLE = {"k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
_OTHER = {".": ",", ",": "."}
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u202f": " "})
_APART = re.compile(r"[ \t]+")
_COMPLEX = re.compile(
    r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([+-])\s*[ij]?\s*([\d.,]+(?:[eE][+-]?\d+)?)\s*\*?[ij]?(?=\W|$)"
)
_BOTH_COMMAS = re.compile(r"\s*[+-]?\d+,\d+,[+-]?\d+,\d+,[+-]?\d+,\d+\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a table is written.

    Attributes
    ----------
    separator, decimal : str
        The characters.
    width : int
        Cells of a row [unitless].
    first, last : int
        First row of numbers and the last one, counted from 0 [unitless].
    """

    separator: str
    decimal: str
    width: int
    first: int
    last: int


def is_comment(line: str) -> bool:
    """Whether a line is a comment; one that begins with a negative number is not."""
    begin = line.lstrip()
    return begin.startswith(COMMENT) and not (begin[:1] == "-" and begin[1:2].isdigit())


def cells_of(line: str, separator: str) -> list[str]:
    """Split a line into cells without the blanks and quotes around them.

    Parameters
    ----------
    line : str
        The line.
    separator : str
        The separator; a blank stands for any run of blanks and tabs.

    Returns
    -------
    list of str
        The cells.
    """
    line = line.translate(_MINUS)
    if separator == " ":
        return [c.strip("\"' ") for c in _APART.split(_UNIT_APART.sub("", line.strip()))]
    if '"' in line:
        return [c.strip() for c in next(csv.reader([line.strip("\f")], delimiter=separator))]
    return [c.strip().strip("'") for c in line.strip(" \f").split(separator)]


def number_of(cell: str, decimal: str, *, grouped: bool = False) -> float | None:
    """Read a number with the given decimal sign; a unit behind it is understood.

    Parameters
    ----------
    cell : str
        The text of a cell.
    decimal : str
        The decimal sign.
    grouped : bool
        Whether thousands may be set apart in a number without decimals [unitless].

    Returns
    -------
    float or None
        The number, a frequency in hertz where its unit stands behind it; None where it is none.
    """
    if not _NUMBER[decimal].fullmatch(cell) and not (grouped and _GROUPED[decimal].fullmatch(cell)):
        unit = _WITH_UNIT.fullmatch(cell)
        inner = None if unit is None else number_of(unit[1].strip(), decimal, grouped=grouped)
        if unit is None or inner is None:
            return None
        return inner * _MULTIPLE.get(unit[2][0] if unit[2][1:] in {"", "Hz"} else "", 1.0)
    made = cell.translate(str.maketrans("dD", "ee", f"{_OTHER[decimal]} '’")).replace(decimal, ".")
    try:
        value = float(made)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def unit_behind(cell: str) -> str:
    """Return the unit that stands behind the number of a cell, a multiple of hertz as hertz; empty where none does.

    Parameters
    ----------
    cell : str
        The text of a cell.

    Returns
    -------
    str
        The unit.
    """
    found = _WITH_UNIT.fullmatch(cell)
    if found is None:
        return ""
    return "Hz" if found[2][0] in _MULTIPLE and found[2][1:] in {"", "Hz"} else found[2]


def made_regular(lines: list[str]) -> tuple[list[str], bool]:
    """Part what belongs into two cells: complex numbers in one cell, commas as separator and decimal sign at once.

    Parameters
    ----------
    lines : list of str
        Lines of the file.

    Returns
    -------
    tuple of list of str and bool
        The lines, changed only where most of them are of that kind, and whether they held complex numbers.
    """
    sample = [line for line in lines[:SAMPLE] if line.strip() and not is_comment(line)]
    digits = [line for line in sample if any(c.isdigit() for c in line)]
    if digits and sum(bool(_BOTH_COMMAS.fullmatch(line)) for line in digits) > 0.9 * len(digits):
        return [_pairs(line) if _BOTH_COMMAS.fullmatch(line) else line.replace(",", ";") for line in lines], False
    if digits and sum(line.rstrip(" )\"'").endswith(("i", "j")) for line in digits) > 0.8 * len(digits):
        return [_COMPLEX.sub(r"\1 \2\3", line.translate(_MINUS)) if line[-1:].strip() else line for line in lines], True
    return lines, False


def _pairs(line: str) -> str:
    """Join the halves of numbers that a decimal comma parts."""
    cells = line.strip().split(",")
    return ";".join(f"{a},{b}" for a, b in zip(cells[::2], cells[1::2], strict=True))


def find_layout(lines: list[str], name: str, least: int = 3) -> Layout:
    """Find how a table is written.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    name : str
        Name of the file, for messages.
    least : int
        Fewest numbers of a row [unitless].

    Returns
    -------
    Layout
        The combination of separator and decimal sign with which most lines are rows of numbers.

    Raises
    ------
    DataError
        Where no line holds a row of so many numbers.
    """
    held = [line for line in lines if line.strip() and not is_comment(line)]
    step = max(1, len(held) // SAMPLE)
    sample = held[:SAMPLE] + held[SAMPLE::step]
    quoted = sum('"' in line for line in sample) > 0.5 * len(sample)
    best: tuple[int, str, str, int] | None = None
    for separator, decimal in product(SEPARATORS, DECIMALS):
        if separator == decimal and not quoted:
            continue
        count, width = _regular(sample, separator, decimal, least)
        if count and (best is None or count > best[0]):
            best = (count, separator, decimal, width)
    if best is None:
        wanted = "frequency, gain and phase" if least == 3 else "time and voltage"
        number = "three" if least == 3 else "two"
        raise DataError(f"{name}: no row of {number} numbers was found; expected {wanted} in columns")
    _, separator, decimal, width = best
    rows = (k for k, line in enumerate(lines) if _is_row(line, separator, decimal, width, least))
    first = next(rows)
    backwards = range(len(lines) - 1, first - 1, -1)
    last = next(k for k in backwards if _is_row(lines[k], separator, decimal, width, least))
    return Layout(separator=separator, decimal=decimal, width=width, first=first, last=last)


def _regular(sample: list[str], separator: str, decimal: str, least: int) -> tuple[int, int]:
    """Count the rows of numbers among lines by their commonest width; return both."""
    widths: dict[int, int] = {}
    for line in sample:
        cells = cells_of(line, separator)
        if sum(number_of(c, decimal) is not None for c in cells) >= least:
            widths[len(cells)] = widths.get(len(cells), 0) + 1
    if not widths:
        return 0, 0
    width = max(widths, key=lambda w: (widths[w], w))
    return widths[width], width


def _is_row(line: str, separator: str, decimal: str, width: int, least: int) -> bool:
    """Whether a line is a whole row of numbers."""
    if is_comment(line):
        return False
    cells = cells_of(line, separator)
    numbers = sum(number_of(c, decimal, grouped=True) is not None for c in cells)
    return len(cells) == width and numbers >= least
