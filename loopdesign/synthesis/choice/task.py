"""The searches of a robust choice: correct the plant, search, confirm by the exact loop, climb where that misleads."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.transient.deviation import stepped_beside
from loopdesign.analysis.transient.places import StepMemory
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.tolerances import toleranced
from loopdesign.errors import NoDesignError
from loopdesign.synthesis.choice.confirm import BATCH, Checks, FollowedEnds, FollowedHeld, with_worst
from loopdesign.synthesis.choice.descent import highest_climb, nearest_miss
from loopdesign.synthesis.choice.examination import UNCHANGED, Examination
from loopdesign.synthesis.choice.listing import no_design
from loopdesign.synthesis.choice.step_task import step_task
from loopdesign.synthesis.search.order import TIE, in_order, rank_of
from loopdesign.synthesis.search.plant_grid import OpenLoops, open_loops
from loopdesign.synthesis.search.search import Search, near_as_product, search_once, slack_for
from loopdesign.synthesis.search.walk import SLACK
from loopdesign.workers.branch import Branch, branch

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.variants.extremes import Extremes, LikelyEnds
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.synthesis.choice.descent import Missed
    from loopdesign.synthesis.choice.step_task import StepTask
    from loopdesign.synthesis.search.loops import Demands, Responses

ROUNDS = 6
"""Times that worst tolerance ends may join the corners."""
CORRECTIONS = 4
"""Searches in one go, each with the plant corrected at another combination."""
CONFIRMED_AT_MOST = 320
"""Combinations evaluated exactly before a search is given up."""
CLOSE = 2.0 * TIE
"""Share of the best score within which combinations are kept at first; whole ties, so that their order stays."""


class Searching:
    """The corners so far of a robust choice, and the search over them.

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
    likely
        Called with parts once only the worst tolerance ends may still change them.
    """

    def __init__(
        self, case: cases.Case, stage: ExaminedStage, plain: ExaminedStage, demands: Demands, *,
        tolerances: bool, progress: Callable[[int, int], None] | None = None,
        likely: Callable[[Mapping[str, float]], None] | None = None,
    ) -> None:  # fmt: skip
        self.case, self.stage, self.plain = case, stage, plain
        self.announce = likely or (lambda _: None)
        self.tolerances, self.progress = tolerances, progress
        every = np.arange(len(stage.conditions))
        self.exam = Examination(case=case, stage=stage, demands=demands, corners=stage.conditions, condition=every)
        self.stepped = StepMemory()
        self.step = step_task(case, demands.limits, self.stepped, tolerances=tolerances)
        self.good: dict[str, float] | None = None
        self.like: Mapping[str, float] | None = None
        self.refused: list[int] = []
        self.placed: Branch[dict[str, float]] | dict[str, float] | None = None
        self.opened: OpenLoops | None = None
        self.held = FollowedHeld()
        self.checks = Checks(case, plain, demands.limits, self.stepped)
        self.ends: dict[tuple[float, ...], FollowedEnds] = {}
        self.first: Search | None = None
        self.nominal: tuple[Examination, StepTask | None] | None = None
        self.strict = False
        self.near: tuple[Responses, int] | None = None
        self.ahead: Branch[Search] | None = None
        self.missed: tuple[Search, Branch[Missed]] | None = None
        self.cut_short: tuple[float, Search, int] | None = None
        self.unchecked: list[dict[str, float]] = []

    def _all_met(self) -> bool:
        """Whether all that was confirmed without a check passes it."""
        return all(self.checks.met(parts) for parts in self.unchecked)

    def _ends_of(self, parts: Mapping[str, float]) -> FollowedEnds:
        """Follow the tolerance ends of a combination, once."""
        key = tuple(parts.values())
        if key not in self.ends:
            self.ends[key] = FollowedEnds(base_of(self.case, parts, self.stage), toleranced(self.case, parts))
        return self.ends[key]

    def _search_for_step(self, *, brief: bool) -> tuple[Search, int]:
        """Search until what is found holds the load step within its target as well, at its own worst tolerance ends."""
        for _ in range(ROUNDS):
            work, item = self._search(brief=brief)
            if self._step_holds(work.parts_of(item)):
                return work, item
        raise self._no_design(work)

    def _step_holds(self, parts: Mapping[str, float]) -> bool:
        """Whether the load step departs no further than its target allows; else its worst place joins."""
        if self.step is None:
            return True
        with stepped_beside(self.case, parts, self.stepped, tolerances=self.tolerances) as stepping:
            if self.tolerances and toleranced(self.case, parts):
                self._ends_of(parts)  # wanted where it holds
            found = self.stepped.learnt(stepping.result())
        if not found.failures(self.step.limit_v):
            return True
        self.step = self.step.with_ends(found, parts)
        return False

    def _search(self, *, brief: bool) -> tuple[Search, int]:
        """Correct the plant at a good combination, search the whole lattice, confirm; again where that moved far.

        The good combination is the last round's, or a thin search's. The correction is right for the combination it
        was read at and its like; where the answer's exact score is not the one searched with, it becomes the next good
        combination. Where a correction leads nowhere, the plain product is searched whole.

        Where the last answer scores exactly as searched, and fewer than `BATCH` ahead of it failed exactly, it is the
        best of the lattice with the responses as corrected there but for those, whatever went before; so it is taken
        where no earlier one scores better. Where not, or where placed parts score better, the product misleads, and
        the exact loop decides from there on.

        A brief search ends with the first that is confirmed, which shows what ends matter; the next goes on from it.
        """
        best, self.cut_short = None if brief else self.cut_short, None
        passed, misled = 0, False
        reference = self.good or self._thin()
        for _ in range(CORRECTIONS):
            work, confirmed = self._searched_and_confirmed(reference)
            if confirmed is None:
                passed, misled = max(passed, len(work.result.items)), misled or len(work.result.items) > 0
                if reference is None or best is not None:
                    self._leave()
                    break
                reference = None
                continue
            item, judged = confirmed
            score, searched = self.exam.score(work, item, judged), work.result.score_of(item)
            if best is None or score > best[0]:
                best = score, work, item
            agrees = abs(score - searched) <= UNCHANGED * abs(score)
            sound = agrees and item == best[2]
            misled = rank_of(work.lattice, work.result, item) >= BATCH or (misled and not sound)
            if agrees:
                break
            if brief:
                self.cut_short, self.good = best, work.parts_of(item)
                return work, item
            reference = work.parts_of(item)
        if misled or (best is not None and self._beaten(work, best[2], best[0])):
            climbed = self._climb(work, best, passed)
            best = climbed if best is None or (climbed is not None and climbed[0] > best[0]) else best
        if best is None:
            raise self._no_design(work, unconfirmed=passed)
        self.good = best[1].parts_of(best[2])
        return best[1], best[2]

    def _searched_and_confirmed(
        self, reference: Mapping[str, float] | None
    ) -> tuple[Search, tuple[int, Judged] | None]:
        """Search and confirm, among few combinations first."""
        work, self.ahead = self._begun() or self._searched(reference, slack=CLOSE), None
        wide = len(work.result.items) and (work.whole or len(work.result.items) < CONFIRMED_AT_MOST)
        if wide and not work.whole:
            with branch(lambda: work.widened(self.exam.demands).result, further=True) as wider:
                confirmed = self._confirm(work)
                if confirmed is None:
                    if reference is None:
                        self._near(work)  # most likely wanted next, and this process would wait
                    work = replace(work, result=wider.result())
                    confirmed = self._confirm_ahead_of(work, reference)
        else:
            confirmed = self._confirm_ahead_of(work, reference)
            if confirmed is None and wide:
                work = work.widened(self.exam.demands)
                confirmed = self._confirm(work)
        return work, confirmed

    def _confirm_ahead_of(self, work: Search, reference: Mapping[str, float] | None) -> tuple[int, Judged] | None:
        """Confirm, and begin to search a large lattice with the plain product, which follows where nothing passes."""
        if reference is not None and not work.whole and self.step is None:
            slack = slack_for(self.exam.demands, CLOSE)
            plain = partial(search_once, self.case, self.stage, self._opened(), self.exam.demands, slack=slack)
            self.ahead = branch(plain, further=True)
        confirmed = self._confirm(work)
        if confirmed is not None:
            self._leave()
        return confirmed

    def _leave(self) -> None:
        """Leave what was begun ahead."""
        if self.ahead is not None:
            self.ahead.drop()
        self.ahead = None

    def _begun(self) -> Search | None:
        """Return the search that was begun ahead, if there is one."""
        if self.ahead is None:
            return None
        opened = self._opened()
        return replace(self.ahead.result(), corners=opened.corners, edges=opened.edges)  # the same objects as here

    def _beaten(self, work: Search, best: int, score: float) -> bool:
        """Whether placed and rounded parts pass exactly with a better score: the correction does not hold for them."""
        placed = self._baseline()
        return placed is not None and self.exam.beats(work, work.lattice.number(placed), best, score)

    def _climb(
        self, work: Search, best: tuple[float, Search, int] | None, passed: int
    ) -> tuple[float, Search, int] | None:
        """Climb by the exact loop, the product misleading; None where none pass.

        Where nothing was confirmed, from the last good combination as well: what falls short least may lie far from it.
        """
        number = work.lattice.number
        begin = [number(placed) for placed in (self._baseline(),) if placed is not None]
        begin += [self._near(work)] if best is None else [best[2]]
        last = [[number(good)] for good in (self.good,) if best is None and good is not None]
        if best is None and not last:  # most likely there is no design
            self.missed = work, branch(partial(self._missed, work, passed))
        exact = highest_climb(self.exam, work, [begin, *last])
        confirmed = self._confirm(exact) if len(exact.result.items) else None
        if confirmed is None and not len(exact.result.items):
            return None
        if self.missed is not None:
            self.missed[1].drop()
            self.missed = None
        return None if confirmed is None else (self.exam.score(exact, *confirmed), exact, confirmed[0])

    def _near(self, work: Search) -> int:
        """Return what falls short least as a product, found once for the same responses."""
        if self.near is None or self.near[0] is not work.responses:
            self.near = work.responses, near_as_product(work, self.exam.demands)
        return self.near[1]

    def _missed(self, work: Search, passed: int) -> Missed:
        """Find what falls short least by the exact loop; passed says how many met every limit as a product."""
        return nearest_miss(self.exam, work, [self._near(work), *(self.refused if passed else [])])

    def _baseline(self) -> dict[str, float] | None:
        """Return parts placed and rounded by the trade's methods that pass exactly with nominal values."""
        if isinstance(self.placed, Branch):
            self.placed = self.placed.result()
        return self.placed or None

    def _searched(self, reference: Mapping[str, float] | None, *, thin: bool = False, slack: float = SLACK) -> Search:
        self.like = reference or self.like
        basis = None if self.step is None else self.step.at(reference, self.like, self.stepped)
        self.exam = replace(self.exam, step=basis)
        return search_once(
            self.case, self.stage, self._opened(), self.exam.demands, reference,
            step=None if basis is None else basis.demand, thin=thin, slack=slack_for(self.exam.demands, slack),
            progress=self.progress,
        )  # fmt: skip

    def _opened(self) -> OpenLoops:
        """Solve the corners so far with the loop open, once."""
        if self.opened is None or self.opened.corners is not self.exam.corners:
            self.opened = open_loops(self.case, self.stage, self.exam.corners, self.exam.condition)
        return self.opened

    def _thin(self, good: dict[str, float] | None = None) -> dict[str, float] | None:
        """Find a good combination on a thin sub-lattice: corrected at a given one, or with the plain product first."""
        for _ in range(2 if good is None else 1):
            thin = self._searched(good, thin=True, slack=CLOSE)
            if not len(thin.result.items):
                break
            good = thin.parts_of(int(in_order(thin.lattice, thin.result)[0]))
        return good

    def _confirm(self, work: Search) -> tuple[int, Judged] | None:
        """Take the first combination that passes with the exact loop gain and the multipliers at every corner."""
        order = in_order(work.lattice, work.result)[:CONFIRMED_AT_MOST]
        for item, judged in self.exam.passing_in_order(work, order):
            if not self.strict:
                self.unchecked.append(work.parts_of(item))
                return item, judged
            if self.checks.met(work.parts_of(item)):
                return item, judged
        self.refused = [int(i) for i in order[:BATCH]] or self.refused
        return None

    def _add(self, ends: Extremes | LikelyEnds) -> None:
        """Let the worst combinations of tolerance ends join the corners, each once.

        A search over fewer corners is never the stricter one, so that leaving some out is safe: they are examined again
        for whatever it finds.
        """
        corners, condition = with_worst(self.exam.corners, self.exam.condition, ends)
        self.exam, self.cut_short = replace(self.exam, corners=corners, condition=condition), None

    def _with_nominal_parts(self) -> Search | None:
        """Return the first search with nominal parts; it is made now where foreseen ends were there from the start."""
        if self.first is None and self.nominal is not None:
            now = self.exam, self.step
            self.exam, self.step = self.nominal
            self.first = self._searched(self._baseline())
            self.exam, self.step = now
        return self.first

    def _no_design(self, work: Search, unconfirmed: int = 0) -> NoDesignError:
        """Say that nothing passes, what comes nearest, which limit it misses and where, and what would help."""
        self.held.drop()
        if not self.strict and not self._all_met():
            return NoDesignError("a check fails")  # never told: the search begins anew with checks
        missed = self.missed[1] if self.missed is not None and self.missed[0] is work else None
        told = len(self.exam.condition) > len(self.stage.conditions)
        nominal = branch(self._count_with_nominal_parts) if told else Branch(lambda: 0)
        missed = missed or Branch(partial(self._missed, work, unconfirmed))
        return no_design(self.exam, work, self.plain, missed, unconfirmed, nominal)

    def _count_with_nominal_parts(self) -> int:
        """Count the combinations that meet every target with nominal parts, as far as they are known."""
        self.progress = None  # a child shows none
        first, demands = self._with_nominal_parts(), self.exam.demands
        wide = first.widened(demands) if first is not None and first.whole and not first.climbed else first
        return 0 if wide is None else len(wide.result.items)
