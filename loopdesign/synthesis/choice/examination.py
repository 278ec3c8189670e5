"""Combinations examined by the exact model at every corner so far: whether they pass, and their score."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.judge import loop_of, peak_impedance
from loopdesign.analysis.variants.solve import base_of
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.synthesis.choice.confirm import judge_candidates
from loopdesign.synthesis.choice.refusal import exact_readings
from loopdesign.units.quantities import hertz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.corners.conditions import Corners
    from loopdesign.synthesis.choice.step_task import StepBasis
    from loopdesign.synthesis.search.loops import Demands, LoopReadings
    from loopdesign.synthesis.search.search import Search

NO_TARGET = -1.0
"""Miss of a target that nobody asks for [unitless]."""
BATCH = 16
"""Combinations examined at once."""
NEAR_CROSSOVER = 3.0
"""Gain up to which, and down to the inverse of which, a loop gain counts as near its crossover [unitless]."""
KEPT_SHARE = 0.98
"""Share of the crossover to keep that the exact loop must reach: it differs a little from the one searched with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Examination:
    """What combinations are held against.

    Attributes
    ----------
    case
        Case with its network, divider and slope filled in.
    stage
        Conditions of line, load and temperature, nominal parts.
    demands
        Limits and objective.
    corners, condition
        Corners (B,) so far, and the condition each belongs to.
    step
        Estimate of the departure at the load step; None where nothing is asked of it.
    """

    case: cases.Case
    stage: ExaminedStage
    demands: Demands
    corners: Corners
    condition: NDArray[np.intp]
    step: StepBasis | None = None

    def judge(self, work: Search, items: int | NDArray[np.intp]) -> Judged:
        """Judge combinations at every corner, item by item."""
        numbers = np.atleast_1d(items)
        base = base_of(self.case, work.parts_of(int(numbers[0])), self.stage)
        return judge_candidates(base, self.corners, self.condition, work, numbers)

    def judge_each(self, work: Search, items: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at every corner, one result each."""
        count = len(self.condition)
        parted = []
        for begin in range(0, len(items), BATCH):
            some = items[begin : begin + BATCH]
            judged = self.judge(work, some)
            parted += [judged.take(np.arange(k * count, (k + 1) * count)) for k in range(len(some))]
        return parted

    def passes(self, judged: Judged) -> bool:
        """Whether readings meet every demand."""
        kept = judged.crossover_hz >= KEPT_SHARE * self.demands.kept_crossover_hz
        return bool((self.demands.limits.met(judged) & kept).all())

    def passing(self, work: Search, items: list[int]) -> list[int]:
        """Keep the combinations that pass with the exact loop gain and the multipliers at every corner."""
        if not items:
            return []
        judged, misses = self.judge_each(work, np.array(items)), self.step_misses(work, np.array(items))
        return [i for i, part, miss in zip(items, judged, misses, strict=True) if miss <= 0.0 and self.passes(part)]

    def step_misses(self, work: Search, items: NDArray[np.intp]) -> NDArray[np.float64]:
        """By how much combinations (N,) miss the target of the load step, relative to it; no miss without a target."""
        if self.step is None:
            return np.full(len(items), NO_TARGET)
        parted = [self.step.misses(work, items[k : k + BATCH]) for k in range(0, len(items), BATCH)]
        return np.concatenate(parted)

    def score(self, work: Search, item: int, judged: Judged) -> float:
        """Exact score of a combination at the corners so far."""
        if self.demands.prefer == "bandwidth":
            return float(judged.crossover_hz.min())
        if self.demands.prefer == "crossover":
            return float(judged.crossover_hz.max())
        if self.demands.prefer == "margin":
            return float(judged.modulus_margin.min())
        return -float(self.peak(work, item).max())

    def peak(
        self, work: Search, item: int, corners: Corners | None = None, condition: NDArray[np.intp] | None = None
    ) -> NDArray[np.float64]:
        """Peak (B,) [ohm] of the exact closed-loop output impedance with one combination, at the corners so far."""
        base = base_of(self.case, work.parts_of(item), self.stage)
        at = self.corners if corners is None else corners
        return peak_impedance(
            base, at, self.condition if condition is None else condition, work.responses.frequencies_hz
        )

    def inaccuracy(self, work: Search, item: int) -> str:
        """Say how far plant times compensator lies from the exact loop gain of one combination near its crossover.

        The largest difference over the corners where the exact gain is between a third and three.
        """
        grid = work.responses.frequencies_hz
        product = work.responses.loop(work.lattice.values(np.array([item])))[0] / work.correction

        def exact(items: NDArray[np.intp]) -> NDArray[np.complex128]:
            base = base_of(self.case, work.parts_of(item), self.stage)
            return loop_of(base, self.corners.take(items), self.condition[items], grid)

        def none(items: NDArray[np.intp]) -> NDArray[np.complex128]:
            return np.full((len(items), len(grid)), np.nan, complex)

        failures = (LoopDesignError, *BREAKDOWN)
        loop = in_halves(exact, np.arange(len(self.condition)), failures=failures, alone=none)
        near = (np.abs(loop) > 1.0 / NEAR_CROSSOVER) & (np.abs(loop) < NEAR_CROSSOVER)
        if not near.any():
            return "no combination near crossover to compare at"
        ratio = np.where(near, loop / product, 1.0)
        corner, point = np.unravel_index(int(np.argmax(np.abs(np.log(ratio)))), ratio.shape)
        db, deg = 20.0 * np.log10(np.abs(ratio[corner, point])), np.degrees(np.angle(ratio[corner, point]))
        return f"{abs(db):.1f} dB and {abs(deg):.0f} deg at {hertz(float(grid[point]))}"

    def readings(self, work: Search, item: int, judged: Judged) -> LoopReadings:
        """Exact readings (1,B) of one combination, the peak impedance among them where it is the objective."""
        exact = exact_readings(judged)
        if self.demands.prefer != "step":
            return exact
        return replace(exact, peak_impedance=self.peak(work, item)[None])
