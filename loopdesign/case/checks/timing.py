"""Faults of the modulator's times against the switching period."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.case.checks.problem import InputProblem
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.checks.problem import Sections


def timing_problems(sections: Sections) -> Iterator[InputProblem]:
    """Refuse times of the modulator that leave no room in the longest on-time.

    Parameters
    ----------
    sections : Sections
        The sections, None for each that is missing or faulty.

    Yields
    ------
    InputProblem
        One for each fault.
    """
    converter, modulator = sections.converter, sections.modulator
    if converter is None or modulator is None:
        return
    longest = modulator.max_duty / converter.switching_frequency
    for name in ("min_on_time", "turn_off_delay", "blanking"):
        value = getattr(modulator, name)
        if value >= longest:
            yield InputProblem(
                path=("modulator", name),
                message="leaves nothing of the longest on-time",
                found=format_quantity(value, "s"),
                expected=f"below {format_quantity(longest, 's')}, max_duty times the switching period",
            )
