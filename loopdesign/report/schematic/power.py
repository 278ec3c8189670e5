"""Filters and power stage, drawn as a ladder: the path from source to load on top, what leads to ground below it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from loopdesign.network.topologies.base import SUPPLY
from loopdesign.report.basics.exact import exact_text
from loopdesign.report.schematic.board import BESIDE, LINE_HEIGHT, UPRIGHT, DrawingBoard, letters_width
from loopdesign.report.schematic.parts import GROUND, DrawnPart, PathSection, sections

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.report.schematic.board import Point

DEPTH = 3.0
"""Distance from the path to ground [units of the board]."""
STEP = 2.5
"""Width of one symbol in the path [units of the board]."""
BESIDE_GROUND, AFTER_GROUND = 2.75, 1.5
"""From one symbol that leads to ground to the next, and to the next symbol in the path."""
GAP = 0.5
"""From the end of letters to the middle of what stands next [units of the board]."""
PRIMARY, CLAMPED = -DEPTH * 0.62, -DEPTH * 0.85
"""Height of the switch under a primary winding, and where a clamp hangs beside it [units of the board]."""
LIFT = 2.0
"""Distance of two symbols in parallel, one above the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """A section sorted for drawing.

    Attributes
    ----------
    nodes
        The path, from the first node to the last.
    between
        Chains of parts from each node of the path to the next, several where they lie in parallel.
    down
        Chains of parts from each node of the path to ground.
    """

    nodes: tuple[str, ...]
    between: tuple[tuple[tuple[DrawnPart, ...], ...], ...]
    down: dict[str, tuple[tuple[DrawnPart, ...], ...]] = field(default_factory=dict)


def ladder(section: PathSection) -> Ladder:
    """Sort a section: which parts lie in the path, which in parallel, and which lead to ground.

    Parameters
    ----------
    section
        Parts and the nodes they join.

    Returns
    -------
    Ladder
        Every part once; a part that conducts against the path is kept as it is.
    """
    chains = _chains(section)
    nodes = _path(section.first, section.last, chains)
    pairs = list(itertools.pairwise(nodes))
    between = tuple(
        tuple(sorted((c for c in chains if {_ends(c)[0], _ends(c)[1]} == set(pair)), key=len)) for pair in pairs
    )
    down = {n: tuple(c for c in chains if set(_ends(c)) == {n, GROUND}) for n in nodes}
    return Ladder(nodes=nodes, between=between, down=down)


def _ends(chain: tuple[DrawnPart, ...]) -> tuple[str, str]:
    return (chain[0].a, chain[-1].b)


def _chains(section: PathSection) -> list[tuple[DrawnPart, ...]]:
    """Join parts in series whose common node has nothing else: a resistor and the capacitor of one damper."""
    parts = list(section.parts)
    chains: list[tuple[DrawnPart, ...]] = []
    while parts:
        first = parts.pop(0)
        following = [p for p in parts if p.a == first.b]
        others = [p for p in section.parts if first.b in {p.a, p.b} and p is not first]
        inner = first.b not in {GROUND, section.first, section.last} and len(others) == 1
        if inner and following and first.kind == "resistor":
            parts.remove(following[0])
            chains.append((first, following[0]))
        else:
            chains.append((first,))
    return chains


def _path(first: str, last: str, chains: list[tuple[DrawnPart, ...]]) -> tuple[str, ...]:
    """Find the way from the first node to the last one, ground left out."""
    trails: list[tuple[str, ...]] = [(first,)]
    while trails:
        trail = trails.pop(0)
        if trail[-1] == last:
            return trail
        for chain in chains:
            a, b = _ends(chain)
            for here, there in ((a, b), (b, a)):
                if here == trail[-1] and there not in (*trail, GROUND):
                    trails.append((*trail, there))
    return (first, last)


def section_titles(case: cases.Case) -> tuple[str, ...]:
    """Name every section between source and load.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    tuple of str
        From the source to the load.
    """
    return tuple(s.title for s in sections(case))


def section_picture(case: cases.Case, place: int) -> str:
    """Draw one of the sections between source and load.

    Parameters
    ----------
    case
        The case.
    place
        Which of `section_titles`, counted from zero.

    Returns
    -------
    str
        SVG.
    """
    every = sections(case)
    return _drawn(case, every[place], begins=place == 0, ends=place == len(every) - 1)


