"""What a caller says of a file of measured data: its columns, its units."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from loopdesign.analysis.given import one_of
from loopdesign.bench.reading.columns import Columns
from loopdesign.errors import DataError
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    from collections.abc import Sequence

UNITS = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6}
"""Units of frequency that may be told, with the hertz they hold."""
VALUES = ("dB and degrees", "real and imaginary", "magnitude and degrees", "dB and radians", "magnitude and radians")
"""Kinds of values that may be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Columns and units that a caller names; None where the file decides.

    Attributes
    ----------
    columns : tuple of int or None
        Columns of frequency, of gain or real part, and of phase or imaginary part, counted from 1 [unitless].
    values : str or None
        What the two columns of values hold.
    frequency_unit : str or None
        Unit of the frequencies.
    """

    columns: tuple[int, int, int] | None = None
    values: str | None = None
    frequency_unit: str | None = None

    def of_complex(self) -> Told:
        """Say that the table holds complex numbers."""
        return replace(self, columns=self.columns or (1, 2, 3), values=self.values or "real and imaginary")

    def over(self, columns: Columns) -> Columns:
        """Put what was told in the place of what was found.

        Parameters
        ----------
        columns : Columns
            What was found.

        Returns
        -------
        Columns
            The same with values and unit as told.
        """
        found = columns if self.values is None else replace(columns, values=(self.values,))
        if self.frequency_unit is None:
            return found
        return replace(found, frequency_unit=self.frequency_unit, hertz=UNITS[self.frequency_unit], stated=True)


def told_of(
    columns: Sequence[int] | str | None = None, values: str | None = None, frequency_unit: str | None = None
) -> Told:
    """Accept what a caller says of a file.

    Parameters
    ----------
    columns : sequence of int or str, optional
        Numbers of three columns, such as ``"1,3,4"`` [unitless].
    values : str, optional
        What the two columns of values hold.
    frequency_unit : str, optional
        Unit of the frequencies.

    Returns
    -------
    Told
        The same, examined.

    Raises
    ------
    DataError
        Where a word is unknown or the columns are not three different numbers.
    """
    numbers = None
    if columns is not None:
        pieces = re.split(r"[ ,;]+", columns.strip()) if isinstance(columns, str) else [str(c) for c in columns]
        if len(set(pieces)) != 3 or not all(p.isdigit() and 0 < int(p) < 1000 for p in pieces):
            raise DataError(
                f"columns must be three different numbers counted from 1, such as 1,3,4 for frequency, gain and phase; "
                f"found {excerpt(','.join(pieces))}"
            )
        numbers = (int(pieces[0]), int(pieces[1]), int(pieces[2]))
    return Told(
        columns=numbers,
        values=None if values is None else one_of(values, VALUES, "values"),
        frequency_unit=None if frequency_unit is None else one_of(frequency_unit, tuple(UNITS), "frequency_unit"),
    )


def told_columns(told: Told, width: int, name: str) -> Columns | None:
    """Return the columns that a caller names; None where none are.

    Parameters
    ----------
    told : Told
        What was told.
    width : int
        Columns of the table [unitless].
    name : str
        Name of the file, for messages.

    Returns
    -------
    Columns or None
        With every kind of values open that was not told.

    Raises
    ------
    DataError
        Where the table has no such column.
    """
    if told.columns is None:
        return None
    if max(told.columns) > width:
        raise DataError(f"{name}: column {max(told.columns)} was asked for, and the table has {width} columns")
    frequency, first, second = (c - 1 for c in told.columns)
    return Columns(
        frequency=frequency, first=first, second=second, frequency_unit="Hz", hertz=1.0,
        values=VALUES[:3] if told.values is None else (told.values,), stated=False,
    )  # fmt: skip
