"""The design examined with the parts of the board as a fit found them, and new compensation for that board."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.check import examine
from loopdesign.analysis.given import given_parts, has_loop
from loopdesign.analysis.worst import beyond_nominal
from loopdesign.bench.keys import with_value
from loopdesign.case import PARTS_OF_NETWORK, parse_case, write_parts
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.printable import printable

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult
    from loopdesign.synthesis.choice.result import Choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Board:
    """The design with the fitted values in it.

    Attributes
    ----------
    case : Case
        The case with the fitted values.
    check : CheckResult or None
        Its examination at every corner, temperature and worst tolerance end; None where that cannot be made.
    trouble : str
        Why not; empty where it was made.
    """

    case: cases.Case
    check: CheckResult | None
    trouble: str

    def to_dict(self) -> dict[str, Any]:
        """Turn the verdict into plain values, ready for JSON."""
        if self.check is None:
            return {"stable": None, "targets_met": None, "reasons": [self.trouble]}
        found = self.check
        return {"stable": found.stable, "targets_met": found.targets_met, "reasons": list(found.reasons)}


def board_of(case: cases.Case, values: Mapping[str, float]) -> Board:
    """Examine a design with the fitted values, tolerances around them.

    Parameters
    ----------
    case : Case
        The case of the board as designed.
    values : mapping of str to float
        Fitted values by dotted key, in SI units.

    Returns
    -------
    Board
        With the check, as `check` makes it.
    """
    for key, value in values.items():
        case = with_value(case, key, value)
    try:
        found = beyond_nominal(examine(case, given_parts(case) if has_loop(case) else {}))
    except LoopDesignError as fault:
        return Board(case=case, check=None, trouble=str(fault))
    return Board(case=case, check=found, trouble="")


def redesigned(case: cases.Case) -> Choice:
    """Choose the compensation of a board anew, every part of its network open.

    Parameters
    ----------
    case : Case
        The case with the fitted values.

    Returns
    -------
    Choice
        As `design` makes it, with the check of its parts at every corner, temperature and worst tolerance end.

    Raises
    ------
    DataError
        Where the case has no network to choose.
    NoDesignError
        Where no combination of parts meets the targets.
    """
    from loopdesign.synthesis.choice.choose import choose  # noqa: PLC0415  (only a new choice needs the search)

    network = case.compensation
    if network is None or not has_loop(case):
        raise DataError(f"{case.where('compensation')}: there is no network whose parts could be chosen anew")
    opened = network.model_copy(update=dict.fromkeys(PARTS_OF_NETWORK[network.network]))
    choice = choose(case.model_copy(update={"compensation": opened}))
    return replace(choice, check=beyond_nominal(choice.check, choice.extremes))


def fitted_text(text: str, values: Mapping[str, float], name: str) -> str:
    """Write fitted values into the text of a case file, comments kept.

    Parameters
    ----------
    text : str
        Text of the case file.
    values : mapping of str to float
        Values by dotted key, in SI units.
    name : str
        Name of the file, for messages.

    Returns
    -------
    str
        The new text, a valid case file.

    Raises
    ------
    CaseError
        Where a value cannot stand in a case file.
    """
    written = write_parts(text, values)
    parse_case(written, f"{name} with fitted values")
    return written


def write_new(target: Path, text: str) -> None:
    """Write a new file; never over an existing one.

    Parameters
    ----------
    target : Path
        Where it goes.
    text : str
        What it holds.

    Raises
    ------
    DataError
        Where it exists or cannot be written.
    """
    name = printable(str(target))
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise DataError(f"{name} exists already; name a new file") from None
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or "its name cannot be used"
        raise DataError(f"{name} cannot be written: {reason}") from None