def _drawn(case: cases.Case, section: PathSection, *, begins: bool, ends: bool) -> str:
    board = DrawingBoard()
    if section.transformer is not None:
        x = _with_transformer(case, board, section, begins=begins)
    else:
        told = "from the input filter" if section.first == SUPPLY else "from the converter"
        x = _source(case, board) if begins else _terminals(board, told)
        x = _draw_ladder(board, ladder(section), x)
    if ends:
        _load(case, board, x)
    else:
        board.terminal((x, 0.0))
        told = "to the converter" if section.first == "line" else "to the output filter"
        board.letters((told,), (x + 0.25, 0.0))
    for k, note in enumerate(section.notes):
        depth = DEPTH * (1.22 if section.transformer is not None else 1.0)
        board.letters((note,), (0.0, -depth - 1.2 - k * 1.3 * LINE_HEIGHT))
    return board.svg()


def _terminals(board: DrawingBoard, text: str) -> float:
    board.terminal((0.0, 0.0))
    board.letters((text,), (-0.25, 0.0), right=True)
    return 0.0


def _source(case: cases.Case, board: DrawingBoard) -> float:
    """Draw the source with its levels."""
    levels = case.specification.input_voltage.values
    text = exact_text(levels[0], "V") if len(levels) == 1 else _span(min(levels), max(levels), "V")
    _vertical(board, "source", ("input", text), 0.0)
    return 0.0


def _span(low: float, high: float, unit: str) -> str:
    return f"{exact_text(low, unit)} to {exact_text(high, unit)}" if low != high else exact_text(low, unit)


def _vertical(board: DrawingBoard, kind: str, lines: tuple[str, ...], x: float, top: float = 0.0) -> None:
    """Draw a symbol from the path to ground."""
    part = DrawnPart(kind=kind, a="", b="", lines=lines)  # type: ignore[arg-type]
    start, end = ((x, top - DEPTH), (x, top)) if kind == "source" else ((x, top), (x, top - DEPTH))
    board.part(part, start, end)
    board.ground((x, top - DEPTH))


def _draw_ladder(board: DrawingBoard, sorted_: Ladder, x: float, top: float = 0.0) -> float:
    """Draw the path from left to right, at each node what leads to ground; return where it ends."""
    for k, node in enumerate(sorted_.nodes):
        last = k == len(sorted_.nodes) - 1
        for number, chain in enumerate(sorted_.down[node], 1):
            _down(board, chain, x, top)
            more = number < len(sorted_.down[node]) or last
            width = _beside(chain) if more else AFTER_GROUND
            board.wire((x, top), (x + width, top))
            x += width
        if k < len(sorted_.between):
            x = _across(board, sorted_.between[k], node, x, top)
    return x


def _beside(chain: tuple[DrawnPart, ...]) -> float:
    """Distance to the next symbol that leads to ground: room for the letters of these."""
    return max(
        BESIDE_GROUND,
        *(BESIDE.get(p.kind, UPRIGHT) + letters_width(line) + GAP for p in chain for line in p.lines if line),
    )


def _down(board: DrawingBoard, chain: tuple[DrawnPart, ...], x: float, top: float) -> None:
    board.dot((x, top))
    ordered = chain if chain[0].a != GROUND else tuple(reversed(chain))
    height = DEPTH / len(ordered)
    for k, part in enumerate(ordered):
        upper, lower = (x, top - k * height), (x, top - (k + 1) * height)
        start, end = (upper, lower) if chain[0].a != GROUND else (lower, upper)
        board.part(part, start, end)
    board.ground((x, top - DEPTH))


def _across(board: DrawingBoard, branches: tuple[tuple[DrawnPart, ...], ...], node: str, x: float, top: float) -> float:
    """Draw the branches from one node of the path to the next, one above the other."""
    width = STEP * max(1.0, max(map(len, branches), default=1) * 0.9)
    for level, chain in enumerate(branches):
        y = top + level * LIFT
        ordered = chain if _ends(chain)[0] == node else tuple(reversed(chain))
        part_width = width / len(ordered)
        for k, part in enumerate(ordered):
            left, right = (x + k * part_width, y), (x + (k + 1) * part_width, y)
            start, end = (left, right) if _ends(chain)[0] == node else (right, left)
            board.part(part, start, end)
        if level:
            for side in (x, x + width):
                board.wire((side, top), (side, y))
                board.dot((side, top))
    return x + width


