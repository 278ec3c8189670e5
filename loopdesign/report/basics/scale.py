"""One unit for a whole column: the unit stands in the heading and the numbers below it share it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.report.basics.tables import CellValue, Column, Table

_PREFIX = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_PREFIXED = ("V", "A", "ohm", "F", "H", "Hz", "s", "S", "W", "V/A", "V/s", "A/s")
_SHIFT = {"%": 2, "ppm/K": 6}
SMALLEST, LARGEST = 0.00995, 9999.5
"""Numbers between these read well without a prefix of their own."""
WIDEST = 1e4
"""Values further apart than this share no prefix."""
FULL_DIGITS = 6
"""Significant digits where the output is not a terminal and nothing is shortened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaledColumn:
    """One column as text: its unit, empty where there is none, and its cells, decimal points aligned."""

    unit: str
    cells: tuple[str, ...]


def scaled_column(table: Table, place: int, *, plain: bool, ascii_only: bool = False) -> ScaledColumn:
    """Write one column of a table in one unit, the same for all columns of its group.

    Parameters
    ----------
    table
        The table.
    place
        Which column.
    plain, ascii_only
        As for `scaled`.

    Returns
    -------
    ScaledColumn
        The unit with its prefix, and the cells.
    """
    column = table.columns[place]
    alike = [k for k, c in enumerate(table.columns) if k != place and c.group and c.group == column.group]
    beside = [row[k] for row in table.rows for k in alike]
    values = [row[place] for row in table.rows]
    return scaled(column, values, plain=plain, ascii_only=ascii_only, beside=beside)


def scaled(
    column: Column, values: Sequence[CellValue], *, plain: bool, ascii_only: bool = False,
    beside: Sequence[CellValue] = (),
) -> ScaledColumn:  # fmt: skip
    """Write the values of one column in one unit.

    Parameters
    ----------
    column
        Its unit and significant digits.
    values
        One per row, in SI units; None, NaN and infinity become "-".
    plain
        For a program to read: up to six significant digits, and never a prefix in a cell. Otherwise values too far
        apart for one prefix carry their own, such as "5.82 k".
    ascii_only
        Write u, ohm and degC in place of µ, Ω and °C.
    beside
        Values of other columns that share the unit.

    Returns
    -------
    ScaledColumn
        The unit with its prefix, and the cells; words are left as they are.
    """
    if not column.numeric:
        return ScaledColumn(unit="", cells=tuple(_word(v) for v in values))
    numbers = [float(v) for v in (*values, *beside) if isinstance(v, float | int) and math.isfinite(v)]
    power = None if column.own_prefix else _common_power(column.unit, numbers)
    digits = max(column.digits, FULL_DIGITS) if plain else column.digits
    pairs: list[tuple[str, str]] = []
    for v in values:
        if not isinstance(v, float | int) or not math.isfinite(v):
            pairs.append((_word(v), ""))
        elif (power is None or column.own_prefix) and not plain:
            own = _own_power(float(v), digits)
            pairs.append((_significant(float(v), own, digits), f" {_PREFIX[own]}"))
        else:
            text = _significant(float(v), power or 0, digits)
            pairs.append((_trimmed(text) if plain else text, ""))
    cells, unit = _aligned(pairs), _unit(column.unit, power or 0)
    if ascii_only:
        unit = unit.replace("µ", "u").replace("Ω", "ohm").replace("°C", "degC")
        cells = tuple(c.replace("µ", "u") for c in cells)
    return ScaledColumn(unit=unit, cells=cells)


def _word(value: CellValue) -> str:
    """Write a word; what does not exist is "-"."""
    return value if isinstance(value, str) and value else "-"


def _common_power(unit: str, numbers: Sequence[float]) -> int | None:
    """Return the power of ten that suits every number of a column, None where there is none."""
    if unit in _SHIFT:
        return -_SHIFT[unit]
    sizes = [abs(n) for n in numbers if n]
    if unit not in _PREFIXED or not sizes:
        return 0
    shift = 6 if unit.endswith("/s") else 0  # the trade writes slopes per microsecond
    largest, smallest = max(sizes), min(sizes)
    if largest > WIDEST * smallest:
        return None
    start = 3 * math.floor(math.log10(largest / 10.0**shift * (1.0 + 1e-12)) / 3.0)
    for power in (start, start - 3):
        scale = 10.0 ** (power + shift)
        if power in _PREFIX and smallest / scale >= SMALLEST and largest / scale < LARGEST:
            return power + shift
    return None


def _own_power(value: float, digits: int) -> int:
    """Return the power of ten of the prefix that one number takes by itself."""
    rounded = abs(float(f"{value:.{digits - 1}e}"))
    if not rounded:
        return 0
    return min(max(3 * math.floor(math.log10(rounded * (1.0 + 1e-12)) / 3.0), -15), 12)


def _significant(value: float, power: int, digits: int) -> str:
    """Write a number over a power of ten, with significant digits and without exponent."""
    exact = Decimal(repr(value)).scaleb(-power)
    if not exact:
        return "0"
    rounded = Decimal(f"{exact:.{digits - 1}e}")
    return f"{rounded:.{max(digits - 1 - rounded.adjusted(), 0)}f}"


def _trimmed(text: str) -> str:
    """Leave out zeros after the last digit that says something."""
    return text.rstrip("0").rstrip(".") if "." in text else text


def _unit(unit: str, power: int) -> str:
    """Write the unit of a column with its prefix."""
    if unit == "degC":
        return "°C"
    if unit not in _PREFIXED:
        return "" if unit == "1" else unit
    head, slash, tail = unit.partition("/")
    if tail == "s":
        power, tail = power - 6, "µs"
    return f"{_PREFIX.get(power, '')}{head}{slash}{tail}".replace("ohm", "Ω")


def _aligned(pairs: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Set the decimal points of numbers below one another; what follows a number keeps its own place."""
    split = [(text.partition("."), tail) for text, tail in pairs]
    before = max((len(whole) for (whole, _, _), _ in split), default=0)
    after = max((len(point + part) for (_, point, part), _ in split), default=0)
    beyond = max((len(tail) for _, tail in split), default=0)
    return tuple(
        whole.rjust(before) + (point + part).ljust(after) + tail.ljust(beyond) for (whole, point, part), tail in split
    )
