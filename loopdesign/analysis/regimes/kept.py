"""Whether the controller keeps the operating points at the case's own input voltages and loads, as ``check`` does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import compensation, line_load_corners, solved
from loopdesign.corners.trouble import traced
from loopdesign.orbit.holding import KEPT, WORDS, held
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners


@dataclass(frozen=True, slots=True, kw_only=True)
class NotKept:
    """An operating point of the case that the controller does not keep.

    Attributes
    ----------
    input_voltage, load_current : float
        Operating point [V], [A].
    held : str
        What keeps the converter from staying there, as in a verdict.
    """

    input_voltage: float
    load_current: float
    held: str

    @property
    def place(self) -> str:
        """Input voltage and load, in words."""
        return f"{self.input_voltage:.4g} V, {self.load_current:.3g} A"


def points_not_kept(case: cases.Case, parts: Mapping[str, float]) -> tuple[NotKept, ...]:
    """List the operating points of a case, with nominal parts, that the controller does not keep.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float
        Compensation parts by designator [ohm], [F]; empty without a loop, so that the control voltage has no ripple.

    Returns
    -------
    tuple of NotKept
        In the order of input voltage and load.

    Raises
    ------
    UnreachableOutputError
        Where losses keep an output below its target.
    CircuitError, NumericalError, ConvergenceError
        Where an operating point cannot be solved.
    """

    def codes(at: Corners) -> NDArray[np.intp]:
        converter, point = solved(case, at)
        if parts:
            point = operating_point(converter.closed(compensation(case, parts, at)), point.sequence)
        return held(point, bounds(case, at))

    corners = line_load_corners(case)
    found = traced(codes, case, corners, what="no operating point")
    return tuple(
        NotKept(
            input_voltage=float(corners.input_voltage[k]), load_current=float(corners.load_current[k]),
            held=str(WORDS[found[k]]),
        )
        for k in np.flatnonzero(found != KEPT)
    )  # fmt: skip
