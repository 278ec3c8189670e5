"""A report as a PDF document, set by typst. The text of the case goes there as data: it shows as it was written.

The page description `document.typ` is fixed; everything that changes from report to report is one JSON object that it
reads, and pictures beside it. What a title or a note holds is therefore never read as markup. Fonts are those that come
with the binding, nothing is fetched, and the same content gives the same bytes.
"""

from __future__ import annotations

import json
import re
from itertools import count
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from loopdesign.printable import printable, printable_lines
from loopdesign.report.basics.tables import without_empty
from loopdesign.report.content.blocks import (
    Attachment,
    Bullets,
    Code,
    Figure,
    Note,
    Paragraph,
    SectionHeading,
    TableBlock,
)
from loopdesign.report.content.cells import lettered_cells
from loopdesign.report.setting import set_document

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.report.basics.tables import Table
    from loopdesign.report.content.blocks import Block, Content

TEMPLATE = Path(__file__).with_name("document.typ")
LONGEST_WORD = 24
"""Letters from which on a word may be broken without a hyphen, for a narrow column [characters]."""
LONGEST_PIECE = 16
_JOINTS = re.compile(r"(?<=[._/\[\]])")
_WITH_UNIT = re.compile(
    r"(?<=\d) (?=(?:[kMGmµnp]?(?:Ω|F|H|V|A|Hz|s|W|J)|dB|degC?|ohm|%|ppm)(?:\W|$))"  # a number and its unit
    r"|(?<=\b[RCL]\d) (?=\d)"  # a part and its value
)


def to_typst(content: Content) -> str:
    """Write a report as the data that the page description reads.

    Parameters
    ----------
    content
        The report.

    Returns
    -------
    str
        JSON: title, front, verdict and blocks, each with its ``kind``; a figure with the file of its picture.
    """
    places = count()
    told = {
        "title": _line(content.title),
        "front": [[_line(what), _line(value)] for what, value in content.front],
        "verdict": _line(content.verdict),
        "good": content.good,
        "short": _line(content.running[0]),
        "foot": _line(content.running[1]),
        "blocks": [_block(block, places) for block in content.blocks],
    }
    return json.dumps(told, ensure_ascii=False)


def document_files(content: Content, *, preview: bool = False) -> dict[str, bytes]:
    """Write a report as the files that the document is set from.

    Parameters
    ----------
    content
        The report.
    preview
        Whether pictures that are still to be drawn are left empty, of their size.

    Returns
    -------
    dict of str to bytes
        Contents by name, as `loopdesign.report.setting.set_document` takes them.
    """
    pictures = {
        _file_of(k): (figure.preview if preview else figure.svg).encode() for k, figure in enumerate(content.figures)
    }
    return {"main.typ": TEMPLATE.read_bytes(), "report.json": to_typst(content).encode(), **pictures}


def to_pdf(content: Content) -> bytes:
    """Set a report as a PDF document.

    Parameters
    ----------
    content
        The report.

    Returns
    -------
    bytes
        The file; the same for the same content. The one date in it is that of the title block.
    """
    return set_document(document_files(content))


def _file_of(place: int) -> str:
    """Name the file of a picture by its place among the figures."""
    return f"picture-{place}.svg"


def _line(text: str) -> str:
    """Make one line of text safe to show; long words may be broken anywhere, numbers stay with their units."""
    words = printable(" ".join(text.split())).split(" ")
    told = " ".join(w if len(w) <= LONGEST_WORD else "\u200b".join(_pieces(w)) for w in words)
    return _WITH_UNIT.sub("\u00a0", told)


def _pieces(word: str) -> list[str]:
    """Part a long word behind its points and strokes, and a piece that has none every dozen letters."""
    parts = [p for p in _JOINTS.split(word) if p]
    return [p[k : k + LONGEST_PIECE] for p in parts for k in range(0, len(p), LONGEST_PIECE)]


def _block(block: Block, places: Iterator[int]) -> dict[str, Any]:  # noqa: PLR0911  (one way out for each kind of block)
    match block:
        case SectionHeading():
            return {"kind": "heading", "level": block.level, "text": _line(block.text)}
        case Paragraph():
            return {"kind": "paragraph", "text": _line(block.text)}
        case Bullets():
            return {"kind": "bullets", "title": _line(block.title), "items": [_line(x) for x in block.items]}
        case Note():
            return {"kind": "note", "title": _line(block.title), "items": [_line(x) for x in block.items]}
        case TableBlock():
            return _table(block)
        case Figure():
            return {"kind": "figure", "picture": _file_of(next(places)), "caption": _line(block.caption)}
        case Code():
            return _code(block.caption, block.text)
        case Attachment():
            return _code(block.name, block.text)


def _code(caption: str, text: str) -> dict[str, Any]:
    return {"kind": "code", "caption": _line(caption), "text": printable_lines(text).rstrip("\n")}


def _table(block: TableBlock) -> dict[str, Any]:
    table = without_empty(block.table)
    headings, rows = lettered_cells(table)
    return {
        "kind": "table",
        "title": _line(table.title),
        "note": _line(table.note),
        "numeric": [c.numeric for c in table.columns],
        "widths": _widths(table, headings, rows),
        "head": _heads(table, headings, rows),
        "rows": [[_cell(text) for text in row] for row in rows],
    }


def _cell(text: str) -> str:
    """Keep the blanks of a figure's width, which a line of text would lose."""
    return text if "\u2007" in text or "\u2008" in text else _line(text)


def _heads(table: Table, headings: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> list[str]:
    """Write the headings; those of numbers are broken between words where the table would be wider than a page."""
    widest = [max(len(h), max((len(row[k]) for row in rows), default=0)) for k, h in enumerate(headings)]
    wanted = sum(w if c.numeric else min(w, SHORT_KEY) for c, w in zip(table.columns, widest, strict=True))
    if wanted <= PAGE:
        return [_line(h) for h in headings]
    return [
        "\n".join(_line(x) for x in wrap(h, max(*(len(w) for w in h.split()), *(len(r[k]) for r in rows), LEAST)))
        if column.numeric
        else _line(h)
        for k, (column, h) in enumerate(zip(table.columns, headings, strict=True))
    ]


def _widths(table: Table, headings: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> list[float]:
    """Say how wide each column wants to be: 0 as wide as its content, else its share of the width that is left."""
    shares = []
    for k, (column, heading) in enumerate(zip(table.columns, headings, strict=True)):
        longest = max((len(row[k]) for row in rows), default=0)
        whole = column.numeric or longest <= (SHORT_KEY if column.key else SHORT)
        shares.append(0.0 if whole else float(min(max(longest, len(heading)), 90)) ** 0.7)
    return shares


PAGE = 100
"""Letters of a table side by side on one page, about [characters]."""
LEAST = 12
"""Letters to which a broken heading is at least filled [characters]."""
SHORT, SHORT_KEY = 18, 36
"""Longest words of a column that is never broken over lines, and of one that says which row it is [characters]."""
