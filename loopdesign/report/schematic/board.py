"""A board to draw on: symbols between two points, wires, dots and letters, as one SVG picture."""

from __future__ import annotations

import itertools
import re
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.report.schematic.parts import DrawnPart

Point: TypeAlias = "tuple[float, float]"
FONT = "Libertinus Serif, DejaVu Sans, sans-serif"
"""Families of the letters, the first there is: that of the document, else that of the page's reader."""
LETTERS = 12.0
"""Size of the letters [point]."""
CHARACTER = 0.19
"""Width of a letter on average over a line, in the widest of the families [units of the board]."""
UNIT = 36.0
"""A unit of the board [point]."""
MARGIN = 0.3
"""From the outermost letters to the edge of the picture [units of the board]."""
LINE_HEIGHT = 0.41
"""Distance of two lines of letters [units of the board]."""
INK = "#1a1a1a"
UPRIGHT = 0.5
BESIDE = {
    "source": 0.76,
    "sink": 0.76,
    "inductor": 0.5,
    "resistor": 0.45,
    "switch": 0.5,
    "rectifier switch": 0.5,
    "led": -1.1,
}
"""Distance of the letters from a symbol that stands upright, and from some kinds [units of the board]."""
_FAMILY = re.compile(r'font-family="[^"]*"')
_EXTENT = re.compile(r'width="([-\d.]+)pt" viewBox="([-\d.]+) ([-\d.]+) ([-\d.]+) ([-\d.]+)"')


class DrawingBoard:
    """A drawing in the making; a unit is half an inch.

    Symbols come from schemdraw, which knows resistors, inductors and amplifiers; where each stands is decided here.
    """

    def __init__(self) -> None:
        import schemdraw  # noqa: PLC0415  (only where a schematic is drawn)

        self._drawing = schemdraw.Drawing(canvas="svg", show=False)
        self._drawing.config(fontsize=LETTERS, lw=1.1, color=INK)
        self._ends = (0.0, 0.0)  # leftmost and rightmost letter

    def part(self, part: DrawnPart, start: Point, end: Point) -> None:
        """Draw a symbol from one point to another, its letters above it or beside it.

        Parameters
        ----------
        part
            What to draw.
        start, end
            Where its nodes ``a`` and ``b`` are; on one horizontal or vertical line.
        """
        self._drawing.add(self._symbol(part.kind).endpoints(start, end))
        (x0, y0), (x1, y1) = start, end
        flat = abs(y1 - y0) < abs(x1 - x0)
        if part.dotted:
            along = (x0 + 0.24 * (x1 - x0), y0 + 0.24 * (y1 - y0))
            self.dot((along[0], y0 + 0.28) if flat else (x0 - 0.4, along[1]))
        if flat:
            self.letters(part.lines, ((x0 + x1) / 2.0, y0 + (0.76 if part.kind == "inductor" else 0.62)), above=True)
        else:
            begins = part.kind == "source"  # a drawing begins with it: there is room to its left
            beside = BESIDE.get(part.kind, UPRIGHT)
            self.letters(part.lines, (x0 - beside if begins else x0 + beside, (y0 + y1) / 2.0), right=begins)

    def _symbol(self, kind: str) -> Any:  # noqa: ANN401  (the library has no types)
        from schemdraw import elements as elm  # noqa: PLC0415

        return {
            "resistor": elm.ResistorIEC, "inductor": elm.Inductor2, "capacitor": elm.Capacitor, "switch": elm.Switch,
            "diode": elm.Diode, "rectifier switch": elm.Switch, "source": elm.SourceV, "sink": elm.SourceI,
            "led": elm.LED,
        }[kind]()  # fmt: skip

    def wire(self, *points: Point) -> None:
        """Draw straight lines from point to point."""
        from schemdraw import elements as elm  # noqa: PLC0415

        for start, end in itertools.pairwise(points):
            if start != end:
                self._drawing.add(elm.Line().endpoints(start, end))

    def dot(self, at: Point) -> None:
        """Mark a junction, or the like end of a winding."""
        from schemdraw import elements as elm  # noqa: PLC0415

        self._drawing.add(elm.Dot(radius=0.06).at(at))

    def terminal(self, at: Point) -> None:
        """Mark where something else is joined."""
        from schemdraw import elements as elm  # noqa: PLC0415

        self._drawing.add(elm.Dot(radius=0.08, open=True).at(at))

    def ground(self, at: Point) -> None:
        """Draw the ground symbol."""
        from schemdraw import elements as elm  # noqa: PLC0415

        self._drawing.add(elm.Ground().at(at))

    def amplifier(self, at: Point, *, size: float = 1.6) -> None:
        """Draw a triangle that points to the right; ``at`` is the middle of its left side."""
        x, y = at
        self.wire((x, y - size / 2.0), (x, y + size / 2.0), (x + size, y), (x, y - size / 2.0))

    def box(self, lower_left: Point, upper_right: Point, lines: Sequence[str]) -> None:
        """Draw a box with letters in it."""
        (x0, y0), (x1, y1) = lower_left, upper_right
        self.wire((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0))
        self.letters(lines, ((x0 + x1) / 2.0, (y0 + y1) / 2.0), centred=True)

    def letters(
        self, lines: Sequence[str], at: Point, *, above: bool = False, centred: bool = False, right: bool = False
    ) -> None:
        """Write lines below one another.

        Parameters
        ----------
        lines
            What to write, one line each; empty ones are left out.
        at
            The middle of their left edge; with ``above`` the middle below the last; with ``centred`` their centre; with
            ``right`` the middle of their right edge.
        above, centred, right
            How they stand to that point.
        """
        from schemdraw import elements as elm  # noqa: PLC0415

        shown = [line for line in lines if line]
        x, y = at
        top = y + (len(shown) - 1) * LINE_HEIGHT if above else y + (len(shown) - 1) * LINE_HEIGHT / 2.0
        side: Literal["center", "right", "left"] = "center" if above or centred else "right" if right else "left"
        for k, line in enumerate(shown):
            wide = letters_width(line)
            begin = x - wide * {"left": 0.0, "center": 0.5, "right": 1.0}[side]
            self._ends = min(self._ends[0], begin), max(self._ends[1], begin + wide)
            text = elm.Label().at((x, top - k * LINE_HEIGHT))
            self._drawing.add(text.label(line, loc="center", halign=side, valign="center", ofst=(0, 0)))

    def svg(self) -> str:
        """Return the drawing as the text of an SVG file, wide enough for its letters in every family."""
        text = self._drawing.get_imagedata("svg").decode()
        text = _FAMILY.sub(f'font-family="{FONT}"', text)
        return _EXTENT.sub(self._widened, text[text.index("<svg") :], count=1)

    def _widened(self, found: re.Match[str]) -> str:
        """Extend the width of a picture to the ends of its letters."""
        _, left, top, width, height = (float(v) for v in found.groups())
        begin = min(left, (self._ends[0] - MARGIN) * UNIT)
        wide = max(left + width, (self._ends[1] + MARGIN) * UNIT) - begin
        return f'width="{wide:.6g}pt" viewBox="{begin:.6g} {top:.6g} {wide:.6g} {height:.6g}"'


def letters_width(line: str) -> float:
    """Estimate the width of a line of letters.

    Parameters
    ----------
    line
        The letters.

    Returns
    -------
    float
        Width, rather too large [units of the board].
    """
    return CHARACTER * len(line)
