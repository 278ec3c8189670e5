"""What a case file can say and the engine does not model: such a case is refused and never silently simplified."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.errors import CaseError, Fault

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopdesign import case as cases


_USED: dict[str, tuple[Callable[[cases.Case], bool], str]] = {}
"""Key of the case file: whether a case uses it, and what it is. An entry goes when the engine models it."""


def not_modelled(case: cases.Case) -> tuple[Fault, ...]:
    """List what a case asks for that the engine does not model.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    tuple of Fault
        One for each key; empty where the engine models the whole case.
    """
    return tuple(
        Fault(
            file=case.source,
            line=None if (place := case.place(key)) is None else place[0],
            column=None if place is None else place[1],
            key=key,
            message=f"{what} is not modelled by this version",
            expected="a case without it",
            hint="the key is read and checked; results without it would be wrong, so none are given",
        )
        for key, (used, what) in _USED.items()
        if used(case)
    )


def refuse_not_modelled(case: cases.Case) -> None:
    """Refuse a case that asks for what the engine does not model.

    Parameters
    ----------
    case
        The case.

    Raises
    ------
    CaseError
        With one fault for each such key.
    """
    if faults := not_modelled(case):
        raise CaseError(faults)
