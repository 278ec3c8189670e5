"""Combinations examined by the exact model at every corner so far: whether they pass, and their score."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.judge import peak_impedance
from loopdesign.analysis.variants.solve import base_of
from loopdesign.synthesis.choice.confirm import judge_candidates
from loopdesign.synthesis.choice.refusal import readings_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.corners.conditions import Corners
    from loopdesign.synthesis.search.lattice import Demands, LoopReadings
    from loopdesign.synthesis.search.search import Search

BATCH = 16
"""Combinations examined at once."""
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
    """

    case: cases.Case
    stage: ExaminedStage
    demands: Demands
    corners: Corners
    condition: NDArray[np.intp]

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
        judged = self.judge_each(work, np.array(items))
        return [item for item, part in zip(items, judged, strict=True) if self.passes(part)]

    def score(self, work: Search, item: int, judged: Judged) -> float:
        """Exact score of a combination at the corners so far."""
        if self.demands.prefer == "bandwidth":
            return float(judged.crossover_hz.min())
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

    def readings(self, work: Search, item: int, judged: Judged) -> LoopReadings:
        """Exact readings (1,B) of one combination, the peak impedance among them where it is the objective."""
        exact = readings_of(judged)
        if self.demands.prefer != "step":
            return exact
        return replace(exact, peak_impedance=self.peak(work, item)[None])
