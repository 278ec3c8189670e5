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

from loopdesign.analysis.transient.deviation import small_step, step_conditions
from loopdesign.analysis.transient.estimate import step_response
from loopdesign.analysis.transient.places import StepMemory, SteppedPlaces, load_step_of
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.converters import network_parts
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.synthesis.choice.confirm import candidates, extended
from loopdesign.synthesis.search.loops import PARTS, StepDemand
from loopdesign.synthesis.search.plant_grid import open_loops

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
    from loopdesign.synthesis.search.plant_grid import OpenLoops
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
    opened
        The places solved with their loop open.
    weights
        (F,N) departure at each instant per ampere and ohm of the real part of the impedance at each grid point.
    spare
        Factor on every estimate: above one where parts that met the target as estimated missed it in time [unitless].
    """

    case: cases.Case
    limit_v: float
    stage: ExaminedStage
    corners: Corners
    condition: NDArray[np.intp]
    opened: OpenLoops
    weights: Array
    spare: float = 1.0

    def at(
        self, reference: Mapping[str, float] | None, stepped: Mapping[str, float] | None = None,
        known: StepMemory | None = None,
    ) -> StepBasis:  # fmt: skip
        """Prepare the estimate.

        Parameters
        ----------
        reference
            Parts at which the plant is corrected [ohm], [F]; None leaves it uncorrected.
        stepped
            Parts that are stepped in time instead where there is no reference; None scales nothing.
        known
            What is known of the load step; what is found is added.

        Returns
        -------
        StepBasis
            With every place so far.
        """
        like = reference or stepped or {}
        size = abs(float(np.subtract(*load_step_of(self.case))))
        weights, factor = self.weights * size, np.full(len(self.corners), self.spare)
        responses = self.opened.responses
        if not like:
            return StepBasis(
                task=self, demand=StepDemand(responses=responses, weights=weights, factor=factor), factor=factor
            )
        if reference is not None:
            responses = replace(responses, plant=responses.plant * self.opened.correction(self.case, reference))
        base = base_of(self.case, like, self.stage)
        small = small_step(base, self.corners, self.condition) * size
        ratio = factor * self._stepped_over(base, small, known)
        demand = StepDemand(responses=responses, weights=weights, factor=np.ones(len(factor)))
        parts = network_parts(self.case, like)
        row = np.array([[float(getattr(parts, name)) for name in PARTS]])
        of_product = np.where(np.isfinite(small), ratio * small / demand.departures(row)[0], factor)
        return StepBasis(task=self, demand=replace(demand, factor=of_product), factor=ratio)

    def _stepped_over(self, base: Base, small: Array, known: StepMemory | None) -> Array:
        """Departure stepped in time over that of a small step (S,): of the furthest place at each input voltage."""
        ratio = np.ones(len(small))
        lines = np.unique(self.corners.input_voltage)
        each = [(self.corners.input_voltage == line) & np.isfinite(small) for line in lines]
        places = [(here, int(np.flatnonzero(here)[np.argmax(small[here])])) for here in each if here.any()]
        with SteppedPlaces(base, self.corners, self.condition, known) as stepped:
            for _, furthest in places[1:]:
                stepped.begin(furthest, "load")
            for here, furthest in places:
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
        if len(corners) > len(self.corners):
            return _task(self.case, self.limit_v, self.stage, corners, condition, self.spare)
        if found.peak_deviation_v is None:
            return self
        return replace(self, spare=self.spare * MORE_ROOM * found.peak_deviation_v / self.limit_v)


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


def step_task(
    case: cases.Case, limits: Limits, known: StepMemory | None = None, *, tolerances: bool
) -> StepTask | None:
    """Begin with nominal parts at every input voltage; None where nothing is asked of the load step."""
    if limits.step_deviation is None:
        return None
    conditions = step_conditions(case, tolerances=tolerances)
    stage = (known or StepMemory()).stage(case, conditions)
    return _task(case, limits.step_deviation.value, stage, conditions, np.arange(len(conditions)), 1.0)


def _task(
    case: cases.Case, limit_v: float, stage: ExaminedStage, corners: Corners, condition: NDArray[np.intp], spare: float
) -> StepTask:
    opened = open_loops(case, stage, corners, condition)
    return StepTask(
        case=case, limit_v=limit_v, stage=stage, corners=corners, condition=condition, opened=opened,
        weights=_weights(opened.responses.frequencies_hz, case), spare=spare,
    )  # fmt: skip


def _weights(grid: Array, case: cases.Case) -> Array:
    """Departure (F,N) at each instant per ohm of the real part of the impedance at each grid point."""
    times = np.geomspace(1.0, LONGEST, INSTANTS) / case.converter.switching_frequency
    return step_response(grid, np.eye(len(grid), dtype=complex), times)
