"""What the stepping in time leaves out of a case, one sentence each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.corners.controller import light_path

if TYPE_CHECKING:
    from loopdesign import case as cases

SOFT_START = "each step begins in regulation: a soft start has no part in it, and step --start follows one"
OPTOCOUPLER = "the limits of an optocoupler (LED off, transistor saturated) are not modelled without pull_up_supply"
SATURATED = (
    "the control voltage stays within what optocoupler and pull-up deliver; "
    "the saturation of the regulator itself is not modelled"
)


def left_out(case: cases.Case) -> tuple[str, ...]:
    """List what the stepping of a case leaves out.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    if getattr(case.error_amplifier, "kind", "") != "shunt optocoupler":
        return (SOFT_START,)
    return SOFT_START, OPTOCOUPLER if light_path(case) is None else SATURATED
