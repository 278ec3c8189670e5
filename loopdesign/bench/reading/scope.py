"""A record of an oscilloscope: time and voltage from a file of delimited text."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.reading.headings import folded
from loopdesign.bench.reading.layout import DECIMALS, SEPARATORS, cells_of, find_layout, is_comment
from loopdesign.bench.reading.table import Dropped, bounded, read_rows, sample_of
from loopdesign.bench.reading.text import text_lines
from loopdesign.errors import DataError
from loopdesign.printable import printable

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from loopdesign.bench.reading.layout import Layout

FEWEST_SAMPLES = 20
"""Fewest samples of a record."""
LONGEST_PERIODS = 3e5
"""Switching periods beyond which times without a unit are taken for milliseconds or microseconds."""
_TIME = re.compile(
    r"time|zeit|temps|tiempo|tempo|(?<![a-z])tid(?![a-z])|czas|врем|時間|时间|시간|second|sekund|aika|zaman"
)
_TIME_UNIT = re.compile(r"(?:_|\(|\[|/|\s)([munpµμ]?)s(?:ec)?(?:\)|\]|\s|$)|([мн]?)с(?:\)|\]|\s|$)")
_VOLT = re.compile(
    r"volt|spann|tension|tensi|tensao|jannit|napiec|napeti|напр|電圧|电压|전압"
    r"|(?<![a-z])(?:ch|c|u|v)\s*_?\d*(?:out)?(?![a-z])"
)
_VOLT_UNIT = re.compile(r"(?:_|\(|\[|/|\s)(m?)v(?:\)|\]|\s|$)")
_MULTIPLES = {"": 1.0, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "n": 1e-9, "p": 1e-12, "м": 1e-3, "н": 1e-9}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaveformRecord:
    """A measured voltage over time.

    Attributes
    ----------
    source : str
        Name of the file.
    time_s : ndarray (N,)
        Rising instants, each once [s].
    voltage_v : ndarray (N,)
        Voltage at each [V].
    dropped : tuple of Dropped
        Rows without a value.
    separator, decimal : str
        Names of the separator and of the decimal sign.
    words : tuple of str
        Every line that is not a row of the table.
    """

    source: str
    time_s: NDArray[np.float64]
    voltage_v: NDArray[np.float64]
    dropped: tuple[Dropped, ...]
    separator: str
    decimal: str
    words: tuple[str, ...]


def read_record(path: Path | str, period_s: float) -> WaveformRecord:
    """Read a record of an oscilloscope.

    Parameters
    ----------
    path : Path or str
        The file.
    period_s : float
        Switching period, by which times without a unit are told [s].

    Returns
    -------
    WaveformRecord
        Voltage over rising time; samples of one instant averaged.

    Raises
    ------
    DataError
        Where the file holds no such table.
    """
    name = printable(str(path))
    lines = text_lines(path, "a table of time and voltage")
    layout = find_layout(lines, name, least=2)
    sample = sample_of(lines, layout)
    words = _above(lines, layout)
    time = _time_column(words, sample, name)
    voltage = _voltage_column(words, sample, time, name)
    layout = bounded(lines, layout, time, (time, voltage))
    table = read_rows(lines, layout, (time, voltage), name)
    if len(table.values) < FEWEST_SAMPLES:
        raise DataError(f"{name}: only {len(table.values)} samples can be used; a step needs at least {FEWEST_SAMPLES}")
    seconds = table.values[:, 0] * _seconds(words[time] if words else "", table.values[:, 0], period_s)
    each, place, count = np.unique(seconds, return_inverse=True, return_counts=True)
    volts = np.bincount(place, table.values[:, 1], len(each)) / count
    said = _VOLT_UNIT.search(f" {folded(words[voltage])} ") if words else None
    return WaveformRecord(
        source=str(path),
        time_s=each,
        voltage_v=volts * (1.0 if said is None else _MULTIPLES[said[1]]),
        dropped=table.dropped,
        separator=SEPARATORS[layout.separator],
        decimal=DECIMALS[layout.decimal],
        words=(*lines[: layout.first], *lines[layout.last + 1 :]),
    )


def _above(lines: list[str], layout: Layout) -> list[str]:
    """Join the words above each column, at most three lines of them; empty where none fit."""
    words = [""] * layout.width
    found = 0
    for line in reversed(lines[max(0, layout.first - 8) : layout.first]):
        text = line.lstrip("#%!/*' \t") if is_comment(line) else line
        cells = cells_of(text, layout.separator)
        while len(cells) > layout.width and not cells[-1]:
            cells = cells[:-1]
        if len(cells) == layout.width and any(cells) and found < 3:
            words = [f"{c} {w}".strip() for c, w in zip(cells, words, strict=True)]
            found += 1
    return words if any(words) else []


def _time_column(words: list[str], sample: NDArray[np.float64], name: str) -> int:
    """Find the column of time: by its heading, else the one that rises throughout."""
    rising = []
    for k, values in enumerate(sample.T):
        known = values[np.isfinite(values)]
        if len(known) > 0.5 * len(sample) and np.all(np.diff(known) > 0.0):
            rising.append(k)
    named = [k for k, w in enumerate(words) if _TIME.search(folded(w)) or folded(w).strip() in {"t", "x", "t s", "s"}]
    for k in [*(k for k in named if k in rising), *named]:
        return k
    steps = [k for k in rising if not np.all(np.diff(sample[:, k]) == 1.0)] or rising
    if not steps:
        raise DataError(f"{name}: no column of rising time was found; name them, such as 'Time (s), Voltage (V)'")
    return steps[0]


def _voltage_column(words: list[str], sample: NDArray[np.float64], time: int, name: str) -> int:
    """Find the column of the voltage: by its heading, else the only other one that changes."""
    changing = []
    for k, values in enumerate(sample.T):
        known = values[np.isfinite(values)]
        counts = len(known) > 2 and np.all(np.diff(known) == 1.0)
        if k != time and len(known) > 0.5 * len(sample) and np.ptp(known) > 0.0 and not counts:
            changing.append(k)
    named = [
        k for k, w in enumerate(words)
        if k in changing and (_VOLT.search(folded(w)) or _VOLT_UNIT.search(f" {folded(w)} "))
    ]  # fmt: skip
    outputs = [k for k in named if re.search(r"out|ausg|sort|salid|usc|vo(?![a-z])", folded(words[k]))]
    for found in (outputs, named, changing):
        if len(found) == 1:
            return found[0]
    if not changing:
        raise DataError(f"{name}: no column of a changing voltage was found")
    raise DataError(
        f"{name}: which column is the output voltage cannot be told; name it, such as 'Time (s), Output voltage (V)', "
        "and leave the other channels out"
    )


def _seconds(heading: str, times: NDArray[np.float64], period_s: float) -> float:
    """Seconds in one unit of the time: by the heading, else by how many switching periods the record would last."""
    said = _TIME_UNIT.search(f" {folded(heading)} ")
    if said is not None:
        return _MULTIPLES[said[1] if said[1] is not None else said[2] or ""]
    scale = 1.0
    while np.ptp(times) * scale > LONGEST_PERIODS * period_s and scale > 1e-9:
        scale *= 1e-3
    return scale
