"""What bounds the controller of a case, at the tolerances of its corners."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.orbit.holding import Bounds
from loopdesign.orbit.stepping.devices import ControlLimits

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners


def bounds(case: cases.Case, corners: Corners) -> Bounds:
    """Return what bounds the controller at a batch of corners.

    Parameters
    ----------
    case
        The case.
    corners
        Factors ``current_limit`` on its value.

    Returns
    -------
    Bounds
        Clamp [V], current limit [V] and the instant from which the comparators are heard [periods].
    """
    m, clamp = case.modulator, None if case.error_amplifier is None else case.error_amplifier.clamp
    limit = m.current_limit if m.scheme == "peak current" else None
    armed = max(m.blanking, m.min_on_time - m.turn_off_delay) * case.converter.switching_frequency
    return Bounds(
        lowest=None if clamp is None else clamp.min,
        highest=None if clamp is None else clamp.max,
        current_limit=None if limit is None else limit * corners.factor("current_limit"),
        armed=max(armed, 0.0),
    )


def control_limits(case: cases.Case) -> ControlLimits:
    """Return what bounds the controller of the nominal case, as the stepping in time knows it."""
    amplifier, m = case.error_amplifier, case.modulator
    clamp = None if amplifier is None else amplifier.clamp
    return ControlLimits(
        output_current=getattr(amplifier, "output_current_limit", None),
        lowest=None if clamp is None else clamp.min,
        highest=None if clamp is None else clamp.max,
        min_on_time=m.min_on_time,
        current_limit=m.current_limit if m.scheme == "peak current" else None,
    )
