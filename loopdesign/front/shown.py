"""What every result of the front can do: print as a few lines, show itself in a notebook, become rows."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from loopdesign.errors import MissingLibraryError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from loopdesign.report.basics.brief import Brief

Kind = TypeVar("Kind")


class Result(Protocol):
    """What a result provides to be shown."""

    def brief(self) -> Brief:
        """Say the result in a few lines, the verdict first."""

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the result into rows of plain values: numbers in SI units, words, lists, None."""


class Shown:
    """Show a result in every way that needs no more than its few lines and its rows."""

    __slots__ = ()

    def to_pandas(self: Result) -> pd.DataFrame:
        """Turn the rows into a data frame of pandas, the worst mode in columns of its own.

        Returns
        -------
        pandas.DataFrame
            One row for each of ``to_rows()``.

        Raises
        ------
        MissingLibraryError
            Where pandas is not installed.
        """
        try:
            import pandas as pd  # noqa: PLC0415  (an optional library)
        except ImportError:
            raise MissingLibraryError("to_pandas() needs pandas: pip install pandas; to_rows() does without") from None
        return pd.DataFrame([flat(row) for row in self.to_rows()])

    def __repr__(self: Result) -> str:
        """Write the verdict in one line."""
        return f"<{type(self).__name__}: {self.brief().verdict}>"

    def __str__(self: Result) -> str:
        """Write the result in at most 30 lines, the verdict first."""
        from loopdesign.report.basics.brief import brief_text  # noqa: PLC0415  (only where it is printed)

        return brief_text(self.brief())

    def _repr_html_(self: Result) -> str:
        """Write the result for a notebook."""
        from loopdesign.report.basics.brief import brief_html  # noqa: PLC0415  (only where it is shown)

        return brief_html(self.brief())


def shown_as(kind: type[Kind], computed: object) -> Kind:
    """Make a result that shows itself from one that only holds numbers.

    Parameters
    ----------
    kind : type
        A class of the front, derived from that of the result.
    computed : object
        What the rooms below computed.

    Returns
    -------
    kind
        The same fields.
    """
    return kind(**{f.name: getattr(computed, f.name) for f in fields(computed)})  # type: ignore[arg-type]


def flat(row: dict[str, Any]) -> dict[str, Any]:
    """Flatten a row: each value of an inner table gets a column of its own.

    Parameters
    ----------
    row : dict
        A row, such as ``to_rows()`` gives.

    Returns
    -------
    dict
        ``{"worst_mode": {"name": ...}}`` becomes ``{"worst_mode_name": ...}``.
    """
    plain: dict[str, Any] = {}
    for key, value in row.items():
        plain |= {f"{key}_{k}": v for k, v in value.items()} if isinstance(value, dict) else {key: value}
    return plain


def one_line(text: str) -> str:
    """Put a title in one line, whatever blanks and line breaks it holds.

    Parameters
    ----------
    text : str
        Words of the case.

    Returns
    -------
    str
        The same words, parted by single blanks.
    """
    return " ".join(text.split())


def tightest(order: Sequence[tuple[float, ...]]) -> tuple[int, ...]:
    """Rank rows by what is worst.

    Parameters
    ----------
    order : sequence of tuple of float
        For each row what to sort by, smallest first [unitless].

    Returns
    -------
    tuple of int
        Numbers of the rows, the worst first.
    """
    return tuple(sorted(range(len(order)), key=lambda k: order[k]))
