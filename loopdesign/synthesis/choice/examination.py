"""Combinations examined by the exact model at every corner so far: whether they pass, and their score."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.judge import loop_of, peak_impedance
from loopdesign.analysis.variants.solve import base_of
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.synthesis.choice.confirm import judge_candidates
from loopdesign.synthesis.choice.descent import descend
from loopdesign.synthesis.choice.refusal import exact_readings, worst_shortfall
from loopdesign.synthesis.search.lattice import SearchResult, relaxed
from loopdesign.synthesis.search.search import search_once
from loopdesign.synthesis.search.walk import SLACK
from loopdesign.units.quantities import hertz
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.variants.extremes import Extremes, LikelyEnds
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.corners.conditions import Corners
    from loopdesign.synthesis.choice.step_task import StepBasis
    from loopdesign.synthesis.search.loops import Demands, LoopReadings
    from loopdesign.synthesis.search.plant_grid import OpenLoops
    from loopdesign.synthesis.search.search import Search

NO_TARGET = -1.0
"""Miss of a target that nobody asks for [unitless]."""
BATCH = 16
"""Combinations examined at once."""
CLIMBED = (
    "plant times compensator is not accurate enough for this stage (off by {}), so {} combinations were evaluated with "
    "the exact loop instead"
)
FEW = 3
"""Combinations examined together where the first one fails."""
WORTH_PARTING = 3
"""Corners in all per telling one from which those are examined ahead of the others."""
NEAR_CROSSOVER = 3.0
"""Gain up to which, and down to the inverse of which, a loop gain counts as near its crossover [unitless]."""
UNCHANGED = 2e-3
"""Change of a score at added corners that counts as zero: the reading's own accuracy."""
HALF = 0.5
"""Share of the attainable bandwidth that ``prefer = "margin"`` keeps at least."""
KEPT_SHARE = 0.98
"""Share of the crossover to keep that the exact loop must reach: it differs a little from the one searched with."""


