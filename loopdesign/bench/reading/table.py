"""The rows of a table: where they begin and end, their numbers, and the rows without a value."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.reading.layout import GAPS, Layout, cells_of, is_comment, number_of
from loopdesign.errors import DataError
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped:
    """A row that was left out.

    Attributes
    ----------
    row : int
        Line of the file, counted from 1 [unitless].
    reason : str
        Why.
    """

    row: int
    reason: str

    def to_dict(self) -> dict[str, int | str]:
        """Turn it into plain values, ready for JSON."""
        return {"row": self.row, "reason": self.reason}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rows:
    """The numbers of a table.

    Attributes
    ----------
    values : ndarray (F, W)
        The columns asked for.
    rows : ndarray (F,)
        Line of the file of each, counted from 1 [unitless].
    dropped : tuple of Dropped
        Rows without a value.
    """

    values: NDArray[np.float64]
    rows: NDArray[np.intp]
    dropped: tuple[Dropped, ...]


def sample_of(lines: list[str], layout: Layout) -> NDArray[np.float64]:
    """Take rows of numbers spread over the table.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    layout : Layout
        How the table is written.

    Returns
    -------
    ndarray (N, W)
        Their numbers, NaN where a cell holds none.
    """
    block = range(layout.first, layout.last + 1)
    chosen = block if len(block) <= 2000 else [*block[:200], *block[200 :: len(block) // 1500]]
    taken = []
    for k in chosen:
        cells = [] if is_comment(lines[k]) else cells_of(lines[k], layout.separator)
        if len(cells) == layout.width:
            numbers = [number_of(c, layout.decimal, grouped=True) for c in cells]
            taken.append([np.nan if v is None else v for v in numbers])
    return np.array(taken, float)


def bounded(lines: list[str], layout: Layout, key: int, wanted: Sequence[int]) -> Layout:
    """Move the ends of a table to its first and last row: gaps at the ends belong to it, sums and settings do not.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    layout : Layout
        How the table is written.
    key : int
        Column of the frequency or of the time, counted from 0 [unitless].
    wanted : sequence of int
        Columns read.

    Returns
    -------
    Layout
        With the first and the last row moved.
    """

    def belongs(k: int) -> bool:
        if is_comment(lines[k]):
            return False
        cells = cells_of(lines[k], layout.separator)
        known = [number_of(c, layout.decimal, grouped=True) is not None for c in cells]
        short = len(cells) < layout.width and not all(known[:key])
        if not 2 <= len(cells) <= layout.width + 1 or key >= len(cells) or short:
            return False
        return known[key] or (any(known[c] for c in wanted if c < len(cells)) and _is_gap(cells[key]))

    first, last = layout.first, layout.last
    while first < last and not belongs(first):
        first += 1
    while first > 0 and belongs(first - 1):
        first -= 1
    while last > first and not belongs(last):
        last -= 1
    while last + 1 < len(lines) and belongs(last + 1):
        last += 1
    return replace(layout, first=first, last=last)


def read_rows(lines: list[str], layout: Layout, wanted: Sequence[int], name: str, heading: int | None = None) -> Rows:
    """Read the wanted columns of every row.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    layout : Layout
        How the table is written.
    wanted : sequence of int
        Columns, counted from 0.
    name : str
        Name of the file, for messages.
    heading : int, optional
        Line of the heading, counted from 0; where it stands again among the rows, it is passed over [unitless].

    Returns
    -------
    Rows
        Numbers, lines, and the rows without a value.

    Raises
    ------
    DataError
        Where a cell holds a word.
    """
    block = lines[layout.first : layout.last + 1]
    again = None if heading is None else lines[heading].strip()
    bare = _plain_row(layout, max(wanted) + 1)
    clean = np.fromiter((bare(line) is not None for line in block), bool, len(block))
    table = _at_once([b for b, c in zip(block, clean, strict=True) if c], layout, wanted)
    if table is None:
        clean[:] = False
        table = np.empty((0, len(wanted)))
    values, rows, dropped = [table], [np.flatnonzero(clean) + layout.first + 1], []
    for k in np.flatnonzero(~clean):
        line, row = block[k], int(k) + layout.first + 1
        if not line.strip() or is_comment(line) or line.strip() == again:
            continue
        cells = cells_of(line, layout.separator)
        found = [_cell(cells, c, layout, f"{name}, row {row}") for c in wanted]
        if None in found:
            dropped.append(Dropped(row=row, reason="a value is missing"))
        else:
            values.append(np.array([found], float))
            rows.append(np.array([row]))
    lines_of = np.concatenate(rows)
    order = np.argsort(lines_of, kind="stable")
    return Rows(values=np.concatenate(values)[order], rows=lines_of[order], dropped=tuple(dropped))


def _plain_row(layout: Layout, least: int) -> Callable[[str], object]:
    """Return a test for rows that hold nothing but ordinary numbers."""
    number = rf"[ ]*[+-]?(?:\d+(?:[{layout.decimal}]\d*)?|[{layout.decimal}]\d+)(?:[eE][+-]?\d+)?[ ]*"
    between = r"[ \t]+" if layout.separator == " " else re.escape(layout.separator)
    if layout.separator == layout.decimal or least > layout.width:
        return re.compile(r"(?!)").fullmatch
    if layout.separator == " ":
        number = number.replace("[ ]*", "")
        return re.compile(rf"[ \t]*{number}(?:{between}{number}){{{layout.width - 1}}}[ \t]*").fullmatch
    return re.compile(rf"{number}(?:{between}{number}){{{layout.width - 1}}}").fullmatch


def _at_once(block: list[str], layout: Layout, wanted: Sequence[int]) -> NDArray[np.float64] | None:
    """Read plain rows in one go; None where that fails."""
    if not block:
        return None
    text = block if layout.decimal == "." else [line.replace(",", ".") for line in block]
    delimiter = None if layout.separator == " " else layout.separator
    try:
        table = np.loadtxt(text, delimiter=delimiter, usecols=wanted, comments=None, ndmin=2)
    except (ValueError, IndexError):
        return None
    return table if len(table) == len(block) and np.isfinite(table).all() else None


def _is_gap(text: str) -> bool:
    """Whether a cell says that there is no value."""
    return text.casefold() in GAPS


def _cell(cells: list[str], column: int, layout: Layout, place: str) -> float | None:
    """Read one cell; None where it says that there is no value."""
    text = cells[column] if column < len(cells) else ""
    number = number_of(text, layout.decimal, grouped=True)
    if number is None and not _is_gap(text):
        raise DataError(f"{place}, column {column + 1}: expected a number; found {excerpt(text)}")
    return number
