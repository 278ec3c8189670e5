"""From a file to complex values over rising frequency, with every row left out and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.bench.reading.columns import Columns, find_columns, find_headings, with_units
from loopdesign.bench.reading.layout import (
    DECIMALS,
    SEPARATORS,
    Layout,
    cells_of,
    find_layout,
    made_regular,
    unit_behind,
)
from loopdesign.bench.reading.table import Dropped, Rows, bounded, read_rows, sample_of
from loopdesign.bench.reading.text import text_lines
from loopdesign.bench.reading.told import Told, told_columns
from loopdesign.errors import DataError
from loopdesign.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Option: TypeAlias = tuple[NDArray[np.float64], NDArray[np.complex128]]
    Judge: TypeAlias = Callable[[tuple[str, ...], Sequence[Option]], int]

FEWEST_POINTS = 5
"""Fewest points of a measurement."""
NOTHING_TOLD = Told()
"""Everything is found from the file."""


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
    guessed : tuple of str
        What neither heading nor option said and the values decided, as words.
    words : tuple of str
        Every line that is not a row of the table, and columns that hold one value throughout.
    """

    source: str
    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    rows: NDArray[np.intp]
    dropped: tuple[Dropped, ...]
    repeats: int
    read_as: ReadAs
    guessed: tuple[str, ...]
    words: tuple[str, ...]


def read_measurement(
    path: Path | str, switching_hz: float, *, told: Told = NOTHING_TOLD, judge: Judge | None = None
) -> Measurement:
    """Read a measured response from a file of delimited text.

    Parameters
    ----------
    path : Path or str
        The file.
    switching_hz : float
        Switching frequency, by which frequencies without a unit are told to be in kHz or MHz [Hz].
    told : Told
        Columns and units that a caller names.
    judge : callable, optional
        Given the words of the file and the ways to read it that headings and values leave open, each as frequencies
        [Hz] and complex values, returns the number of the likeliest; the first one unless given.

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
    lines, is_complex = made_regular(text_lines(path))
    layout = find_layout(lines, name)
    sample = sample_of(lines, layout)
    headings, heading = find_headings(lines, layout, sample)
    if heading is not None and heading >= layout.first:
        layout = _after(lines, heading, name)
        sample = sample_of(lines, layout)
        headings, heading = find_headings(lines, layout, sample)
    units = [unit_behind(c) for c in cells_of(lines[layout.first], layout.separator)]
    headings = with_units(headings, units) if len(units) == layout.width else headings
    if is_complex and layout.width == 3:
        headings, told = [headings[0], *headings[1:]], told.of_complex()
    columns = told_columns(told, layout.width, name) or find_columns(headings, sample, name)
    columns = told.over(columns)
    wanted = (columns.frequency, columns.first, columns.second)
    layout = bounded(lines, layout, columns.frequency, wanted)
    table = read_rows(lines, layout, wanted, name, heading)
    _refuse_frequencies(table, columns, name)
    words = (*_words(lines, layout), *_steady(lines, heading, layout, sample))
    options = _options(table.values, columns, switching_hz)
    chosen = 0 if judge is None or len(options) < 2 else judge(words, [(o[2], o[3]) for o in options])
    unit, values, hz, response = options[chosen]
    guessed: tuple[str, ...] = () if len({o[1] for o in options}) == 1 else (f"{values} by the values themselves",)
    guessed += () if columns.stated or unit == "Hz" else (f"frequencies in {unit} by the values themselves",)
    hz, response, rows, repeats = _rising(hz, response, table.rows)
    require_points(len(hz), name)
    return Measurement(
        source=str(path),
        frequencies_hz=hz,
        values=response,
        rows=rows,
        dropped=table.dropped,
        repeats=repeats,
        read_as=ReadAs(
            frequency=unit, values=values, separator=SEPARATORS[layout.separator], decimal=DECIMALS[layout.decimal]
        ),
        guessed=guessed,
        words=words,
    )


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
        points = "point" if count == 1 else "points"
        raise DataError(f"{name}: only {count} {points} can be used; a comparison needs at least {FEWEST_POINTS}")


def _after(lines: list[str], heading: int, name: str) -> Layout:
    """Find the layout of the rows below a heading; what stands above it are settings."""
    below = find_layout(lines[heading + 1 :], name)
    return replace(below, first=below.first + heading + 1, last=below.last + heading + 1)


def _refuse_frequencies(table: Rows, columns: Columns, name: str) -> None:
    """Refuse frequencies that are not above zero."""
    hz = table.values[:, 0]
    if hz.size and hz.min() <= 0.0:
        at = int(np.argmin(hz))
        raise DataError(
            f"{name}, row {table.rows[at]}: a frequency must be above zero; found {hz[at]:g} {columns.frequency_unit}"
        )


def _words(lines: list[str], layout: Layout) -> list[str]:
    """Return every line that is not a row of the table."""
    words = [*lines[: layout.first], *lines[layout.last + 1 :]]
    return words + [line for line in lines[layout.first : layout.last + 1] if line[:1] in "#%!/*'" and line]


def _steady(lines: list[str], heading: int | None, layout: Layout, sample: NDArray[np.float64]) -> list[str]:
    """Say the value of every column that holds one value throughout, in the words of its heading."""
    if heading is None:
        return []
    cells = cells_of(lines[heading].lstrip("#%!/*' \t"), layout.separator)
    if len(cells) != sample.shape[1] or not len(sample):
        return []
    found = []
    for cell, column in zip(cells, sample.T, strict=True):
        if np.isfinite(column).all() and np.ptp(column) == 0.0:
            found += [f"{cell} = {column[0]:g} {unit}" for unit in ("V", "A")]
    return found


def _options(
    table: NDArray[np.float64], columns: Columns, switching_hz: float
) -> list[tuple[str, str, NDArray[np.float64], NDArray[np.complex128]]]:
    """Return the ways to read the numbers: unit of the frequency, kind of values, hertz and complex values."""
    hertz = [(columns.frequency_unit, columns.hertz)]
    if not columns.stated and table.size:  # as hertz they would end far below the clock
        top = table[:, 0].max()
        while top * hertz[0][1] < switching_hz / 500.0 and hertz[0][1] < 1e6:
            hertz = [{1.0: ("kHz", 1e3), 1e3: ("MHz", 1e6)}[hertz[0][1]]]
    return [
        (unit, values, table[:, 0] * scale, columns.scale * _complex(table, values))
        for unit, scale in hertz
        for values in columns.values
    ]


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