class Seen:
    """What is known of combinations at one set of corners, by their part values."""

    def __init__(self) -> None:
        self._of: tuple[object, ...] = ()
        self._known: dict[tuple[float, ...], Judged] = {}

    def about(self, *of: object) -> dict[tuple[float, ...], Judged]:
        """Return what is known with these objects, nothing where they are others than before."""
        if len(of) != len(self._of) or any(a is not b for a, b in zip(of, self._of, strict=True)):
            self._of, self._known = of, {}
        return self._known


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
    seen
        Combinations judged before.
    """

    case: cases.Case
    stage: ExaminedStage
    demands: Demands
    corners: Corners
    condition: NDArray[np.intp]
    step: StepBasis | None = None
    seen: Seen = field(default_factory=Seen, compare=False, repr=False)

    def judge(self, work: Search, item: int) -> Judged:
        """Judge a combination at every corner."""
        return self.judge_each(work, np.array([item]))[0]

    def judge_each(self, work: Search, items: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at every corner, one result each; those judged before are known."""
        known = self.seen.about(self.case, self.stage, self.corners)
        keys = [tuple(row) for row in work.lattice.values(items).tolist()]
        new = np.array([k for k, key in enumerate(keys) if key not in known and key not in keys[:k]], np.intp)
        judged = self._in_batches(work, items[new], np.arange(len(self.condition)))
        known |= {keys[k]: one for k, one in zip(new, judged, strict=True)}
        return [known[key] for key in keys]

    def _in_batches(self, work: Search, items: NDArray[np.intp], corners: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at some of the corners, one result each; half of many meanwhile in a child."""
        batches = [items[begin : begin + BATCH] for begin in range(0, len(items), BATCH)]

        def judged(some: list[NDArray[np.intp]]) -> list[Judged]:
            return [one for batch in some for one in self._judged(work, batch, corners)]

        here, there = batches[: len(batches) // 2], batches[len(batches) // 2 :]
        if not here:
            return judged(there)
        with branch(partial(judged, there)) as beside:
            return judged(here) + beside.result()

    def _judged(self, work: Search, items: NDArray[np.intp], corners: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at some of the corners, one result each."""
        base, count = base_of(self.case, work.parts_of(int(items[0])), self.stage), len(corners)
        known = work.edges if work.corners is self.corners else None
        edges = None if known is None else known.take(corners)
        judged = judge_candidates(base, self.corners.take(corners), self.condition[corners], work, items, edges)
        return [judged.take(np.arange(k * count, (k + 1) * count)) for k in range(len(items))]

    def telling(self, judged: Judged) -> NDArray[np.intp]:
        """Corners at which a combination has the least room to one of the limits."""
        limits = self.demands.limits
        worst = [int(np.argmax(limits.shortfall(judged))), *(int(np.argmax(m)) for m in limits.misses(judged).values())]
        return np.unique(worst)

    def judge_briefly(
        self, work: Search, items: NDArray[np.intp], telling: NDArray[np.intp], least: float = -np.inf
    ) -> list[Judged]:
        """Judge combinations, one result each: those that fail or score too little at telling corners at no others."""
        if WORTH_PARTING * len(telling) > len(self.condition):
            return self.judge_each(work, items)
        parted = self._in_batches(work, items, telling)
        passing = [k for k, one in enumerate(parted) if self.passes(one) and self.most_score(one) >= least]
        for k, one in zip(passing, self.judge_each(work, items[passing]), strict=True):
            parted[k] = one
        return parted

    def passing_in_order(self, work: Search, order: NDArray[np.intp]) -> Iterator[tuple[int, Judged]]:
        """Yield the combinations that pass with the exact loop gain and the multipliers at every corner, in order."""
        telling, begin, count = np.empty(0, np.intp), 0, 1
        while begin < len(order):
            items = order[begin : begin + count]
            each = self.judge_briefly(work, items, telling) if len(telling) else self.judge_each(work, items)
            for item, part in zip(items, each, strict=True):
                if self.passes(part) and self.step_misses(work, np.array([item]))[0] <= 0.0:
                    yield int(item), part
            if not len(telling):
                telling = self.telling(each[0])
            begin, count = begin + count, BATCH if begin else FEW

    def judge_noting(
        self, work: Search, items: NDArray[np.intp], misses: dict[int, float], telling: NDArray[np.intp] | None = None,
        least: float = -np.inf,
    ) -> list[Judged]:  # fmt: skip
        """Judge combinations at every corner, one result each; note by how much each misses the load step's target.

        Where telling corners are given, those that fail there, or score less than so much, are judged no further.
        """
        if telling is None or not len(telling):
            misses.update(zip(items.tolist(), self.step_misses(work, items).tolist(), strict=True))
            return self.judge_each(work, items)
        each = self.judge_briefly(work, items, telling, least)
        passing = items[[self.passes(one) and self.most_score(one) >= least for one in each]]
        misses.update(dict.fromkeys(items.tolist(), NO_TARGET))
        misses.update(zip(passing.tolist(), self.step_misses(work, passing).tolist(), strict=True))
        return each

    def climb(self, work: Search, begin: list[int]) -> Search:
        """Go from combination to combination by the exact loop; those met on the way that pass, best first."""
        misses: dict[int, float] = {}
        telling, least = np.empty(0, np.intp), -np.inf

        def judge_items(items: NDArray[np.intp]) -> list[Judged]:
            """Judge; once some combination passes, none that fails or scores far less can take its place."""
            nonlocal telling, least
            each = self.judge_noting(work, items, misses, telling, least)
            passing = [one for item, one in zip(items, each, strict=True) if cost(int(item), one)[0] == 0.0]
            whole = [one for one in passing if len(one.stable) == len(self.condition)]
            if whole:
                telling = np.union1d(self.telling(whole[0]), [int(np.argmin(whole[0].crossover_hz))])
                best = max(self.most_score(one) for one in whole)
                least = max(least, relaxed(best, SLACK)) if np.isfinite(best) else least
            return each

        def cost(item: int, judged: Judged) -> tuple[float, float]:
            if misses[item] > 0.0 or not self.passes(judged):
                return 1.0, max(misses[item], worst_shortfall(judged, self.demands.limits))
            return 0.0, -self.score(work, item, judged)

        _, seen = descend(work.lattice, judge_items, begin, cost)
        passing = sorted((cost(i, j)[1], i) for i, j in seen.items() if cost(i, j)[0] == 0.0)
        passing = [(c, i) for c, i in passing if c <= passing[0][0] + SLACK * abs(passing[0][0])]
        result = SearchResult(
            items=np.array([i for _, i in passing], np.intp),
            scores=np.array([-c for c, _ in passing]),
            threshold=-np.inf,
            looked_at=work.result.looked_at,
            evaluated=work.result.evaluated + len(seen),
        )
        scope = f"{work.scope}; {CLIMBED.format(self.inaccuracy(work, begin[0]), len(seen))}"
        return replace(work, result=result, scope=scope, climbed=True)

    def passes(self, judged: Judged) -> bool:
        """Whether readings meet every demand."""
        kept = judged.crossover_hz >= KEPT_SHARE * self.demands.kept_crossover_hz
        return bool((self.demands.limits.met(judged) & kept).all())

    def passing(self, work: Search, items: NDArray[np.intp], telling: NDArray[np.intp], count: int) -> list[int]:
        """Keep the first so many combinations that pass exactly at every corner, in order; telling corners go ahead."""
        if len(items) and WORTH_PARTING * len(telling) <= len(self.condition):
            items = items[[self.passes(one) for one in self._judged(work, items, telling)]]
        kept: list[int] = []
        while len(items) and len(kept) < count:
            some, items = np.split(items, [count - len(kept)])
            each = zip(some.tolist(), self.judge_each(work, some), self.step_misses(work, some), strict=True)
            kept += [item for item, part, miss in each if miss <= 0.0 and self.passes(part)]
        return kept

    def step_misses(self, work: Search, items: NDArray[np.intp]) -> NDArray[np.float64]:
        """By how much combinations (N,) miss the target of the load step, relative to it; no miss without a target."""
        if self.step is None or not len(items):
            return np.full(len(items), NO_TARGET)
        parted = [self.step.misses(work, items[k : k + BATCH]) for k in range(0, len(items), BATCH)]
        return np.concatenate(parted)

    def most_score(self, judged: Judged) -> float:
        """Bound the score from above by some of the corners; infinite where only all of them or more would tell."""
        if self.demands.prefer not in {"bandwidth", "margin"}:
            return np.inf
        return float((judged.crossover_hz if self.demands.prefer == "bandwidth" else judged.modulus_margin).min())

    def score(self, work: Search, item: int, judged: Judged) -> float:
        """Exact score of a combination at the corners so far."""
        if self.demands.prefer == "bandwidth":
            return float(judged.crossover_hz.min())
        if self.demands.prefer == "crossover":
            return float(judged.crossover_hz.max())
        if self.demands.prefer == "margin":
            return float(judged.modulus_margin.min())
        return -float(self.peak(work, item).max())

    def beats(self, work: Search, item: int, best: int, score: float) -> bool:
        """Whether a combination passes exactly with a better score than the best; first where that has least room."""
        bar, known = score + UNCHANGED * abs(score), self.judge(work, best)
        telling = self.telling(known)
        few = self.judge_briefly(work, np.array([item]), telling)[0]
        lowest = self.demands.prefer in {"bandwidth", "margin"}  # at further corners such a score only falls
        if not self.passes(few) or (lowest and self.score(work, item, few) <= bar):
            return False
        if self.step_misses(work, np.array([item]))[0] > 0.0:
            return False
        return self.score(work, item, self.judge(work, item)) > bar

    def holds(self, work: Search, item: int, ends: Extremes | LikelyEnds) -> bool:
        """Whether tolerance ends meet every demand and leave the score as it is."""
        if not self.passes(ends.judged):
            return False
        score = self.score(work, item, self.judge(work, item))
        if self.demands.prefer == "step":
            at_ends = -float(self.peak(work, item, ends.corners, ends.condition).max())
        else:
            at_ends = self.score(work, item, ends.judged)
        if self.demands.prefer == "crossover":  # a higher one at some end is the highest of all
            return at_ends <= score + UNCHANGED * abs(score)
        return at_ends >= score - UNCHANGED * abs(score)

    def keeping_bandwidth(self, opened: OpenLoops) -> Examination:
        """Bound the crossover from below by half of what the corners allow, for the objective ``margin``."""
        if self.demands.prefer != "margin":
            return self
        wide = replace(self.demands, prefer="bandwidth", kept_crossover_hz=0.0)
        found = search_once(self.case, self.stage, opened, wide, slack=0.0).result
        if not len(found.items):
            return self
        return replace(self, demands=replace(self.demands, kept_crossover_hz=HALF * float(found.scores[0])))

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
            return "an amount that is not known, for no loop gain comes near 1"
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
