"""The neutral pieces of a report: what is said, before it becomes Markdown, HTML or pages of a document."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from loopdesign.report.basics.tables import Table

USUAL_SIZE = (518.4, 360.0)
"""Size of a picture of which none is known before it is drawn [point]."""


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
    """A picture, drawn already or still to be drawn.

    Attributes
    ----------
    name
        Name of its file without ending, where it is written as one.
    caption
        What it shows and what to see in it.
    picture
        The text of an SVG file, or what returns it when called.
    size
        Width and height of a picture that is still to be drawn [point]; about, where only drawing can tell.
    """

    name: str
    caption: str
    picture: str | Callable[[], str]
    size: tuple[float, float] = USUAL_SIZE

    @property
    def svg(self) -> str:
        """The picture as the text of an SVG file; what is not drawn yet is drawn each time."""
        return self.picture if isinstance(self.picture, str) else self.picture()

    @property
    def preview(self) -> str:
        """The picture, or an empty one of its size where it is still to be drawn."""
        if isinstance(self.picture, str):
            return self.picture
        wide, high = self.size
        size = f'width="{wide:g}pt" height="{high:g}pt" viewBox="0 0 {wide:g} {high:g}"'
        return f'<svg xmlns="http://www.w3.org/2000/svg" {size}></svg>\n'


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

    def with_pictures(self, pictures: Mapping[str, str]) -> Content:
        """Return the same report with pictures in their places.

        Parameters
        ----------
        pictures
            Texts of SVG files by the names of their figures; the others stay as they are.

        Returns
        -------
        Content
            The report.
        """
        return replace(
            self,
            blocks=tuple(
                replace(b, picture=pictures[b.name]) if isinstance(b, Figure) and b.name in pictures else b
                for b in self.blocks
            ),
        )
