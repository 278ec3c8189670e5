"""What is known of the load step of one case, so that a choice of parts works nothing out twice."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.analysis.check import examine_stage

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.corners.conditions import Corners

Place: TypeAlias = "tuple[object, ...]"
"""Direction of a step, line, load, temperature, factors and parts."""


class StepMemory:
    """Departures stepped in time, and the stages they begin from.

    Attributes
    ----------
    departures : dict
        Largest departure by place [V].
    """

    def __init__(self) -> None:
        self.departures: dict[Place, float] = {}
        self._stages: list[ExaminedStage] = []

    def stage(self, case: cases.Case, conditions: Corners) -> ExaminedStage:
        """Examine the stage at conditions (B,) with nominal parts, once.

        Parameters
        ----------
        case : Case
            The case, always the same.
        conditions : Corners
            Line, load and temperature (B,).

        Returns
        -------
        ExaminedStage
            As `examine_stage` gives it.
        """
        for stage in self._stages:
            there = stage.conditions
            if all(
                np.array_equal(getattr(there, name), getattr(conditions, name))
                for name in ("input_voltage", "load_current", "temperature")
            ):
                return stage
        self._stages.append(examine_stage(case, conditions))
        return self._stages[-1]


def step_place(kind: str, parts: Mapping[str, float], corners: Corners, item: int) -> Place:
    """Tell one place from others.

    Parameters
    ----------
    kind : str
        Direction of the step.
    parts : mapping of str to float
        Compensation parts by designator [ohm], [F].
    corners : Corners
        Places (B,): line, load, temperature, and factors on part values.
    item : int
        Which of them [unitless].

    Returns
    -------
    tuple
        Equal for equal places.
    """
    moved = sorted((name, float(f[item])) for name, f in corners.factors.items() if f[item] != 1.0)
    at = (float(values[item]) for values in (corners.input_voltage, corners.load_current, corners.temperature))
    return kind, *at, *moved, *sorted(parts.items())
