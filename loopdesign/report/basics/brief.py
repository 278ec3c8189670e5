"""A result in a few lines, for ``print()`` and for a notebook: the verdict first, then one table and what fails.

One `Brief` is written twice, as text and as HTML; nothing is computed here.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, field, replace
from html import escape
from typing import TYPE_CHECKING

from loopdesign.printable import printable, printable_lines
from loopdesign.report.basics.layout import Display, laid_out
from loopdesign.report.basics.tables import without_empty

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.report.basics.tables import Table

MOST_LINES = 30
"""Lines of a result in a print, the verdict included."""
MOST_ROWS = 14
"""Rows of its table."""
WIDTH = 110
"""Characters in a line of its sentences; a table takes what it needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Brief:
    """Hold what a few lines say about a result.

    Attributes
    ----------
    verdict : str
        The sentence that comes first.
    facts : tuple of str
        What the result is about: title, parts, operating point; one line each.
    table : Table or None
        The numbers.
    rows : tuple of int
        Rows to keep where the table has too many, the most important first; the first rows unless given.
    notes : tuple of str
        What fails and what to know, one sentence each.
    """

    verdict: str
    facts: tuple[str, ...] = ()
    table: Table | None = None
    rows: tuple[int, ...] = field(default=())
    notes: tuple[str, ...] = ()


def brief_text(brief: Brief) -> str:
    """Write a result as at most `MOST_LINES` lines of text.

    Parameters
    ----------
    brief : Brief
        What to say.

    Returns
    -------
    str
        The verdict, the facts, the table and the notes; what does not fit is counted in its last line.
    """
    lines = [*_wrapped(brief.verdict, ""), *(line for fact in brief.facts for line in _wrapped(fact, ""))]
    if brief.table is not None:
        table, left_out = _shortened(brief)
        lines += ["", *laid_out(without_empty(table), Display(width=WIDTH, details=True)).splitlines()]
        lines += [f"  ... and {left_out} more, see to_rows()"] if left_out else []
    notes = [line for note in brief.notes for line in _wrapped(f"- {note}", "  ")]
    return printable_lines("\n".join(_cut([*lines, *([""] if notes else []), *notes])))


def brief_html(brief: Brief) -> str:
    """Write a result as a piece of HTML; every word of the case is escaped.

    Parameters
    ----------
    brief : Brief
        What to say.

    Returns
    -------
    str
        A ``div`` with the verdict in bold, the facts, a table and a list of notes.
    """
    pieces = [f"<p><strong>{_safe(brief.verdict)}</strong></p>"]
    pieces += [f"<p>{_safe(fact)}</p>" for fact in brief.facts]
    if brief.table is not None:
        table, left_out = _shortened(brief)
        pieces.append(_html_table(without_empty(table)))
        pieces += [f"<p>{left_out} more rows: see <code>to_rows()</code></p>"] if left_out else []
    if brief.notes:
        pieces.append("<ul>" + "".join(f"<li>{_safe(note)}</li>" for note in brief.notes) + "</ul>")
    return "<div>" + "".join(pieces) + "</div>"


def _shortened(brief: Brief) -> tuple[Table, int]:
    """Table with at most `MOST_ROWS` rows in their own order, and the number of rows left out."""
    table = brief.table
    if table is None or len(table.rows) <= MOST_ROWS:
        return table, 0  # type: ignore[return-value]
    kept = sorted((brief.rows or tuple(range(len(table.rows))))[:MOST_ROWS])
    return replace(table, rows=tuple(table.rows[k] for k in kept)), len(table.rows) - len(kept)


def _wrapped(sentence: str, indent: str) -> list[str]:
    """Break a sentence at the line's width; line breaks of the case become blanks."""
    return textwrap.wrap(sentence, WIDTH, subsequent_indent=indent, break_long_words=True, break_on_hyphens=False)


def _cut(lines: Sequence[str]) -> Sequence[str]:
    """Keep the first lines, the last of them saying how many are missing."""
    if len(lines) <= MOST_LINES:
        return lines
    missing = len(lines) - MOST_LINES + 1
    return [*lines[: MOST_LINES - 1], f"  ... and {missing} more lines"]


def _safe(text: str) -> str:
    """Escape the signs of HTML and make the rest safe to show."""
    return escape(printable(text))


def _html_table(table: Table) -> str:
    head = "".join(f"<th>{_safe(c.heading)}</th>" for c in table.columns)
    body = "".join(
        "<tr>" + "".join(_html_cell(text, c.numeric) for text, c in zip(row, table.columns, strict=True)) + "</tr>"
        for row in table.cells()
    )
    return f"<table><caption>{_safe(table.title)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _html_cell(text: str, numeric: bool) -> str:
    return f'<td style="text-align:{"right" if numeric else "left"}">{_safe(text)}</td>'
