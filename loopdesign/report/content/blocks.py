"""The neutral pieces of a report: what is said, before it becomes Markdown, HTML or pages of a document."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from loopdesign.report.basics.tables import Table


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionHeading:
    """A heading; level 1 opens a chapter, 2 a section of it."""

    text: str
    level: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """One paragraph of text."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of sentences; ``title`` stands above it where there is one."""

    items: tuple[str, ...]
    title: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableBlock:
    """A table with its title as caption.

    Attributes
    ----------
    table
        Rows, columns, title and note.
    folded
        Whether a page shows it only when asked; a document prints it.
    """

    table: Table
    folded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A picture, drawn once.

    Attributes
    ----------
    name
        Name of its file without ending, where it is written as one.
    svg
        The picture as the text of an SVG file.
    caption
        What it shows and what to see in it.
    """

    name: str
    svg: str
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """Text that is shown letter by letter, such as the case file."""

    text: str
    caption: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something that must not be overlooked: a warning, a limit, a caution."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A further file beside the report; a page links to it, a document prints its text."""

    name: str
    text: str


Block: TypeAlias = SectionHeading | Paragraph | Bullets | TableBlock | Figure | Code | Note | Attachment


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """A whole report as blocks.

    Attributes
    ----------
    title
        Title of the case.
    front
        Lines of the title block: what, and its value.
    verdict
        The verdict in one sentence with what it covers.
    good
        Whether the verdict is good: stable, with every target met.
    running
        What every page of a document says at its head, and at its foot.
    blocks
        Everything else, in reading order.
    """

    title: str
    front: tuple[tuple[str, str], ...]
    verdict: str
    good: bool
    running: tuple[str, str]
    blocks: tuple[Block, ...]

    @property
    def figures(self) -> tuple[Figure, ...]:
        """Every figure, in reading order."""
        return tuple(b for b in self.blocks if isinstance(b, Figure))