def _load(case: cases.Case, board: DrawingBoard, x: float) -> None:
    """Draw the load, with the sense resistor below it where a current is regulated."""
    s = case.specification
    lines = ["load", _span(s.output_current.lowest, s.output_current.highest, "A")]
    lines.append(f"{exact_text(s.output_voltage, 'V')}, {s.load}" if s.regulate == "voltage" else s.load)
    if s.voltage_load is not None:
        lines.append(f"{exact_text(s.voltage_load.drop, 'V')} + {exact_text(s.voltage_load.resistance, 'ohm')}")
    kind = "resistor" if s.load in {"resistive", "voltage"} else "sink"
    board.wire((x, 0.0), (x + 0.5, 0.0))
    board.terminal((x, 0.0))
    board.letters(("output",), (x, 0.3), above=True)
    sense = case.current_sense
    if sense is None:
        _vertical(board, kind, tuple(lines), x + 0.5)
        return
    middle = -DEPTH * 0.55
    load = DrawnPart(kind=kind, a="", b="", lines=tuple(lines))  # type: ignore[arg-type]
    board.part(load, (x + 0.5, 0.0), (x + 0.5, middle))
    name = ("sense resistor", exact_text(sense.resistance, "ohm"))
    resistor = DrawnPart(kind="resistor", a="", b="", lines=name)
    board.part(resistor, (x + 0.5, middle), (x + 0.5, -DEPTH))
    board.dot((x + 0.5, middle))
    board.ground((x + 0.5, -DEPTH))


def _with_transformer(case: cases.Case, board: DrawingBoard, section: PathSection, *, begins: bool) -> float:
    """Draw a stage around a transformer: primary and switch to the left, secondary and rectifier to the right."""
    t = section.transformer
    if t is None:
        return 0.0
    x = _source(case, board) if begins else _terminals(board, "from the input filter")
    named = {p.lines[0]: p for p in section.parts}
    clamp = [named[name] for name in ("Cc", "Rc", "Dc") if name in named]
    across = x
    if clamp:  # from the supply down to the level of the switch
        across = _clamp(board, clamp, x)
        x = across
    series, leakage = named.get("Rpri"), named.get("leakage")
    width = STEP if series is not None and series.kind == "resistor" else 1.0
    if series is not None and series.kind == "resistor":
        board.part(series, (x, 0.0), (x + width, 0.0))
    else:
        board.wire((x, 0.0), (x + width, 0.0))
    x += width
    if leakage is not None:
        board.part(leakage, (x, 0.0), (x + STEP, 0.0))
        x += STEP
    magnetising, switch, bottom = named["L1"], named["switch"], CLAMPED if clamp else PRIMARY
    if clamp:
        board.part(clamp[-1], (x, bottom), (across + 1.0, bottom))
        board.wire((across, bottom), (across + 1.0, bottom))
    board.part(magnetising, (x, 0.0), (x, bottom))
    board.dot((x, 0.0))
    primary, secondary = x + STEP + 0.8, x + STEP + 2.1
    board.wire((x, 0.0), (primary, 0.0))
    board.wire((x, bottom), (primary, bottom))
    _winding(board, (primary, 0.0), (primary, bottom), dot_above=True)
    board.wire((primary + 0.58, -0.15), (primary + 0.58, bottom + 0.15))
    board.wire((primary + 0.72, -0.15), (primary + 0.72, bottom + 0.15))
    _winding(board, (secondary, 0.0), (secondary, bottom), dot_above=False)
    board.letters(("T1", f"1 : {getattr(case.stage, 'turns', 1.0):g}"), (primary + 0.65, 0.3), above=True)
    below = bottom - DEPTH * (0.45 if clamp else 0.6)
    board.part(switch, (x, bottom), (x, below))
    board.dot((x, bottom))
    board.ground((x, below))
    board.ground((secondary, bottom))
    rest = PathSection(
        title=section.title, first=t.d, last=section.last,
        parts=tuple(p for p in section.parts if p not in {series, leakage, magnetising, switch, *clamp}),
    )  # fmt: skip
    return _draw_ladder(board, ladder(rest), secondary)


def _clamp(board: DrawingBoard, clamp: list[DrawnPart], x: float) -> float:
    """Draw capacitor and resistor of a clamp side by side, below the supply; return where its diode ends."""
    first, second = x + 1.2 * BESIDE_GROUND, x + 2.3 * BESIDE_GROUND
    board.wire((x, 0.0), (second, 0.0))
    board.wire((first, CLAMPED), (second, CLAMPED))
    for part, place in zip(clamp, (first, second), strict=False):
        board.part(part, (place, CLAMPED), (place, 0.0))
        board.dot((place, 0.0))
    board.dot((second, CLAMPED))
    return second


def _winding(board: DrawingBoard, start: Point, end: Point, *, dot_above: bool) -> None:
    """Draw one winding with the dot of its like end."""
    board.part(DrawnPart(kind="inductor", a="", b="", lines=()), start, end)
    board.dot((start[0] + (0.25 if dot_above else -0.25), start[1] - 0.2 if dot_above else end[1] + 0.2))
