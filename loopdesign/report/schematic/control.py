"""What closes the loop: divider or sense resistor, error amplifier with its network, modulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign import case as cases
from loopdesign.corners.converters import divider
from loopdesign.report.basics.exact import exact_text
from loopdesign.report.schematic.board import DrawingBoard
from loopdesign.report.schematic.parts import DrawnPart
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.report.schematic.board import Point

FEEDBACK = -2.6
"""Height of the node that the amplifier compares with its reference; the sensed voltage lies at 0."""
LOWEST = -5.4
"""Height of ground."""
AMPLIFIER = 3.6
"""Where the triangle begins."""
SIZE = 1.8
"""Its height and its length."""


def control_picture(case: cases.Case, parts: Mapping[str, float]) -> str:
    """Draw divider, amplifier, network and modulator.

    Parameters
    ----------
    case
        A case with an error amplifier.
    parts
        Compensation parts by designator, 0 where not fitted [ohm], [F].

    Returns
    -------
    str
        SVG.
    """
    board, amplifier = DrawingBoard(), case.error_amplifier
    if amplifier is None:
        return board.svg()
    _sensed(case, board, parts)
    output = _amplifier(board, amplifier)
    if isinstance(amplifier, cases.TransconductanceSection):
        x = _shunt_network(board, parts, output)
    else:
        x = _feedback_network(board, parts, output)
    if isinstance(amplifier, cases.ShuntOptocouplerSection):
        x = _optocoupler(board, amplifier, output)
        board.wire(output, (output[0] + 1.9, output[1]))
    else:
        board.wire(output, (x, output[1]))
    _modulator(case, board, (x, output[1]))
    return board.svg()


def _draw(board: DrawingBoard, kind: str, name: str, value: str, start: Point, end: Point) -> None:
    lines = tuple(x for x in (name, value) if x)
    board.part(DrawnPart(kind=kind, a="", b="", lines=lines), start, end)  # type: ignore[arg-type]


def _sensed(case: cases.Case, board: DrawingBoard, parts: Mapping[str, float]) -> None:
    """Draw what leads from the output to the amplifier's input."""
    sense, given = case.current_sense, case.divider
    inner = (AMPLIFIER, FEEDBACK)
    if sense is not None:
        board.terminal((0.0, FEEDBACK))
        board.letters(("sense resistor", exact_text(sense.resistance, "ohm")), (-0.25, FEEDBACK), right=True)
        if sense.input_resistance:
            start = (0.0, FEEDBACK)
            _draw(board, "resistor", "Rin", exact_text(sense.input_resistance, "ohm"), start, (2.2, FEEDBACK))
            board.wire((2.2, FEEDBACK), inner)
        else:
            board.wire((0.0, FEEDBACK), inner)
        return
    if given is None:
        return
    board.terminal((0.0, 0.0))
    after = case.output_filter is not None and case.output_filter.sense == "after"
    board.letters(("output, behind its filter" if after else "output",), (0.0, 0.3), above=True)
    upper = exact_text(given.upper, "ohm") if given.upper else format_quantity(float(divider(case).upper), "ohm", 4)
    _draw(board, "resistor", "Rupper", upper, (0.0, 0.0), (0.0, FEEDBACK))
    _draw(board, "resistor", "Rlower", exact_text(given.lower, "ohm"), (0.0, FEEDBACK), (0.0, LOWEST))
    board.ground((0.0, LOWEST))
    board.dot((0.0, FEEDBACK))
    board.wire((0.0, FEEDBACK), inner)
    _across_upper(board, given, parts)


