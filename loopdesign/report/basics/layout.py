"""Tables as aligned text that fits a terminal.

A table that is too wide for the terminal is made to fit in this order:

1. words are broken over several lines;
2. columns are left out from the right, except those that say which row it is and what the verdict is; a line below
   the table names them. With ``--details`` nothing is left out;
3. the table is split into several below one another, each with the columns that say which row it is;
4. a row becomes a list, one line for each column.

Away from a terminal every column stands in one line, in plain numbers, as wide as it takes.
"""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from loopdesign.report.basics.scale import scaled_column

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.report.basics.tables import Table

NARROWEST = 40
"""Terminals narrower than this are written to as if they had this width [characters]."""
LEAST_WORDS = 14
"""Words are not broken to columns narrower than this [characters]."""
_GAP, _MARGIN = 2, 2
_QUANTITY = re.compile(r"(?<=\d) (?=[a-zA-Zµ%Ω°])")
"""The blank between a number and its unit."""
_PLAIN = str.maketrans({"µ": "u", "Ω": "ohm", "°": "deg", "×": "x"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """What the output is shown on.

    Parameters
    ----------
    width
        Columns of the terminal; None where the output is not a terminal.
    details
        Whether everything was asked for; nothing is left out then.
    ascii_only
        Write u, ohm and deg in place of µ, Ω and °.
    """

    width: int | None = None
    details: bool = False
    ascii_only: bool = False

    @property
    def room(self) -> int | None:
        """Characters that fit in a line; None where that does not matter."""
        return None if self.width is None else max(self.width, NARROWEST)


PIPE = Display()
"""A file or a pipe: plain columns as wide as they take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Strip:
    """One column as text, with the least width its words can be broken to."""

    name: str
    heading: tuple[str, ...]
    cells: tuple[str, ...]
    numeric: bool
    key: bool
    width: int
    least: int


def laid_out(table: Table, display: Display = PIPE) -> str:
    """Lay a table out in columns: numbers to the right, words to the left.

    Parameters
    ----------
    table
        The table; its title is the first line.
    display
        What it is shown on.

    Returns
    -------
    str
        Lines without trailing blanks.
    """
    strips = _strips(table, display)
    room = display.room
    title = "\n".join([table.title, *([paragraph(table.note, display, indent="  ")] if table.note else [])])
    if room is None:
        return lettered("\n".join([title, *_lines(strips)]), display)
    left_out: list[str] = []
    while not display.details and not _fits(strips, room) and _droppable(strips):
        last = max(k for k, s in enumerate(strips) if not s.key)
        left_out.insert(0, strips[last].name)
        strips = strips[:last] + strips[last + 1 :]
    text = "\n\n".join(_stacked(title, f"{table.title}, continued", strips, room))
    if left_out:
        note = f"not shown: {', '.join(left_out)} (--details or a wider terminal shows them)"
        text += "\n" + paragraph(note, display, indent="  ")
    return lettered(text, display)


def lettered(text: str, display: Display) -> str:
    """Write u, ohm and deg in place of the letters that the output lacks."""
    return text.translate(_PLAIN) if display.ascii_only else text


def paragraph(text: str, display: Display, *, indent: str = "", hanging: str | None = None) -> str:
    """Break a sentence at the width of the terminal; away from a terminal it stays in one line.

    Parameters
    ----------
    text
        One paragraph.
    display
        What it is shown on.
    indent
        What each line begins with.
    hanging
        What the lines after the first begin with, ``indent`` unless given.
    """
    if display.room is None:
        return indent + text
    return "\n".join(_wrapped(text, display.room, first=indent, rest=indent if hanging is None else hanging))


def _wrapped(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Break a text at blanks, but not between a number and its unit."""
    kept = _QUANTITY.sub("\xa0", text)
    lines = textwrap.wrap(
        kept, width, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace("\xa0", " ") for line in lines]


def _strips(table: Table, display: Display) -> tuple[_Strip, ...]:
    """Write every column of a table."""
    strips = []
    for k, column in enumerate(table.columns):
        part = scaled_column(table, k, plain=display.width is None, ascii_only=display.ascii_only)
        unit = f"[{part.unit}]" if part.unit else ""
        words = [*column.heading.split(), *([unit] if unit else [])]
        if display.ascii_only:
            words = [w.translate(_PLAIN) for w in words]
        cells = tuple(c.translate(_PLAIN) for c in part.cells) if display.ascii_only else part.cells
        wide, longest = max((len(c) for c in cells), default=0), max((len(w) for w in words), default=0)
        plain = display.width is None
        heading: tuple[str, ...] = (" ".join(words),) if plain else _heading(words, unit, max(wide, longest))
        width = max(wide, *(len(h) for h in heading)) if heading else wide
        least = width if column.numeric else max(min(width, LEAST_WORDS), longest, _longest_word(cells))
        strips.append(
            _Strip(
                name=column.heading, heading=heading, cells=cells, numeric=column.numeric, key=column.key,
                width=width, least=min(least, width),
            )
        )  # fmt: skip
    return tuple(strips)


def _heading(words: Sequence[str], unit: str, width: int) -> tuple[str, ...]:
    """Break a heading to a width, its unit in a line of its own."""
    named = [w for w in words if w != unit]
    lines = textwrap.wrap(" ".join(named), width, break_long_words=False, break_on_hyphens=False)
    return (*lines, unit) if unit else tuple(lines)


def _longest_word(cells: Sequence[str]) -> int:
    return max((len(word) for c in cells for word in _QUANTITY.sub("\xa0", c).split(" ")), default=0)


def _total(widths: Sequence[int]) -> int:
    return _MARGIN + sum(widths) + _GAP * (len(widths) - 1)


def _fits(strips: Sequence[_Strip], room: int) -> bool:
    return _total([s.least for s in strips]) <= room


def _droppable(strips: Sequence[_Strip]) -> bool:
    """Whether a column can go and one still remains beside those that name the row."""
    return sum(not s.key for s in strips) > 1


def _narrowed(strips: Sequence[_Strip], room: int) -> tuple[_Strip, ...]:
    """Take width from the widest words until the table fits, or until no word can be broken further."""
    widths = [s.width for s in strips]
    while _total(widths) > room:
        spare = [(w, k) for k, (w, s) in enumerate(zip(widths, strips, strict=True)) if w > s.least]
        if not spare:
            break
        widths[max(spare)[1]] -= 1
    return tuple(replace(s, width=w) for s, w in zip(strips, widths, strict=True))


def _stacked(title: str, again: str, strips: tuple[_Strip, ...], room: int) -> list[str]:
    """Write a table, split into as many as it takes; ``again`` is the title of those after the first."""
    keys, others = [s for s in strips if s.key], [s for s in strips if not s.key]
    if _fits(strips, room):
        return ["\n".join([title, *_lines(_narrowed(strips, room))])]
    if not keys or not others or not _fits([*keys, max(others, key=lambda s: s.least)], room):
        return ["\n".join([title, *_listed(strips, room)])]
    groups: list[list[_Strip]] = [[]]
    for s in others:
        if groups[-1] and not _fits([*keys, *groups[-1], s], room):
            groups.append([])
        groups[-1].append(s)
    titles = [title, *([again] * (len(groups) - 1))]
    shown = [_narrowed([s for s in strips if s in keys or s in g], room) for g in groups]
    return ["\n".join([t, *_lines(g)]) for t, g in zip(titles, shown, strict=True)]


def _lines(strips: Sequence[_Strip]) -> list[str]:
    """Write heading, rule and rows."""
    tall = max((len(s.heading) for s in strips), default=0)
    head = [_line([(("",) * (tall - len(s.heading)) + s.heading)[k] for s in strips], strips) for k in range(tall)]
    rule = " " * _MARGIN + (" " * _GAP).join("-" * s.width for s in strips)
    body: list[str] = []
    for row in zip(*(s.cells for s in strips), strict=True):
        broken = [_broken(c, s) for c, s in zip(row, strips, strict=True)]
        tall = max(len(b) for b in broken)
        body += [_line([b[k] if k < len(b) else "" for b in broken], strips) for k in range(tall)]
    return [*head, rule, *body]


def _broken(cell: str, strip: _Strip) -> list[str]:
    """Break one cell to the width of its column."""
    if strip.numeric or len(cell) <= strip.width:
        return [cell]
    return _wrapped(cell, strip.width)


def _line(cells: Sequence[str], strips: Sequence[_Strip]) -> str:
    padded = [c.rjust(s.width) if s.numeric else c.ljust(s.width) for c, s in zip(cells, strips, strict=True)]
    return (" " * _MARGIN + (" " * _GAP).join(padded)).rstrip()


def _listed(strips: Sequence[_Strip], room: int) -> list[str]:
    """Write each row as a list of names and values."""
    names = [" ".join(s.heading) for s in strips]
    wide = max(len(n) for n in names)
    lines: list[str] = []
    for k in range(len(strips[0].cells)):
        lines += [""] if k else []
        for name, s in zip(names, strips, strict=True):
            lead = f"  {name.ljust(wide)}  "
            text = s.cells[k].strip()
            lines += _wrapped(text, max(room, len(lead) + LEAST_WORDS), first=lead, rest=" " * len(lead))
    return lines
