"""The departure at the load step as one more demand on a choice of parts.

Of each combination the departure is estimated from the closed-loop output impedance on the plant's short grid, by
weights that do not depend on the combination. That estimate is a small step's, and plant times compensator's. Both
shortcomings vary slowly from one combination to the next, so the estimate is scaled, input voltage by input voltage, by
what stepping in time makes of it with the parts the plant is corrected at. What is chosen is then stepped in time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.transient.deviation import SteppedPlaces, load_step_of, small_step, step_conditions
from loopdesign.analysis.transient.estimate import step_response
from loopdesign.analysis.variants.solve import base_of, guess_at, variant_converter
from loopdesign.corners.converters import compensation, network_parts
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.models.switched import linearise, loop_gain
from loopdesign.orbit.operating_point import operating_point
from loopdesign.synthesis.choice.confirm import candidates, extended
from loopdesign.synthesis.search.loops import PARTS, StepDemand
from loopdesign.synthesis.search.plant_grid import plant_responses, short_grid

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.findings.step import StepDeviation
    from loopdesign.analysis.limits import Limits
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied
    from loopdesign.synthesis.search.search import Search

    Array = NDArray[np.float64]

MORE_ROOM = 1.002
"""Share by which an estimate is raised beyond what it missed by [unitless]."""
INSTANTS, LONGEST = 48, 4000.0
"""Instants at which a departure is looked at, and the last of them [periods]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepTask:
    """The places at which the departure at the load step is examined so far.

    Attributes
    ----------
    case, limit_v
        The case, and the largest departure it allows [V].
    stage
        Every input voltage, and temperature where tolerances count, at the load the step begins from; nominal parts.
    corners, condition
        Places (S,), and the condition of the stage that each belongs to.
    spare
        Factor on every estimate: above one where parts that met the target as estimated missed it in time [unitless].
    """

    case: cases.Case
    limit_v: float
    stage: ExaminedStage
    corners: Corners
    condition: NDArray[np.intp]
    spare: float = 1.0

    def at(self, reference: Mapping[str, float] | None, stepped: Mapping[str, float] | None = None) -> StepBasis:
        """Prepare the estimate.

        Parameters
        ----------
        reference
            Parts at which the plant is corrected [ohm], [F]; None leaves it uncorrected.
        stepped
            Parts that are stepped in time instead where there is no reference; None scales nothing.

        Returns
        -------
        StepBasis
            With every place so far.
        """
        like = reference or stepped or {}
        base = base_of(self.case, like, self.stage)
        converter = variant_converter(base, self.corners, self.condition)
        point = operating_point(converter, guess_at(base, self.condition))
        model = linearise(point)
        grid = short_grid(model)
        responses = plant_responses(self.case, self.corners, model, grid)
        size = abs(float(np.subtract(*load_step_of(self.case))))
        factor = np.full(len(self.corners), self.spare)
        if not like:
            demand = StepDemand(responses=responses, weights=_weights(grid, self.case) * size, factor=factor)
            return StepBasis(task=self, demand=demand, factor=factor)
        parts = network_parts(self.case, like)
        row = np.array([[float(getattr(parts, name)) for name in PARTS]])
        if reference is not None:
            closed = converter.closed(compensation(self.case, reference, self.corners))
            exact = loop_gain(linearise(operating_point(closed, point.sequence)), grid)
            responses = plant_responses(self.case, self.corners, model, grid, exact / responses.loop(row)[0])
        small = small_step(base, self.corners, self.condition) * size
        ratio = factor * self._stepped_over(base, small)
        demand = StepDemand(responses=responses, weights=_weights(grid, self.case) * size, factor=np.ones(len(factor)))
        of_product = np.where(np.isfinite(small), ratio * small / demand.departures(row)[0], factor)
        return StepBasis(task=self, demand=replace(demand, factor=of_product), factor=ratio)

    def _stepped_over(self, base: Base, small: Array) -> Array:
        """Departure stepped in time over that of a small step (S,): of the furthest place at each input voltage."""
        ratio = np.ones(len(small))
        stepped = SteppedPlaces(base, self.corners, self.condition)
        for line in np.unique(self.corners.input_voltage):
            here = (self.corners.input_voltage == line) & np.isfinite(small)
            if not here.any():
                continue
            furthest = int(np.flatnonzero(here)[np.argmax(small[here])])
            departure = stepped.at(furthest, "load")
            if departure is not None and small[furthest] > 0.0:
                ratio[here] = departure / small[furthest]
        return ratio

    def with_ends(self, found: StepDeviation, parts: Mapping[str, float]) -> StepTask:
        """Let the place of the largest departure of some parts join; where it has, ask for more room."""
        same = self.stage.conditions.input_voltage == found.input_voltage
        same &= self.stage.conditions.temperature == found.temperature
        at = int(np.flatnonzero(same)[0])
        varied = toleranced(self.case, parts)
        places = np.array([[_place(v, found.ends.get(v.name)) for v in varied]])
        added = variants(self.stage.conditions, np.array([at]), varied, places)
        corners, condition = extended(self.corners, self.condition, added, np.array([at]))
        spare = self.spare
        if len(corners) == len(self.corners) and found.peak_deviation_v is not None:
            spare *= MORE_ROOM * found.peak_deviation_v / self.limit_v
        return replace(self, corners=corners, condition=condition, spare=spare)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepBasis:
    """The estimate of the departure corrected at some parts.

    Attributes
    ----------
    task
        The places.
    demand
        What the search over the lattice needs.
    factor
        (S,) departure stepped in time over that of a small step [unitless].
    """

    task: StepTask
    demand: StepDemand
    factor: Array

    def misses(self, work: Search, items: NDArray[np.intp]) -> Array:
        """By how much combinations (N,) miss the target, by exact small steps, scaled: relative to it [unitless]."""
        task = self.task
        base = base_of(task.case, work.parts_of(int(items[0])), task.stage)
        some, condition = candidates(base, task.corners, task.condition, work, items)
        size = abs(float(np.subtract(*load_step_of(task.case))))
        departures = small_step(base, some, condition).reshape(len(items), -1) * size * self.factor
        return np.asarray(np.nan_to_num(departures, nan=np.inf, posinf=np.inf).max(axis=1) / task.limit_v - 1.0)


def _place(cause: Varied, change: float | None) -> float:
    """Place of a cause between its ends that makes a relative change: -1, 0 or 1."""
    if change is None:
        return 0.0
    low, high = next(iter(cause.ends.values()))
    return 1.0 if abs(change - high) <= abs(change - low) else -1.0


def step_task(case: cases.Case, limits: Limits, *, tolerances: bool) -> StepTask | None:
    """Begin with nominal parts at every input voltage; None where nothing is asked of the load step."""
    if limits.step_deviation is None:
        return None
    conditions = step_conditions(case, tolerances=tolerances)
    return StepTask(
        case=case, limit_v=limits.step_deviation.value, stage=examine_stage(case, conditions), corners=conditions,
        condition=np.arange(len(conditions)),
    )  # fmt: skip


def _weights(grid: Array, case: cases.Case) -> Array:
    """Departure (F,N) at each instant per ohm of the real part of the impedance at each grid point."""
    times = np.geomspace(1.0, LONGEST, INSTANTS) / case.converter.switching_frequency
    return np.stack([step_response(grid, row, times) for row in np.eye(len(grid), dtype=complex)])
