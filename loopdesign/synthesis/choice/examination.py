"""Combinations examined by the exact model at every corner so far: whether they pass, and their score."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.analysis.variants.judge import peak_impedance
from loopdesign.analysis.variants.solve import base_of
from loopdesign.network.batch import joined
from loopdesign.synthesis.choice.confirm import BATCH, Seen, candidates, in_batches, judge_candidates, recalled
from loopdesign.synthesis.choice.refusal import exact_readings
from loopdesign.synthesis.search.search import search_once

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

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

    Array = NDArray[np.float64]

NO_TARGET = -1.0
"""Miss of a target that nobody asks for [unitless]."""
FEW = 3
"""Combinations examined together where the first one fails."""
MANY = 160
"""Combinations examined together at most where many before them failed."""
WORTH_PARTING, WORTH_LOOKING_AHEAD = 3, 2
"""Corners in all per telling one from which those are examined ahead of the others, most of which these will drop."""
UNCHANGED = 2e-3
"""Change of a score at added corners that counts as zero: the reading's own accuracy."""
HALF = 0.5
"""Share of the attainable bandwidth that ``prefer = "margin"`` keeps at least."""
KEPT_SHARE = 0.98
"""Share of the crossover to keep that the exact loop must reach: it differs a little from the one searched with."""


