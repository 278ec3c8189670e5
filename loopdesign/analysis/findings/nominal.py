"""The plants of a case with nominal parts, at every line, load and temperature."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

from loopdesign.corners.converters import base_corners, solved
from loopdesign.errors import ConvergenceError, UnreachableOutputError
from loopdesign.models.insight import plants

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.models.insight import Plant
    from loopdesign.orbit.operating_point import Guess
    from loopdesign.orbit.problem import OperatingPoint


class PlantsAtConditions(Protocol):
    """What the crossover limit needs to know of an examined power stage."""

    @property
    def conditions(self) -> Corners:
        """Conditions (B,) of line, load and temperature."""

    @property
    def point(self) -> OperatingPoint:
        """Operating point at each of them."""

    @property
    def plants(self) -> tuple[Plant, ...]:
        """Plant at each of them."""


def nominal_plants(case: cases.Case, stage: PlantsAtConditions | None = None) -> tuple[Plant, ...]:
    """Find the plants at every line, load and temperature of a case, nominal parts.

    Parameters
    ----------
    case : Case
        The case.
    stage : PlantsAtConditions, optional
        The power stage, where it is already examined; used if it covers all of them, and to begin from if it covers the
        nominal temperature.

    Returns
    -------
    tuple of Plant
        One per line, load and temperature; those of the stage where some temperature has no operating point.

    Raises
    ------
    UnreachableOutputError, ConvergenceError
        Where there is none and no stage is given.
    """
    everywhere = base_corners(case)
    if stage is not None and _same(stage.conditions, everywhere):
        return stage.plants
    try:
        return plants(*solved(case, everywhere, _near(stage, everywhere)))
    except (UnreachableOutputError, ConvergenceError):
        # a temperature at which the output is out of reach says so where it is examined, not here
        if stage is None:
            raise
        return stage.plants


def _near(stage: PlantsAtConditions | None, everywhere: Corners) -> Guess | None:
    """Begin at every temperature where the same line and load were solved at the nominal one."""
    if stage is None or len(everywhere) % len(stage.conditions):
        return None
    origin = np.arange(len(everywhere)) // (len(everywhere) // len(stage.conditions))
    at = stage.conditions.take(origin)
    alike = all(np.array_equal(getattr(at, n), getattr(everywhere, n)) for n in ("input_voltage", "load_current"))
    return stage.point.sequence.take(origin) if alike else None


def _same(one: Corners, other: Corners) -> bool:
    """Tell whether two batches of conditions are the same ones, nominal parts, in the same order."""
    names = ("input_voltage", "load_current", "temperature")
    alike = all(np.array_equal(getattr(one, n), getattr(other, n)) for n in names)
    return alike and not one.factors and not other.factors
