"""The rounds of a robust choice: search, confirm, let the worst tolerance ends join, until they change nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import check
from loopdesign.analysis.extremes import Extremes, extremes, toleranced
from loopdesign.analysis.judge import base_of, peak_impedance
from loopdesign.corners.conditions import Corners
from loopdesign.errors import LoopDesignError, NoDesignError
from loopdesign.synthesis.baseline.synthesis import place_and_round
from loopdesign.synthesis.choice.confirm import judge_candidates, worst_ends
from loopdesign.synthesis.choice.deviation import estimated_deviation, step_of
from loopdesign.synthesis.choice.refusal import readings_of, refuse_at_ends, shortfall, way_blocked, what_binds
from loopdesign.synthesis.choice.result import Choice
from loopdesign.synthesis.search.descent import descend
from loopdesign.synthesis.search.lattice import Demands, Found
from loopdesign.synthesis.search.order import alternatives, at_bounds, in_order
from loopdesign.synthesis.search.screens import SLACK
from loopdesign.synthesis.search.search import Search, near_as_product, search_once

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.judge import Judged
    from loopdesign.synthesis.search.lattice import LoopReadings

ROUNDS = 6
"""Times that worst tolerance ends may join the corners."""
CORRECTIONS = 4
"""Searches in one round, each with the plant corrected at another combination."""
BATCH = 16
"""Combinations confirmed at once."""
SHOWN = 5
"""Alternatives listed."""
WIDE = 0.5
"""Share of the best score within which alternatives are looked for where few lie close to it."""
FEW = (
    f"no other combination within {100 * WIDE:.0f} % of the best score passes every limit when examined exactly and "
    "differs by 2 % in crossover or modulus margin, 1 deg in phase or 0.4 dB in gain margin"
)
CLIMBED = "plant times compensator misleads here, so {} were examined exactly from placed parts on"
BOUND = (
    "the bound is the peak of the exact closed-loop output impedance at the worst corner, times the step of {:.3g} A; "
    "from {:.3g} A, with nominal parts, the step itself departs by {:.3g} V at most, at {:.4g} V, as estimated from "
    "the output impedance"
)
ADDED = 4
"""Tolerance ends that join the corners in one round, per reading."""
CONFIRMED_AT_MOST = 320
"""Combinations examined exactly before a search is given up."""
HALF = 0.5
"""Share of the attainable bandwidth that ``prefer = "margin"`` keeps at least."""
UNCHANGED = 2e-3
"""Change of a score at added corners that counts as none: the reading's own accuracy."""


