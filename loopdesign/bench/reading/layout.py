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
COMMENT = ("#", "%", "!", "//", "*", "'", "--")
"""What a comment begins with."""
SAMPLE = 400
"""Lines that the layout is found from."""
_EXPONENT = r"(?:[eEdD][+-]?\d+)?"
_NUMBER = {
    ".": re.compile(rf"[+-]?(?:\d+\.?\d*|\.\d+|\d{{1,3}}(?:,\d{{3}})+\.\d+){_EXPONENT}"),
    ",": re.compile(rf"[+-]?(?:\d+(?:,\d+)?|,\d+|\d{{1,3}}(?:\.\d{{3}})+,\d+){_EXPONENT}"),
}
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}(?:[, ']\d{3})+(?:\.\d*)?"),
    ",": re.compile(r"[+-]?\d{1,3}(?:[. ']\d{3})+(?:,\d*)?"),
}
"""Thousands set apart; read so only where the decimal sign is known, for 1,234 may be either."""
_OTHER = {".": ",", ",": "."}
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u202f": " "})
_APART = re.compile(r"[ \t]+")


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
        return [c.strip("\"' ") for c in _APART.split(line.strip())]
    if '"' in line:
        return [c.strip() for c in next(csv.reader([line.strip("\f")], delimiter=separator))]
    return [c.strip() for c in line.strip(" \f").split(separator)]


def number_of(cell: str, decimal: str, *, grouped: bool = False) -> float | None:
    """Read a number with the given decimal sign.

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
        The number; None where it is none.
    """
    if not _NUMBER[decimal].fullmatch(cell) and not (grouped and _GROUPED[decimal].fullmatch(cell)):
        return None
    plain = cell.translate(str.maketrans("dD", "ee", f"{_OTHER[decimal]} '")).replace(decimal, ".")
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def find_layout(lines: list[str], name: str) -> Layout:
    """Find how a table is written.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    name : str
        Name of the file, for messages.

    Returns
    -------
    Layout
        The combination of separator and decimal sign with which most lines are rows of numbers.

    Raises
    ------
    DataError
        Where no line holds a row of at least three numbers.
    """
    held = [line for line in lines if line.strip() and not is_comment(line)]
    step = max(1, len(held) // SAMPLE)
    sample = held[:SAMPLE] + held[SAMPLE::step]
    best: tuple[int, str, str, int] | None = None
    for separator, decimal in product(SEPARATORS, DECIMALS):
        if separator == decimal:
            continue
        count, width = _regular(sample, separator, decimal)
        if count and (best is None or count > best[0]):
            best = (count, separator, decimal, width)
    if best is None:
        raise DataError(f"{name}: no row of three numbers was found; expected frequency, gain and phase in columns")
    _, separator, decimal, width = best
    rows = (k for k, line in enumerate(lines) if _is_row(line, separator, decimal, width))
    first = next(rows)
    backwards = range(len(lines) - 1, first - 1, -1)
    last = next(k for k in backwards if _is_row(lines[k], separator, decimal, width))
    return Layout(separator=separator, decimal=decimal, width=width, first=first, last=last)


def _regular(sample: list[str], separator: str, decimal: str) -> tuple[int, int]:
    """Count the rows of numbers among lines by their commonest width; return both."""
    widths: dict[int, int] = {}
    for line in sample:
        cells = cells_of(line, separator)
        if sum(number_of(c, decimal) is not None for c in cells) >= 3:
            widths[len(cells)] = widths.get(len(cells), 0) + 1
    if not widths:
        return 0, 0
    width = max(widths, key=lambda w: (widths[w], w))
    return widths[width], width


def _is_row(line: str, separator: str, decimal: str, width: int) -> bool:
    """Whether a line is a whole row of numbers."""
    if is_comment(line):
        return False
    cells = cells_of(line, separator)
    numbers = sum(number_of(c, decimal, grouped=True) is not None for c in cells)
    return len(cells) == width and numbers >= 3