CornerName: TypeAlias = "tuple[object, ...]"
"""Condition of a corner, and the factors that differ from one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownAt:
    """What is known of one combination: its readings, and at which corners."""

    judged: Judged
    at: Mapping[CornerName, int]

    @classmethod
    def of(cls, names: list[CornerName], judged: Judged, before: KnownAt | None) -> KnownAt:
        """Add readings at further corners to those known before."""
        if before is None:
            return cls(judged=judged, at={name: k for k, name in enumerate(names)})
        further = {name: len(before.at) + k for k, name in enumerate(names)}
        return cls(judged=joined([before.judged, judged]), at={**before.at, **further})

    def there(self, names: list[CornerName]) -> Judged:
        """Return the readings at some of the corners, in order."""
        return self.judged.take(np.array([self.at[name] for name in names], np.intp))


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
    seen, peaks
        Combinations judged before, and where; the peaks of impedance that are known of them.
    """

    case: cases.Case
    stage: ExaminedStage
    demands: Demands
    corners: Corners
    condition: NDArray[np.intp]
    step: StepBasis | None = None
    seen: Seen[KnownAt] = field(default_factory=Seen, compare=False, repr=False)
    peaks: Seen[Array] = field(default_factory=Seen, compare=False, repr=False)

    def judge(self, work: Search, item: int) -> Judged:
        """Judge a combination at every corner."""
        return self.judge_each(work, np.array([item]))[0]

    def judge_each(self, work: Search, items: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at every corner, one result each; those judged before are known."""
        return self.judge_at(work, items, np.arange(len(self.condition)))

    def judge_at(self, work: Search, items: NDArray[np.intp], corners: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at some of the corners, one result each, where they have not been judged before."""
        known, names = self.seen.about(self.case, self.stage), self._names(corners)
        keys = [tuple(row) for row in work.lattice.values(items).tolist()]
        lacking: dict[tuple[int, ...], dict[tuple[float, ...], int]] = {}
        for item, key in zip(items.tolist(), keys, strict=True):
            at = known[key].at if key in known else {}
            lacking.setdefault(tuple(k for k, n in zip(corners.tolist(), names, strict=True) if n not in at), {})[
                key
            ] = item
        for missing, of in lacking.items():
            if missing:
                where = np.array(missing)
                judged = self._in_batches(work, np.array(list(of.values())), where)
                for key, one in zip(of, judged, strict=True):
                    known[key] = KnownAt.of(self._names(where), one, known.get(key))
        return [known[key].there(names) for key in keys]

    def _names(self, corners: NDArray[np.intp]) -> list[CornerName]:
        """Tell some of the corners apart by condition and factors, whatever others there are."""
        columns = {name: np.asarray(factor)[corners].tolist() for name, factor in sorted(self.corners.factors.items())}
        moved = [[(name, c[k]) for name, c in columns.items() if c[k] != 1.0] for k in range(len(corners))]
        return [(int(k), *m) for k, m in zip(self.condition[corners], moved, strict=True)]

    def _in_batches(self, work: Search, items: NDArray[np.intp], corners: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at some of the corners, one result each; half of many meanwhile in a child."""
        return in_batches(lambda batch: self._judged(work, batch, corners), items, len(corners))

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
        return self._judge_in_stages(work, items, [telling], least)[0]

    def _judge_in_stages(
        self, work: Search, items: NDArray[np.intp], stages: list[NDArray[np.intp]], least: float = -np.inf
    ) -> tuple[list[Judged], NDArray[np.intp]]:
        """Judge combinations at some corners, those that do well there at more, in the end at all.

        Returns one result each, and the corner (N,) at which each falls short most of those where it was judged.
        """
        judged: dict[int, Judged] = {}
        left = np.arange(len(items))
        worst = np.zeros(len(items), np.intp)
        for corners in (*stages, np.arange(len(self.condition))):
            each = self.judge_at(work, items[left], corners)
            judged |= zip(left.tolist(), each, strict=True)
            worst[left] = [corners[np.argmax(self.demands.limits.shortfall(one))] for one in each]
            left = left[np.array([self.passes(one) and self.most_score(one) >= least for one in each], bool)]
        return [judged[k] for k in range(len(items))], worst

    def passing_in_order(self, work: Search, order: NDArray[np.intp]) -> Iterator[tuple[int, Judged]]:
        """Yield the combinations that pass with the exact loop gain and the multipliers at every corner, in order.

        The others are judged first at the corner where most of those before them fell short most; then, where that
        spares enough, at those where the first has least room.
        """
        stages: list[NDArray[np.intp]] = []
        telling, begin, count = np.empty(0, np.intp), 0, 1
        fell_short = np.zeros(len(self.condition), np.intp)
        while begin < len(order):
            items = order[begin : begin + count]
            each, worst = self._judge_in_stages(work, items, stages)
            for item, part in zip(items, each, strict=True):
                if self.passes(part) and self.step_misses(work, np.array([item]))[0] <= 0.0:
                    yield int(item), part
            failed = [k for k, part in enumerate(each) if not self.passes(part)]
            fell_short += np.bincount(worst[failed], minlength=len(fell_short))
            telling = telling if begin else self.telling(each[0])
            first = np.array([np.argmax(fell_short)])
            stages = [first, np.union1d(first, telling)][: 2 if WORTH_PARTING * len(telling) <= len(fell_short) else 1]
            begin, count = begin + count, min(max(BATCH, begin + count), MANY) if begin else FEW

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

    def judge_ahead(
        self, work: Search, items: NDArray[np.intp], misses: dict[int, float], best: Judged
    ) -> list[Judged] | None:  # fmt: skip
        """Judge combinations where another one has least room, none of them missing the load step's target there.

        None where that would be at most of the corners.
        """
        telling = self.telling(best)
        if WORTH_LOOKING_AHEAD * len(telling) > len(self.condition):
            return None
        misses.update(dict.fromkeys(items.tolist(), NO_TARGET))
        return self.judge_at(work, items, telling)

    def passes(self, judged: Judged) -> bool:
        """Whether readings meet every demand."""
        kept = judged.crossover_hz >= KEPT_SHARE * self.demands.kept_crossover_hz
        return bool((self.demands.limits.met(judged) & kept).all())

    def passing(self, work: Search, items: NDArray[np.intp], telling: NDArray[np.intp], count: int) -> list[int]:
        """Keep the first so many combinations that pass exactly at every corner, in order; telling corners go ahead."""
        if len(items) and WORTH_PARTING * len(telling) <= len(self.condition):
            items = items[[self.passes(one) for one in self.judge_at(work, items, telling)]]
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
        if corners is None or condition is None:
            return self.peaks_of(work, np.array([item]))[0]
        base = base_of(self.case, work.parts_of(item), self.stage)
        return peak_impedance(base, corners, condition, work.responses.frequencies_hz)

    def read_ahead(self, work: Search, items: NDArray[np.intp]) -> None:
        """Read what the scores of combinations need together."""
        if self.demands.prefer == "step" and len(items):
            self.peaks_of(work, items)

    def peaks_of(self, work: Search, items: NDArray[np.intp]) -> list[Array]:
        """Peaks (B,) [ohm] of combinations at the corners so far, one result each; those read before are known."""
        grid = work.responses.frequencies_hz

        def read(some: NDArray[np.intp]) -> list[Array]:
            base = base_of(self.case, work.parts_of(int(some[0])), self.stage)
            corners, condition = candidates(base, self.corners, self.condition, work, some)
            return list(peak_impedance(base, corners, condition, grid).reshape(len(some), -1))

        known = self.peaks.about(self.case, self.stage, self.corners)
        return recalled(
            known, work.lattice.values(items), lambda new: in_batches(read, items[new], len(self.condition))
        )

    def readings(self, work: Search, item: int, judged: Judged) -> LoopReadings:
        """Exact readings (1,B) of one combination, the peak impedance among them where it is the objective."""
        exact = exact_readings(judged)
        if self.demands.prefer != "step":
            return exact
        return replace(exact, peak_impedance=self.peak(work, item)[None])
