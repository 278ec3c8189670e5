"""From a file to complex values over rising frequency, with every row left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.reading.columns import Columns, find_columns
from loopdesign.bench.reading.layout import DECIMALS, SEPARATORS, Layout, cells_of, find_layout, is_comment, number_of
from loopdesign.bench.reading.text import text_lines
from loopdesign.errors import DataError
from loopdesign.printable import excerpt, printable

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

FEWEST_POINTS = 5
"""Fewest points of a measurement."""
GAPS = frozenset({
    "", "-", "--", "---", "n/a", "na", "n.a.", "nan", "null", "none", "inf", "+inf", "-inf", "ovl", "ol", "overload",
    "overrange", "over", "under", "invalid", "error", "err", "?", "*", "***", "#n/a", "#num!", "#div/0!", "1.#qnan",
})  # fmt: skip
"""What stands in a cell where the analyser has no value."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadAs:
    """How a file was read.

    Attributes
    ----------
    frequency : str
        Unit of its frequencies.
    values : str
        ``dB and degrees``, ``real and imaginary``, ``magnitude and degrees``, or the same with radians.
    separator, decimal : str
        Names of the separator and of the decimal sign.
    """

    frequency: str
    values: str
    separator: str
    decimal: str

    def to_dict(self) -> dict[str, str]:
        """Turn it into plain values, ready for JSON."""
        return {
            "frequency": self.frequency, "values": self.values, "separator": self.separator, "decimal": self.decimal,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """A measured response.

    Attributes
    ----------
    source : str
        Name of the file.
    frequencies_hz : ndarray (F,)
        Rising frequencies, each once [Hz].
    values : ndarray (F,)
        Complex values, as the file has them [unitless] or [ohm].
    rows : ndarray (F,)
        Line of the file of each, counted from 1 [unitless].
    dropped : tuple of Dropped
        Rows without a value.
    repeats : int
        Rows averaged with another of the same frequency [unitless].
    read_as : ReadAs
        How the file was read.
    words : tuple of str
        Every line that is not a row of the table.
    """

    source: str
    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    rows: NDArray[np.intp]
    dropped: tuple[Dropped, ...]
    repeats: int
    read_as: ReadAs
    words: tuple[str, ...]


def read_measurement(path: Path | str, switching_hz: float) -> Measurement:
    """Read a measured response from a file of delimited text.

    Parameters
    ----------
    path : Path or str
        The file.
    switching_hz : float
        Switching frequency, by which frequencies without a unit are told to be in kHz [Hz].

    Returns
    -------
    Measurement
        Values over rising frequency; repeats averaged.

    Raises
    ------
    DataError
        Where the file is not such a table, or what it holds cannot be a measurement.
    """
    name = printable(str(path))
    lines = text_lines(path)
    layout = find_layout(lines, name)
    columns = find_columns(lines, layout, _sample(lines, layout), name)
    table, rows, dropped = _table(lines, layout, columns, name)
    hz, unit = _hertz(table[:, 0], columns, switching_hz)
    if hz.size and hz.min() <= 0.0:
        row = int(rows[np.argmin(hz)])
        raise DataError(f"{name}, row {row}: a frequency must be above zero; found {table[np.argmin(hz), 0]:g} {unit}")
    hz, values, rows, repeats = _rising(hz, _complex(table, columns.values), rows)
    require_points(len(hz), name)
    words = [*lines[: layout.first], *lines[layout.last + 1 :]]
    words += [line for line in lines[layout.first : layout.last + 1] if line[:1] in "#%!/*'" and line]
    return Measurement(
        source=str(path),
        frequencies_hz=hz,
        values=values,
        rows=rows,
        dropped=dropped,
        repeats=repeats,
        read_as=ReadAs(
            frequency=unit, values=columns.values, separator=SEPARATORS[layout.separator],
            decimal=DECIMALS[layout.decimal],
        ),
        words=tuple(words),
    )  # fmt: skip


def require_points(count: int, name: str) -> None:
    """Refuse a measurement of too few points.

    Parameters
    ----------
    count : int
        Points that are left [unitless].
    name : str
        Name of the file.

    Raises
    ------
    DataError
        Where there are fewer than `FEWEST_POINTS`.
    """
    if count < FEWEST_POINTS:
        raise DataError(f"{name}: only {count} points can be used; a comparison needs at least {FEWEST_POINTS}")


def _sample(lines: list[str], layout: Layout) -> NDArray[np.float64]:
    """Take rows of numbers spread over the table (N, W), NaN where a cell holds none."""
    block = range(layout.first, layout.last + 1)
    chosen = block if len(block) <= 2000 else [*block[:200], *block[200 :: len(block) // 1500]]
    taken = []
    for k in chosen:
        cells = [] if is_comment(lines[k]) else cells_of(lines[k], layout.separator)
        if len(cells) == layout.width:
            numbers = [number_of(c, layout.decimal, grouped=True) for c in cells]
            taken.append([np.nan if v is None else v for v in numbers])
    return np.array(taken, float)


def _table(
    lines: list[str], layout: Layout, columns: Columns, name: str
) -> tuple[NDArray[np.float64], NDArray[np.intp], tuple[Dropped, ...]]:
    """Read frequency and both values of every row (F, 3), the lines they stand in, and the rows without a value."""
    block = lines[layout.first : layout.last + 1]
    wanted = (columns.frequency, columns.first, columns.second)
    table = _at_once(block, layout, wanted)
    if table is not None:
        return table, np.arange(len(block)) + layout.first + 1, ()
    values, rows, dropped = [], [], []
    for row, line in enumerate(block, layout.first + 1):
        if not line.strip() or is_comment(line):
            continue
        cells = cells_of(line, layout.separator)
        found = [_cell(cells, k, layout, f"{name}, row {row}") for k in wanted]
        if None in found:
            dropped.append(Dropped(row=row, reason="a value is missing"))
        else:
            values.append(found)
            rows.append(row)
    return np.array(values, float).reshape(-1, 3), np.array(rows, np.intp), tuple(dropped)


def _at_once(block: list[str], layout: Layout, wanted: tuple[int, int, int]) -> NDArray[np.float64] | None:
    """Read a table without gaps, comments and grouped thousands in one go; None where it has any."""
    text = block if layout.decimal == "." else [line.replace(",", ".") for line in block]
    delimiter = None if layout.separator == " " else layout.separator
    if not all(block):
        return None
    try:
        table = np.loadtxt(text, delimiter=delimiter, usecols=wanted, comments=None, ndmin=2)
    except (ValueError, IndexError):
        return None
    return table if len(table) == len(block) and np.isfinite(table).all() else None


def _cell(cells: list[str], column: int, layout: Layout, place: str) -> float | None:
    """Read one cell; None where it says that there is no value."""
    text = cells[column] if column < len(cells) else ""
    number = number_of(text, layout.decimal, grouped=True)
    if number is None and text.casefold() not in GAPS:
        raise DataError(f"{place}, column {column + 1}: expected a number; found {excerpt(text)}")
    return number


def _hertz(values: NDArray[np.float64], columns: Columns, switching_hz: float) -> tuple[NDArray[np.float64], str]:
    """Turn frequencies into hertz; without a unit they are kHz where as hertz they would end far below the clock."""
    if not columns.stated and values.size and values.max() < switching_hz / 500.0:
        return values * 1e3, "kHz"
    return values * columns.hertz, columns.frequency_unit


def _complex(table: NDArray[np.float64], values: str) -> NDArray[np.complex128]:
    """Turn two columns into complex values."""
    if values == "real and imaginary":
        return table[:, 1] + 1j * table[:, 2]
    size = 10.0 ** (np.clip(table[:, 1], -600.0, 600.0) / 20.0) if values.startswith("dB") else table[:, 1]
    angle = table[:, 2] if values.endswith("radians") else np.radians(table[:, 2])
    return np.asarray(size * np.exp(1j * angle))


def _rising(
    hz: NDArray[np.float64], values: NDArray[np.complex128], rows: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.intp], int]:
    """Sort by frequency and average what was measured at the same one."""
    each, first, place, count = np.unique(hz, return_index=True, return_inverse=True, return_counts=True)
    total = np.bincount(place, values.real, len(each)) + 1j * np.bincount(place, values.imag, len(each))
    return each, np.asarray(total / count, complex), rows[first], len(hz) - len(each)