class RobustTask:
    """One robust choice: the corners so far, and the search over them.

    Parameters
    ----------
    case
        Case with its network, divider and slope filled in.
    stage
        Conditions of line, load and temperature, nominal parts.
    plain
        Conditions of line and load only, as a check examines them.
    demands
        Limits and objective.
    tolerances
        Whether tolerance ends count as corners.
    progress
        Called with (work done, work in all) during a search.
    """

    def __init__(
        self, case: cases.Case, stage: ExaminedStage, plain: ExaminedStage, demands: Demands, *,
        tolerances: bool, progress: Callable[[int, int], None] | None,
    ) -> None:  # fmt: skip
        self.case, self.stage, self.plain, self.demands = case, stage, plain, demands
        self.tolerances, self.progress = tolerances, progress
        self.corners = stage.corners
        self.condition = np.arange(len(stage.corners))
        self.good: dict[str, float] | None = None
        self.refused: list[int] = []
        self.placed: dict[str, float] | None = None

    def run(self) -> Choice:
        """Search, confirm, add the worst tolerance ends, until they change nothing."""
        ends: Extremes | None = None
        for round_ in range(ROUNDS):
            if self.demands.prefer == "margin":
                self._keep_bandwidth()
            work, item = self._search()
            parts = work.parts_of(item)
            varied = toleranced(self.case, parts) if self.tolerances else ()
            if not varied:
                return self._outcome(work, item, None, settled=True)
            ends = extremes(base_of(self.case, parts, self.stage), varied)
            if not ends.current_loop.stable.all():
                raise refuse_at_ends(self.case, self.plain, ends.corners, ~ends.current_loop.stable)
            settled = self._holds(work, item, ends)
            if settled or round_ == ROUNDS - 1:
                return self._outcome(work, item, ends, settled=settled)
            self._add(ends)
        raise AssertionError  # the loop returns in its last round

    def _keep_bandwidth(self) -> None:
        """Bound the crossover from below by half of what the corners allow, for the objective ``margin``."""
        wide = replace(self.demands, prefer="bandwidth", lowest_crossover_hz=0.0)
        work = search_once(self.case, self.stage, self.corners, self.condition, wide)
        if len(work.found.items):
            lowest = HALF * float(work.found.scores[0])
            self.demands = replace(self.demands, lowest_crossover_hz=lowest)

    def _search(self) -> tuple[Search, int]:
        """Correct the plant at a good combination, search the whole lattice, confirm; again where that moved far.

        The good combination is the last round's, or a thin search's. The correction is right for the combination it
        was read at and its like; where the answer's exact score is not the one searched with, it becomes the next good
        combination. Where a correction leads nowhere, the plain product is searched whole.
        """
        best: tuple[float, Search, int] | None = None
        passed, misled = 0, False
        reference = self.good or self._thin()
        for _ in range(CORRECTIONS):
            work = self._searched(reference)
            confirmed = self._confirm(work)
            if confirmed is None:
                passed, misled = max(passed, len(work.found.items)), misled or len(work.found.items) > 0
                if reference is None or best is not None:
                    break
                reference = None
                continue
            item, judged = confirmed
            score, searched = self._score(judged, work, item)
            if best is None or score > best[0]:
                best = score, work, item
            misled = misled or self._place(work, item) >= BATCH
            if abs(score - searched) <= UNCHANGED * abs(score):
                break
            reference = work.parts_of(item)
        if misled or (best is not None and self._beaten(work, best[0])):
            climbed = self._climb(work, best)
            best = climbed if best is None or (climbed is not None and climbed[0] > best[0]) else best
        if best is None:
            raise self._no_design(work, unconfirmed=passed)
        self.good = best[1].parts_of(best[2])
        return best[1], best[2]

    @staticmethod
    def _place(work: Search, item: int) -> int:
        """Place of a combination in the order; those ahead of it were refused by the exact loop."""
        return int(np.flatnonzero(in_order(work.lattice, work.found) == item)[0])

    def _beaten(self, work: Search, score: float) -> bool:
        """Whether placed and rounded parts pass exactly with a better score: the correction does not hold for them."""
        placed = self._baseline()
        if placed is None:
            return False
        item = work.lattice.number(placed)
        judged = self._parted(work, np.array([item]))[0]
        return self._passes(judged) and self._exact(work, item, judged) > score + UNCHANGED * abs(score)

    def _climb(self, work: Search, best: tuple[float, Search, int] | None) -> tuple[float, Search, int] | None:
        """Climb by exact judgement from placed and confirmed parts, as the product misleads; None where none passes."""
        placed = self._baseline()
        begin = [] if placed is None else [work.lattice.number(placed)]
        begin += [near_as_product(work, self.demands)] if best is None else [best[2]]

        def cost(item: int, judged: Judged) -> tuple[float, float]:
            if not self._passes(judged):
                return 1.0, shortfall(judged, self.demands)
            return 0.0, -self._exact(work, item, judged)

        _, seen = descend(work.lattice, lambda items: self._parted(work, items), begin, cost)
        passing = sorted((cost(i, j)[1], i) for i, j in seen.items() if self._passes(j))
        passing = [(c, i) for c, i in passing if c <= passing[0][0] + SLACK * abs(passing[0][0])]
        found = Found(
            items=np.array([i for _, i in passing], np.intp),
            scores=np.array([-c for c, _ in passing]),
            threshold=-np.inf,
            looked_at=work.found.looked_at,
            evaluated=work.found.evaluated + len(seen),
        )
        exact = replace(work, found=found, scope=f"{work.scope}; {CLIMBED.format(len(seen))}", climbed=True)
        confirmed = self._confirm(exact) if passing else None
        return None if confirmed is None else (self._exact(exact, *confirmed), exact, confirmed[0])

    def _exact(self, work: Search, item: int, judged: Judged) -> float:
        """Exact score of a combination at the corners so far."""
        if self.demands.prefer == "bandwidth":
            return float(judged.crossover_hz.min())
        if self.demands.prefer == "margin":
            return float(judged.modulus_margin.min())
        return -float(self._peak(work, item).max())

    def _baseline(self) -> dict[str, float] | None:
        """Place and round by the trade's methods: parts that pass exactly with nominal values."""
        if self.placed is None:
            try:
                parts = place_and_round(self.case).assessment.parts
            except LoopDesignError:
                parts = {}
            self.placed = dict(parts) if all(parts.values()) else {}
        return self.placed or None

    def _searched(self, reference: Mapping[str, float] | None, *, thin: bool = False, slack: float = SLACK) -> Search:
        return search_once(
            self.case, self.stage, self.corners, self.condition, self.demands, reference,
            thin=thin, slack=slack, progress=self.progress,
        )  # fmt: skip

    def _thin(self) -> dict[str, float] | None:
        """Find a good combination on a thin sub-lattice, with the plain product and then with it corrected."""
        good = None
        for _ in range(2):
            thin = self._searched(good, thin=True)
            if not len(thin.found.items):
                break
            good = thin.parts_of(int(in_order(thin.lattice, thin.found)[0]))
        return good

    def _score(self, judged: Judged, work: Search, item: int) -> tuple[float, float]:
        """Exact score of a combination, and the one it was searched with."""
        return self._exact(work, item, judged), float(work.found.scores[np.flatnonzero(work.found.items == item)[0]])

    def _peak(
        self, work: Search, item: int, corners: Corners | None = None, condition: NDArray[np.intp] | None = None
    ) -> NDArray[np.float64]:
        """Peak (B,) [ohm] of the exact closed-loop output impedance with one combination, at the corners so far."""
        base = base_of(self.case, work.parts_of(item), self.stage)
        at = self.corners if corners is None else corners
        return peak_impedance(
            base, at, self.condition if condition is None else condition, work.responses.frequencies_hz
        )

    def _confirm(self, work: Search) -> tuple[int, Judged] | None:
        """Take the first combination that passes with the exact loop gain and the multipliers at every corner."""
        order = in_order(work.lattice, work.found)[:CONFIRMED_AT_MOST]
        for begin in range(0, len(order), BATCH):
            items = order[begin : begin + BATCH]
            for item, part in zip(items, self._parted(work, items), strict=True):
                if self._passes(part) and check(self.case, work.parts_of(int(item)), self.plain).targets_met:
                    return int(item), part
            self.refused = [int(i) for i in order[:BATCH]]
        return None

    def _judged(self, work: Search, items: int | NDArray[np.intp]) -> Judged:
        """Judge combinations at every corner, item by item."""
        numbers = np.atleast_1d(items)
        base = base_of(self.case, work.parts_of(int(numbers[0])), self.stage)
        return judge_candidates(base, self.corners, self.condition, work, numbers)

    def _passes(self, judged: Judged) -> bool:
        """Whether readings meet every demand."""
        d = self.demands
        crossover = judged.crossover_hz
        inside = (crossover <= d.highest_crossover_hz) & (crossover >= 0.98 * d.lowest_crossover_hz)
        margins = (judged.phase_margin_deg >= d.phase_margin_deg) & (judged.modulus_margin >= d.modulus_margin)
        gain = np.isnan(judged.gain_margin_db) | (judged.gain_margin_db >= d.gain_margin_db)
        return bool((judged.stable & inside & margins & gain).all())

    def _holds(self, work: Search, item: int, ends: Extremes) -> bool:
        """Whether tolerance ends meet every demand and leave the score as it is."""
        if not self._passes(ends.judged):
            return False
        score = self._exact(work, item, self._judged(work, item))
        if self.demands.prefer == "step":
            at_ends = -float(self._peak(work, item, ends.corners, ends.condition).max())
        else:
            at_ends = self._exact(work, item, ends.judged)
        return at_ends >= score - UNCHANGED * abs(score)

    def _add(self, ends: Extremes) -> None:
        """Let the worst combinations of tolerance ends join the corners, each once.

        A search over fewer corners is never the stricter one, so that leaving some out is safe: they are examined again
        for whatever it finds.
        """
        chosen = worst_ends(ends.judged, ADDED)
        added = ends.corners.take(chosen)
        keys = set(self.corners.factors) | set(added.factors)

        def column(corners: Corners, key: str) -> NDArray[np.float64]:
            return np.broadcast_to(np.asarray(corners.factor(key), float), (len(corners),))

        factors = {k: np.concatenate([column(self.corners, k), column(added, k)]) for k in sorted(keys)}
        condition = np.concatenate([self.condition, ends.condition[chosen]])
        table = np.column_stack([condition, *factors.values()])
        _, first = np.unique(table, axis=0, return_index=True)
        first = np.sort(first)
        both = {
            n: np.concatenate([getattr(self.corners, n), getattr(added, n)])
            for n in ("input_voltage", "load_current", "temperature")
        }
        self.corners = Corners(**both, factors=factors).take(first)
        self.condition = condition[first]

    def _no_design(self, work: Search, unconfirmed: int = 0) -> NoDesignError:
        """Say that nothing passes, what comes nearest when examined exactly, what stops it where, what would help."""
        begin = [near_as_product(work, self.demands), *(self.refused if unconfirmed else [])]
        item, seen = descend(
            work.lattice,
            lambda items: self._parted(work, items),
            begin,
            lambda _, judged: (shortfall(judged, self.demands), 0.0),
        )
        judged = seen[item]
        told = [what_binds(judged, self.corners, self.demands)]
        if unconfirmed:
            told.append(f"{unconfirmed} combinations pass as plant times compensator, none when examined exactly")
        if len(self.condition) > len(self.stage.corners):
            told.append("with nominal parts some combination meets every target: the tolerance ends stop all")
        blocked, proposed = way_blocked(self.case, self.plain, self.corners)
        told += blocked
        return NoDesignError(
            f"no combination of preferred values meets the targets at all {len(self.condition)} corners; {work.scope}",
            nearest={"parts": work.parts_of(item), "reasons": told[:1], **proposed},
            obstacles=told,
        )

    def _parted(self, work: Search, items: NDArray[np.intp]) -> list[Judged]:
        """Judge combinations at every corner, one result each."""
        count = len(self.condition)
        parted = []
        for begin in range(0, len(items), BATCH):
            some = items[begin : begin + BATCH]
            judged = self._judged(work, some)
            parted += [judged.take(np.arange(k * count, (k + 1) * count)) for k in range(len(some))]
        return parted

    def _outcome(self, work: Search, item: int, ends: Extremes | None, *, settled: bool) -> Choice:
        parts = work.parts_of(item)
        place, others = self._alternatives(work, item)
        if len(others) < SHOWN and not work.climbed:
            others = self._alternatives(self._searched(work.reference, slack=WIDE), item)[1]
        listed = np.array([item, *others], np.intp)
        begin, step = step_of(self.case)
        shown = [
            work.candidate(int(i), self.demands, step, self._readings(work, int(i), judged))
            for i, judged in zip(listed, self._parted(work, listed), strict=True)
        ]
        method = work.method(len(self.condition), item, settled=settled, place=place)
        notes = at_bounds(work.lattice, item)
        if self.demands.prefer == "step":
            notes += (BOUND.format(step, begin, *estimated_deviation(self.case, parts)),)
        if len(others) < SHOWN:
            notes += (f"{len(others)} others listed, not {SHOWN}: {FEW}",)
        return Choice(
            assessment=check(self.case, parts, self.plain), chosen={}, method=method, prefer=self.demands.prefer,
            best=shown[0], alternatives=tuple(shown[1:]), notes=notes, extremes=ends, corners=len(self.condition),
            combinations=work.lattice.size, evaluated=work.found.evaluated,
        )  # fmt: skip

    def _readings(self, work: Search, item: int, judged: Judged) -> LoopReadings:
        """Exact readings (1,B) of one combination, the peak impedance among them where it is the objective."""
        found = readings_of(judged)
        if self.demands.prefer != "step":
            return found
        return replace(found, peak_impedance=self._peak(work, item)[None])

    def _alternatives(self, work: Search, item: int) -> tuple[int, list[int]]:
        """Place of the choice in the order, and the best others; those ahead of it were refused by the exact loop."""
        order, place = in_order(work.lattice, work.found), self._place(work, item)
        listed = alternatives(work.lattice, order[place:], item, count=3 * SHOWN, told=work.telling)
        return place, self._confirmed(work, listed)[:SHOWN]

    def _confirmed(self, work: Search, items: list[int]) -> list[int]:
        """Keep the combinations that pass with the exact loop gain and the multipliers at every corner."""
        if not items:
            return []
        judged = self._parted(work, np.array(items))
        return [item for item, part in zip(items, judged, strict=True) if self._passes(part)]
