"""The step deviation of chosen parts, estimated from the closed-loop output impedance where the step begins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.analysis.transient.estimate import predicted_departure
from loopdesign.corners.conditions import Corners
from loopdesign.models.switched import linearise

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases

INSTANTS, LONGEST = 240, 6000.0
"""Instants the response is read at, from one period after the step to so many."""


def step_of(case: cases.Case) -> tuple[float, float]:
    """Load the step begins at, and its size [A]: the case's own, or from lowest to highest load."""
    s = case.specification
    if s.load_step is not None:
        return s.load_step.from_, abs(s.load_step.to - s.load_step.from_)
    low, high = s.output_current.lowest, s.output_current.highest
    return low, (high - low) or high


def estimated_deviation(case: cases.Case, parts: Mapping[str, float]) -> tuple[float, float]:
    """Estimate the largest departure of the output after the load step, nominal parts, over the input voltages.

    Parameters
    ----------
    case, parts
        The case, and stable compensation parts by name.

    Returns
    -------
    deviation, input_voltage
        Largest departure [V], and where it occurs [V]; valid for small steps.
    """
    start, size = step_of(case)
    lines = np.asarray(case.specification.input_voltage.values, float)
    corners = Corners(
        input_voltage=lines,
        load_current=np.full(len(lines), start),
        temperature=np.full(len(lines), case.nominal_temperature),
    )
    model = closed_model(case, examine_stage(case, corners), parts)
    times = np.geomspace(1.0, LONGEST, INSTANTS) / case.converter.switching_frequency
    peaks = [
        float(np.abs(predicted_departure(linearise(model.point.take(np.array([k]))), "load", times)).max())
        for k in range(len(lines))
    ]
    worst = int(np.argmax(peaks))
    return size * peaks[worst], float(lines[worst])