def _across_upper(board: DrawingBoard, given: cases.DividerSection, parts: Mapping[str, float]) -> None:
    """Draw what bridges the upper resistor: feed-forward capacitor, and R2 in series with C3."""
    x = 0.0
    chains = []
    if given.feedforward:
        chains.append([("capacitor", "Cff", exact_text(given.feedforward, "F"))])
    if parts.get("C3"):
        chain = [("resistor", "R2", exact_text(parts["R2"], "ohm"))] if parts.get("R2") else []
        chains.append([*chain, ("capacitor", "C3", exact_text(parts["C3"], "F"))])
    for chain in chains:
        x -= 2.2
        height = FEEDBACK / len(chain)
        for k, (kind, name, value) in enumerate(chain):
            _draw(board, kind, name, value, (x, k * height), (x, (k + 1) * height))
        board.wire((x, 0.0), (x + 2.2, 0.0))
        board.wire((x, FEEDBACK), (x + 2.2, FEEDBACK))


def _amplifier(
    board: DrawingBoard,
    amplifier: cases.TransconductanceSection | cases.OperationalSection | cases.ShuntOptocouplerSection,
) -> Point:
    """Draw the amplifier with its reference; return its output."""
    middle = FEEDBACK - SIZE / 4.0
    board.amplifier((AMPLIFIER, middle), size=SIZE)
    board.letters(("-",), (AMPLIFIER + 0.12, FEEDBACK))
    plus = middle - SIZE / 4.0
    board.letters(("+",), (AMPLIFIER + 0.12, plus))
    board.wire((AMPLIFIER, plus), (AMPLIFIER - 0.7, plus), (AMPLIFIER - 0.7, plus - 0.4))
    board.terminal((AMPLIFIER - 0.7, plus - 0.4))
    reference = exact_text(amplifier.reference, "V")
    told = "operational amplifier" if isinstance(amplifier, cases.OperationalSection) else "shunt regulator"
    if isinstance(amplifier, cases.TransconductanceSection):
        lines = (f"gm {exact_text(amplifier.gm, 'S')}", f"output {exact_text(amplifier.output_resistance, 'ohm')}")
        board.letters(lines, (AMPLIFIER + 0.75, middle + SIZE * 0.62))
    else:
        lines = (told, f"{exact_text(amplifier.dc_gain, 'dB')}, {exact_text(amplifier.gain_bandwidth, 'Hz')}")
        board.letters(lines, (AMPLIFIER + 0.4, middle - SIZE * 0.7))
    board.letters(("reference", reference), (AMPLIFIER - 0.7, plus - 0.8), centred=True)
    return (AMPLIFIER + SIZE, middle)


def _shunt_network(board: DrawingBoard, parts: Mapping[str, float], output: Point) -> float:
    """Draw the network from the control node to ground."""
    x, y = output[0] + 0.9, output[1]
    if parts.get("C1"):
        resistor = bool(parts.get("R1"))
        middle = y - 1.7 if resistor else y
        board.dot((x, y))
        if resistor:
            _draw(board, "resistor", "R1", exact_text(parts["R1"], "ohm"), (x, y), (x, middle))
        _draw(board, "capacitor", "C1", exact_text(parts["C1"], "F"), (x, middle), (x, y - 3.4))
        board.ground((x, y - 3.4))
        x += 2.2
    if parts.get("C2"):
        board.dot((x, y))
        _draw(board, "capacitor", "C2", exact_text(parts["C2"], "F"), (x, y), (x, y - 3.4))
        board.ground((x, y - 3.4))
        x += 2.0
    return x + 0.4


def _feedback_network(board: DrawingBoard, parts: Mapping[str, float], output: Point) -> float:
    """Draw the network from the amplifier's output back to its input."""
    left, right, y = AMPLIFIER - 0.5, output[0] + 1.9, FEEDBACK + 1.5
    chains = []
    if parts.get("C1"):
        first = [("resistor", "R1", exact_text(parts["R1"], "ohm"))] if parts.get("R1") else []
        chains.append([*first, ("capacitor", "C1", exact_text(parts["C1"], "F"))])
    if parts.get("C2"):
        chains.append([("capacitor", "C2", exact_text(parts["C2"], "F"))])
    for level, chain in enumerate(chains):
        height, width = y + 1.75 * level, (right - left) / len(chain)
        for k, (kind, name, value) in enumerate(chain):
            _draw(board, kind, name, value, (left + k * width, height), (left + (k + 1) * width, height))
        board.wire((left, FEEDBACK), (left, height))
        board.wire((right, output[1]), (right, height))
    board.dot((left, FEEDBACK))
    board.dot((right, output[1]))
    return right + 0.8


