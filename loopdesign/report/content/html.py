"""A report as a fragment of HTML: semantic, every word escaped, pictures inline with names of their own."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING

from loopdesign.printable import printable, printable_lines
from loopdesign.report.basics.status import ALARMS
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
from loopdesign.report.content.pictures import with_own_names

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.report.basics.tables import Table
    from loopdesign.report.content.blocks import Block, Content

_WORD = re.compile(r"[^a-z0-9]+")
WHOLE = 20
"""Most letters of a member of a list that is kept on one line."""


def to_html(content: Content) -> str:
    """Write a report as a fragment of HTML.

    Parameters
    ----------
    content
        The report.

    Returns
    -------
    str
        One ``article`` with a ``header``; each chapter is a ``section`` whose name is `anchors` of its heading. No
        style, no script, nothing from elsewhere.
    """
    front = "".join(f"<dt>{_safe(what)}</dt><dd>{_safe(value)}</dd>" for what, value in content.front)
    word = "good" if content.good else "bad"
    head = (
        f'<header><h1>{_safe(content.title)}</h1><p class="verdict {word}"><strong>{_safe(content.verdict)}</strong>'
        f"</p><dl>{front}</dl></header>"
    )
    names = iter(anchors(content))
    pieces, open_chapter = [head], False
    for block in content.blocks:
        if isinstance(block, SectionHeading):
            name = next(names)
            if block.level == 1:
                pieces.append(("</section>" if open_chapter else "") + f'<section aria-labelledby="{name}">')
                open_chapter = True
            pieces.append(f'<h{block.level + 1} id="{name}">{_safe(block.text)}</h{block.level + 1}>')
        else:
            pieces.append(block_html(block))
    pieces.append("</section>" if open_chapter else "")
    return f'<article class="report">{"".join(pieces)}</article>'


def anchors(content: Content) -> tuple[str, ...]:
    """Name every heading of a report, in reading order.

    Parameters
    ----------
    content
        The report.

    Returns
    -------
    tuple of str
        Values of ``id``, each different, such as ``verdict-and-margins``.
    """
    names: list[str] = []
    for block in content.blocks:
        if isinstance(block, SectionHeading):
            word = _WORD.sub("-", block.text.lower()).strip("-") or "section"
            used = sum(name == word or name.startswith(f"{word}--") for name in names)
            names.append(f"{word}--{used + 1}" if used else word)
    return tuple(names)


def block_html(block: Block) -> str:  # noqa: PLR0911  (one way out for each kind of block)
    """Write one block as HTML.

    Parameters
    ----------
    block
        Anything a report holds.

    Returns
    -------
    str
        One element.
    """
    match block:
        case SectionHeading():
            return f"<h{block.level + 1}>{_safe(block.text)}</h{block.level + 1}>"
        case Paragraph():
            return f"<p>{_safe(block.text)}</p>"
        case Bullets():
            return (f"<p>{_safe(block.title)}</p>" if block.title else "") + _list(block.items)
        case Note():
            return f'<aside class="note"><p><strong>{_safe(block.title)}</strong></p>{_list(block.items)}</aside>'
        case TableBlock():
            return _table(block)
        case Figure():
            return _figure(block)
        case Code():
            caption = f"<figcaption>{_safe(block.caption)}</figcaption>" if block.caption else ""
            return f"<figure>{caption}<pre><code>{escape(printable_lines(block.text))}</code></pre></figure>"
        case Attachment():
            return f'<p>Beside this page: <a href="{escape(block.name)}">{_safe(block.name)}</a></p>'


def _safe(text: str) -> str:
    """Escape the signs of HTML and make the rest safe to show."""
    return escape(printable(" ".join(text.split())))


def _list(items: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{_safe(item)}</li>" for item in items) + "</ul>"


def _table(block: TableBlock) -> str:
    table = without_empty(block.table)
    shown = f'<div class="table"><table>{_inside(table)}</table></div>'
    note = f'<p class="table-note">{_safe(table.note)}</p>' if table.note else ""
    if block.folded:
        return f"<details><summary>{_safe(table.title)}</summary>{shown}{note}</details>"
    return shown + note


def _inside(table: Table) -> str:
    """Write caption, head and rows; the columns that say which row it is are heads of their rows."""
    heads, rows = lettered_cells(table)
    numeric = [c.numeric for c in table.columns]
    marks = [' class="number"' if n else "" for n in numeric]
    head = "".join(f'<th scope="col"{m}>{_safe(h)}</th>' for h, m in zip(heads, marks, strict=True))
    first = 0 if len(table.columns) > 1 else None
    body = "".join(
        "<tr>" + "".join(_cell(text, marks[k], head=k == first) for k, text in enumerate(row)) + "</tr>" for row in rows
    )
    return f"<caption>{_safe(table.title)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody>"


def _cell(text: str, mark: str, *, head: bool) -> str:
    shown = _safe(text)
    if not mark and ", " in shown:  # a list breaks between its members, never within a short one
        shown = ", ".join(f'<span class="whole">{m}</span>' if len(m) <= WHOLE else m for m in shown.split(", "))
    if text.startswith(ALARMS):
        shown = f"<strong>{shown}</strong>"
    return f'<th scope="row"{mark}>{shown}</th>' if head else f"<td{mark}>{shown}</td>"


def _figure(block: Figure) -> str:
    """Set the picture into the page; its text alternative is the caption below it."""
    name = f"figure-{block.name.replace('_', '-')}"
    svg = with_own_names(block.svg, name)
    svg = svg.replace("<svg ", f'<svg role="img" aria-labelledby="{name}-caption" ', 1)
    return f'<figure id="{name}">{svg}<figcaption id="{name}-caption">{_safe(block.caption)}</figcaption></figure>'
