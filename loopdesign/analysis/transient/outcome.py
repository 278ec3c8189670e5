"""What a run of cycles says of a step: whether it ends stable, the run was long enough, and what it leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.controller import light_path
from loopdesign.units.quantities import hertz, percent

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.analysis.transient.run import Run
    from loopdesign.models.verdict import Mode

APPROACHING = 0.95
"""Share of the distance half-way by which a run must have shrunk at its end to count as still settling."""
TIME_CONSTANTS = 3.0
"""Time constants of the slowest mode that a run must last before its end says anything."""
AT_REST = 0.1
"""Share of the settling band within which a run counts as settled however short it was."""
SOFT_START = "each step begins in regulation: a soft start has no part in it, and step --start follows one"
OPTOCOUPLER = "the limits of an optocoupler (LED off, transistor saturated) are not modelled without pull_up_supply"
SATURATED = (
    "the control voltage stays within what optocoupler and pull-up deliver; "
    "the saturation of the regulator itself is not modelled"
)


def verdict(sequence: Run, after: float | None, worst: Mode | None, band: float, reason: str) -> tuple[bool, str]:
    """Judge a step by the multipliers after it and by whether the run reached the operating point there.

    Parameters
    ----------
    sequence : Run
        Every cycle after the step.
    after : float or None
        Average output at the operating point after the step [V]; None where there is none.
    worst : Mode or None
        Its worst mode.
    band : float
        Half of the width of the settling band [V].
    reason : str
        Why there is no operating point.

    Returns
    -------
    tuple of bool and str
        Whether it is stable, and why not.
    """
    if worst is None or after is None:
        return False, reason
    if not worst.stable:
        return False, f"unstable after the step: {growth_words(worst)}"
    end, middle = _distance(sequence, after, 1.0), _distance(sequence, after, 0.5)
    if end > band and end > APPROACHING * middle and not _short(sequence, worst):
        return False, "the output does not approach the operating point after the step, although that is stable"
    return True, ""


def growth_words(worst: Mode) -> str:
    """Say how fast a mode grows.

    Parameters
    ----------
    worst : Mode
        One that does not decay.

    Returns
    -------
    str
        Its name, frequency and multiplier, without a full stop.
    """
    return (
        f"{worst.name} at {hertz(worst.frequency_hz)} grows by {percent(abs(worst.multiplier) - 1.0)} per switching "
        f"period (largest multiplier {abs(worst.multiplier):.4f})"
    )


def _distance(sequence: Run, after: float, share: float) -> float:
    """Largest distance [V] of the cycle mean from its final value near a share of the run's length."""
    count = len(sequence.mean)
    width = max(10, count // 20)
    end = max(int(share * count), min(width, count))
    return float(np.abs(sequence.mean[max(end - width, 0) : end] - after).max())


def _short(sequence: Run, worst: Mode) -> bool:
    """Whether a run is shorter than the slowest mode needs to die away."""
    return len(sequence.mean) * -float(np.log(abs(worst.multiplier))) < TIME_CONSTANTS


def cut_short(sequence: Run, after: float | None, worst: Mode | None, band: float) -> bool:
    """Say whether a run ended before it can be said to have settled.

    Parameters
    ----------
    sequence : Run
        Every cycle after the step.
    after : float or None
        Average output at the operating point after the step [V]; None where there is none.
    worst : Mode or None
        Its worst mode.
    band : float
        Half of the width of the settling band [V].

    Returns
    -------
    bool
        Settling time and deviation are then not the whole story.
    """
    if after is None or worst is None:
        return False
    near_rest = _distance(sequence, after, 1.0) <= AT_REST * band
    return _distance(sequence, after, 1.0) > band or (_short(sequence, worst) and not near_rest)


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