def _optocoupler(board: DrawingBoard, amplifier: cases.ShuntOptocouplerSection, output: Point) -> float:
    """Draw the light source at the regulator's output, and the transistor with its pull-up at the control node."""
    x, y = output[0] + 3.6, output[1]
    board.wire((output[0] + 1.9, y), (x, y))
    supply = "output" if amplifier.led_supply is None else f"supply {exact_text(amplifier.led_supply, 'V')}"
    _draw(board, "resistor", "Rled", exact_text(amplifier.led_resistance, "ohm"), (x, y + 4.0), (x, y + 2.0))
    _draw(
        board,
        "led",
        "LED",
        "" if amplifier.led_drop is None else exact_text(amplifier.led_drop, "V"),
        (x, y + 2.0),
        (x, y),
    )
    board.terminal((x, y + 4.0))
    board.letters((supply,), (x, y + 4.4), above=True)
    low = amplifier.transfer_ratio if amplifier.transfer_ratio_min is None else amplifier.transfer_ratio_min
    high = amplifier.transfer_ratio if amplifier.transfer_ratio_max is None else amplifier.transfer_ratio_max
    ratio = exact_text(amplifier.transfer_ratio, "%")
    spread = f"{exact_text(low, '%')} to {exact_text(high, '%')}" if low != high else ""
    right = x + 2.6
    board.box(
        (right, y - 1.5), (right + 2.6, y + 1.1),
        ("optocoupler", f"ratio {ratio}", spread, exact_text(amplifier.bandwidth, "Hz")),
    )  # fmt: skip
    board.wire((x + 0.75, y + 1.0), (right - 0.15, y + 0.6))
    board.wire((right - 0.45, y + 0.86), (right - 0.15, y + 0.6), (right - 0.52, y + 0.48))
    board.ground((right + 1.3, y - 1.5))
    top = (right + 4.4, y + 0.0)
    board.wire((right + 2.6, y), top)
    _draw(board, "resistor", "Rpull-up", exact_text(amplifier.pull_up, "ohm"), (top[0], y + 2.0), top)
    board.terminal((top[0], y + 2.0))
    told = "supply" if amplifier.pull_up_supply is None else f"supply {exact_text(amplifier.pull_up_supply, 'V')}"
    board.letters((told,), (top[0], y + 2.4), above=True)
    board.dot(top)
    board.wire(top, (top[0] + 1.2, y))
    return top[0] + 1.2


def _modulator(case: cases.Case, board: DrawingBoard, at: Point) -> None:
    """Draw comparator and ramp as a box that says what they are."""
    m = case.modulator
    if isinstance(m, cases.PeakCurrentSection):
        slope = "open" if m.slope is None else exact_text(m.slope, "V/s")
        lines = ["peak current modulator", f"sense {exact_text(m.sense_gain, 'V/A')}", f"ramp {slope}"]
        lines += [] if m.current_limit is None else [f"limit {exact_text(m.current_limit, 'V')}"]
    else:
        lines = ["voltage-mode modulator", f"ramp {exact_text(m.ramp, 'V')} peak to peak"]
    lines.append(f"largest duty {exact_text(m.max_duty, '%')}")
    x, y = at
    board.letters(("control",), (x - 0.1, y + 0.25), above=True)
    board.wire((x, y), (x + 0.7, y))
    height = 0.42 * len(lines) + 0.5
    board.box((x + 0.7, y - height / 2.0), (x + 5.0, y + height / 2.0), lines)
    board.wire((x + 5.0, y), (x + 5.8, y))
    board.terminal((x + 5.8, y))
    board.letters(("to the switch",), (x + 6.0, y))
