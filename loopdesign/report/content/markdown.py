"""A report as Markdown. Text from the case file is neutralised: it shows as it was written and can do nothing."""

from __future__ import annotations

import re
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

if TYPE_CHECKING:
    from collections.abc import Collection

    from loopdesign.report.basics.tables import Table
    from loopdesign.report.content.blocks import Block, Content

_ACTIVE = re.compile(r"([\\`*_\[\]|~$^{}#])")
_LINE_START = re.compile(r"^(\d*)(?=[-+=.)])([-+=.)])(?=[-=\s]|$)")
_FENCES = re.compile(r"`{3,}")


def neutral(text: str) -> str:
    """Make one line of text inert in Markdown: no markup, no HTML, no link, no list, no control character.

    Parameters
    ----------
    text
        Any text; line breaks become blanks, other control characters escapes.

    Returns
    -------
    str
        Markdown that shows the text as it was written.
    """
    line = printable(" ".join(text.split()))
    line = _ACTIVE.sub(r"\\\1", line).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    line = line.replace("://", "\\://").replace("www.", "www\\.").replace("@", "\\@")
    return _LINE_START.sub(r"\1\\\2", line)


def markdown_table(table: Table) -> str:
    """Write a table in Markdown, numbers to the right, cells that begin with a word of alarm bold."""
    head = " | ".join(neutral(c.heading) for c in table.columns)
    rule = " | ".join("---:" if c.numeric else ":---" for c in table.columns)
    rows = [" | ".join(map(_cell, row)) for row in table.cells()]
    return "\n".join(f"| {line} |" for line in (head, rule, *rows))


def _cell(text: str) -> str:
    shown = "-" if text == "-" else neutral(text)
    return f"**{shown}**" if text.startswith(ALARMS) else shown


def to_markdown(content: Content, *, pictures: Collection[str] = ()) -> str:
    """Write a report as Markdown.

    Parameters
    ----------
    content
        The report.
    pictures
        Endings of the picture files that lie beside the page, ``png`` or ``svg``; without any, figures are left out.

    Returns
    -------
    str
        Markdown, title and verdict first.
    """
    front = [f"| {neutral(what)} | {neutral(value)} |" for what, value in content.front]
    head = ["|  |  |", "| :--- | :--- |"] if front else []
    pieces = [f"# {neutral(content.title)}", f"**{neutral(content.verdict)}**", "\n".join([*head, *front])]
    pieces += [_block(block, pictures) for block in content.blocks]
    return "\n\n".join(p for p in pieces if p) + "\n"


def _block(block: Block, pictures: Collection[str]) -> str:  # noqa: PLR0911  (one way out for each kind of block)
    match block:
        case SectionHeading():
            return f"{'#' * (block.level + 1)} {neutral(block.text)}"
        case Paragraph():
            return neutral(block.text)
        case Bullets():
            return _bullets(block.title, block.items)
        case Note():
            return _bullets(f"{block.title}:", block.items)
        case TableBlock():
            return _table(block)
        case Figure():
            return _figure(block, pictures)
        case Code():
            return _code(block)
        case Attachment():
            return f"Beside this page: [{block.name}]({block.name})."


def _bullets(title: str, items: tuple[str, ...]) -> str:
    listed = "\n".join(f"- {neutral(item)}" for item in items)
    return f"{neutral(title)}\n\n{listed}" if title else listed


def _table(block: TableBlock) -> str:
    table = without_empty(block.table)
    note = f"\n\n{neutral(table.note)}" if table.note else ""
    title = neutral(table.title)
    if block.folded:
        return f"<details><summary>{title}</summary>\n\n{markdown_table(table)}{note}\n\n</details>"
    return f"**{title}**\n\n{markdown_table(table)}{note}"


def _figure(block: Figure, pictures: Collection[str]) -> str:
    """Link to the picture's files; nothing where there are none."""
    if not pictures:
        return ""
    shown = "png" if "png" in pictures else "svg"
    caption = neutral(block.caption)
    others = "".join(f" [{block.name}.{e}]({block.name}.{e})" for e in sorted(pictures) if e != shown)
    return f"![{caption}]({block.name}.{shown})\n\n{caption}{others}"


def _code(block: Code) -> str:
    """Fence text with more backticks than it holds in a row."""
    text = printable_lines(block.text).rstrip("\n")
    fence = "`" * max(3, *(len(m) + 1 for m in _FENCES.findall(text)), 3)
    caption = f"{neutral(block.caption)}\n\n" if block.caption else ""
    return f"{caption}{fence}toml\n{text}\n{fence}"
