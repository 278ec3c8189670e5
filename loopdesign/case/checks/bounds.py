"""Cases that would be endless work, and stages that cannot be switched as slowly as asked."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from loopdesign.case.checks.problem import InputProblem
from loopdesign.case.tables.custom import CustomStage
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.checks.problem import Sections

MOST_CORNERS = 1000
"""Most combinations of input voltage, load current and temperature; a check of so many takes some seconds."""

LOWEST_FREQUENCY = 1e3
"""Switching frequency below which a prefix is missing [Hz]: no converter of this kind switches so slowly."""


def bound_problems(sections: Sections) -> Iterator[InputProblem]:
    """Refuse more corners than can be examined, and a period in which the output would run empty.

    Parameters
    ----------
    sections : Sections
        The sections, None for each that is missing or faulty.

    Yields
    ------
    InputProblem
        One for each fault.
    """
    yield from _corners(sections)
    yield from _period(sections)


def _corners(sections: Sections) -> Iterator[InputProblem]:
    """Refuse lists whose combinations are too many."""
    specification = sections.specification
    if specification is None:
        return
    lists = [specification.input_voltage, specification.output_current, specification.temperature]
    counts = [len(levels.values) for levels in lists if levels is not None]
    if math.prod(counts) > MOST_CORNERS:
        yield InputProblem(
            path=("specification", "input_voltage"),
            message="too many corners",
            found=f"{' x '.join(map(str, counts))} = {math.prod(counts)} combinations of line, load and temperature",
            expected=f"at most {MOST_CORNERS}",
        )


def _period(sections: Sections) -> Iterator[InputProblem]:
    """Refuse a period that outlasts both the charge of the output capacitors and their resonance with L1.

    In such a period the load takes more charge than the output capacitors hold, and the energy of the inductor has
    swung to them and back: no duty gives a direct voltage (derived from charge and resonance; no clause of a standard).
    """
    converter, specification, stage = sections.converter, sections.specification, sections.stage
    if converter is None:
        return
    slip = _slip(converter.switching_frequency)
    if specification is None or stage is None or isinstance(stage, CustomStage):
        if slip is not None:
            yield slip
        return
    capacitance = sum(part.capacitance * part.count for part in stage.Co)
    current = specification.output_current.highest
    charge = capacitance * specification.output_voltage_at(current)
    emptied = charge / current if current else math.inf
    longest = max(emptied, 2.0 * math.pi * math.sqrt(stage.L1.inductance * capacitance))
    if 1.0 / converter.switching_frequency > longest:
        yield InputProblem(
            path=("converter", "switching_frequency"),
            message="the output capacitors would run empty within one period",
            found=format_quantity(converter.switching_frequency, "Hz"),
            expected=f"well above {format_quantity(1.0 / longest, 'Hz')} with these L1, Co and load",
            hint=slip.hint if slip else "check the prefixes of the frequency, of L1 and of Co (m is milli, M is mega)",
        )
    elif slip is not None:
        yield slip


def _slip(frequency: float) -> InputProblem | None:
    """Report a switching frequency that lacks its prefix; None for one that can be meant."""
    if frequency >= LOWEST_FREQUENCY:
        return None
    return InputProblem(
        path=("converter", "switching_frequency"),
        message="is far too low for a switching converter",
        found=format_quantity(frequency, "Hz"),
        expected='a frequency such as "330 kHz"',
        hint=f"a plain number is in hertz; {format_quantity(1e3 * frequency, 'Hz')} is probably meant",
    )
