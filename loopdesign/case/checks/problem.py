"""A fault between keys, and the sections it is looked for in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.case.locate import Path
    from loopdesign.case.tables.candidates import Candidates
    from loopdesign.case.tables.control import (
        Compensation,
        CurrentSense,
        DividerSection,
        ErrorAmplifierSection,
        ModulatorSection,
    )
    from loopdesign.case.tables.demands import ConverterSection, Ratings, Specification, Targets
    from loopdesign.case.tables.stage import StageSection


@dataclass(frozen=True, slots=True, kw_only=True)
class InputProblem:
    """A fault that has no place in the file yet: path of the key and the parts of the message.

    `at` is the key at whose place to report it, where that is another one.
    """

    path: Path
    at: Path | None = None
    message: str
    found: str = ""
    expected: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sections:
    """The sections of a case that could be read; None for one that is missing or faulty.

    `present` names the sections that the file has, faulty ones included.
    """

    converter: ConverterSection | None = None
    specification: Specification | None = None
    stage: StageSection | None = None
    modulator: ModulatorSection | None = None
    error_amplifier: ErrorAmplifierSection | None = None
    divider: DividerSection | None = None
    current_sense: CurrentSense | None = None
    compensation: Compensation | None = None
    targets: Targets | None = None
    ratings: Ratings | None = None
    candidates: Candidates | None = None
    present: frozenset[str] = frozenset()


def volts(value: float) -> str:
    """Write a voltage for a message.

    Parameters
    ----------
    value : float
        Voltage [V].

    Returns
    -------
    str
        With four significant digits.
    """
    return format_quantity(value, "V", 4)
