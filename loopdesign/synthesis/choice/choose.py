"""The robust choice: every combination of preferred values against all corners at once, then confirmed exactly.

1. Corners are line x load x temperature with nominal parts, and combinations of tolerance ends.
2. The lattice, every combination of preferred values, is searched with the plant responses of all corners
   (`search.screens`); its answer is the best there is for those responses.
3. Plant times compensator leaves out the ripple that reaches the comparator. What that changes varies slowly from one
   combination to the next, so the plant is corrected, corner by corner, by the ratio of the exact loop gain to the
   product at a good combination: those are the plant responses used.
4. Combinations are then confirmed with the exact loop gain and the multipliers at every corner, best first, until one
   passes.
5. Tolerance ends that are worst for that combination join the corners; where they change nothing, the choice stands. A
   search over fewer corners can only promise more, so what passes with its score unchanged at all of them is the best.
   Those that are likely to be worst for parts placed by the trade's methods join before the first search, to spare a
   round, where the lattice is small enough to be searched whole and margin is not preferred.
   Where the lattice is larger, the first combination confirmed says which ends join; where they tell nothing new, the
   search goes on from it.
6. What is chosen is held against a check. Where it fails one, all is done anew, and every combination confirmed is.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.limits import conflicts, limits_of
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import Compensation
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import toleranced
from loopdesign.corners.trouble import names_file
from loopdesign.errors import NoDesignError
from loopdesign.synthesis.baseline.synthesis import placed_to_begin_with
from loopdesign.synthesis.choice.listing import listing, outcome
from loopdesign.synthesis.choice.refusal import refuse_at_ends
from loopdesign.synthesis.choice.result import Choice
from loopdesign.synthesis.choice.task import ROUNDS, Searching
from loopdesign.synthesis.cures.current_loop import refuse_unstable_current_loop
from loopdesign.synthesis.cures.divider import DividerChoice, choose_divider
from loopdesign.synthesis.cures.slope import open_slope, report_slope, with_slope
from loopdesign.synthesis.search.loops import Demands
from loopdesign.synthesis.search.search import searched_lattice
from loopdesign.workers.branch import Branch, branch

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.limits import Limits
    from loopdesign.synthesis.choice.examination import Examination
    from loopdesign.synthesis.choice.listing import Listing
    from loopdesign.synthesis.search.loops import Prefer
    from loopdesign.synthesis.search.search import Search

__all__ = ["Choice", "choose"]


class Ahead(Protocol):
    """Who begins with what follows a choice before it is made."""

    def prepare(self, case: cases.Case) -> None:
        """Take note of the case, its divider and slope chosen."""

    def begin(self, case: cases.Case, parts: Mapping[str, float]) -> None:
        """Take note of parts that are likely to be chosen [ohm], [F]."""


class RobustTask(Searching):
    """One robust choice; see `Searching` for what it begins with."""

    def run(self) -> Choice:
        """Search, confirm, add the worst tolerance ends, until they change nothing.

        Only what is chosen is held against a check; where that fails, every combination confirmed is, from nominal
        parts on. So it is where there is no choice, and one that led there fails its check.
        """
        begun = self.exam
        place = partial(placed_to_begin_with, self.case, self.plain, self.exam.demands.limits)
        foresee = self.tolerances and self.exam.demands.prefer != "margin" and searched_lattice(self.case).small
        self.placed = Branch(place) if foresee else branch(place)
        if foresee:
            self._foresee()
        try:
            found = self._rounds_until_met(begun)
        finally:
            self._drop_what_was_begun()
        if found is None:
            raise AssertionError  # what was confirmed with a check passes it
        return found

    def _rounds_until_met(self, begun: Examination) -> Choice | None:
        """Search, and from what it began with once more and strictly, where a check fails."""
        try:
            found = self._rounds()
        except NoDesignError:
            if self._all_met():
                raise
            found = None
        if found is None:
            self._drop_what_was_begun()
            self.exam, self.strict = begun, True
            self.good = self.like = self.first = self.nominal = self.cut_short = None
            found = self._rounds()
        return found

    def _drop_what_was_begun(self) -> None:
        """Leave what nobody waits for any more; placed parts that are wanted later are placed then."""
        if isinstance(self.placed, Branch):
            self.placed.drop()
        if self.missed is not None:
            self.missed[1].drop()
            self.missed = None
        self._leave()

    def _foresee(self) -> None:
        """Let tolerance ends join at once that are worst for parts placed by the trade's methods.

        The worst ends of what is chosen are mostly among them, which spares a round. Not where margin is preferred, far
        from placed parts, nor where a lattice is too large to be searched whole: the way from nominal parts on decides
        there where a climb ends. Nor where a thin search finds nothing that holds the load step.
        """
        placed = self._baseline()
        if placed is None or not toleranced(self.case, placed) or (self.step is not None and self._thin() is None):
            return
        self.nominal = self.exam, self.step
        self.held.begin(base_of(self.case, placed, self.stage), toleranced(self.case, placed))
        self._add(self._ends_of(placed).likely)
        self.good = self._thin(placed)

    def _rounds(self) -> Choice | None:
        """Search and confirm, and let the worst tolerance ends join, until they change nothing; None: a check fails."""
        brief, round_ = self.tolerances and not searched_lattice(self.case).small, 0
        while True:
            last = round_ == ROUNDS - 1
            if self.cut_short is None:  # else the corners are those it was kept for
                self.exam = self.exam.keeping_bandwidth(self._opened())
            work, item = self._search_for_step(brief=brief and not last)
            self.first = self.first or (None if self.nominal else work)
            parts, found, settled = work.parts_of(item), None, True
            listed = self._listed(work, item, probable=(round_ > 0 or bool(self.nominal)) and self.cut_short is None)
            if self.tolerances and toleranced(self.case, parts):
                self.held.begin(base_of(self.case, parts, self.stage), toleranced(self.case, parts))
                ends = self._ends_of(parts)
                if not last and not self.exam.holds(work, item, ends.likely):
                    listed.drop()
                    self._add(ends.likely)
                    round_ += 1
                    continue
                if self.cut_short is not None:  # its ends tell nothing new: search on
                    brief = False
                    continue
                self.announce(parts)
                found = ends.worst(self.held.beside(ends))
                if not found.current_loop.stable.all():
                    listed.drop()
                    raise refuse_at_ends(self.case, self.plain, found.corners, ~found.current_loop.stable)
                settled = self.exam.holds(work, item, found)
            elif self.cut_short is not None:  # it has no ends that could tell anything
                listed.drop()
                brief = False
                continue
            else:
                self.announce(parts)
            if found is None or settled or last:
                if not self.checks.met(parts):
                    listed.drop()
                    return None
                check = self.checks.of(parts)
                return outcome(self.exam, check, work, listed.result(), found, settled=settled)
            listed.drop()
            self._add(found)
            round_ += 1

    def _listed(self, work: Search, item: int, *, probable: bool) -> Branch[Listing]:
        """Begin to list the best others beside a combination, where it is likely to be the one chosen."""
        make = partial(listing, self.exam, work, item)
        return branch(make, further=True) if probable or not self.tolerances else Branch(make)


@names_file("no choice of parts")
def choose(
    case: cases.Case,
    progress: Callable[[int, int], None] | None = None,
    *,
    tolerances: bool = True,
    advise: bool = True,
    ahead: Ahead | None = None,
) -> Choice:
    """Choose the open parts of a case for all corners at once.

    Parameters
    ----------
    case
        Case with an error amplifier and a divider.
    progress
        Called with (work done, work in all) during a search.
    tolerances
        Whether tolerance ends and temperatures count as corners; line and load alone where not.
    advise
        Whether single changes are evaluated where nothing meets the targets, which takes longer than the search.
    ahead
        Who is told of the case before the search, and of parts that only the worst tolerance ends may still change.

    Returns
    -------
    Choice
        Parts that meet every target at every corner, the best of the lattice.

    Raises
    ------
    NoDesignError
        Where no combination meets the targets: the nearest miss, which limit it fails and where.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    chosen: dict[str, float] = {}
    if case.compensation is None:
        case = case.model_copy(update={"compensation": Compensation()})
    open_ramp = case.modulator.scheme == "peak current" and case.modulator.slope is None
    if open_ramp:
        chosen["slope"] = open_slope(case, tolerances=tolerances)
        case = with_slope(case, chosen["slope"])
    case, divided = _with_divider(case, chosen)
    if ahead is not None:
        ahead.prepare(case)
    plain = examine_stage(case)
    refuse_unstable_current_loop(plain)
    stage = _at_temperatures(case, plain) if tolerances and case.specification.temperature else plain
    limits = limits_of(case, stage)
    _refuse_conflict(case, limits)
    slope = report_slope(case, limits.value("crossover_limit")) if open_ramp else None
    compensation = case.compensation
    if compensation is None or not compensation.open_parts:
        parts = {} if compensation is None else {k: v for k, v in compensation.parts.items() if v is not None}
        if ahead is not None and parts:
            ahead.begin(case, parts)
        return Choice(
            check=examine(case, parts, plain, limits), chosen=chosen, method="all parts were given",
            prefer=_objective(case), divider_choice=divided, slope_report=slope,
        )  # fmt: skip
    demands = Demands(limits=limits, prefer=_objective(case), advise=advise)
    likely = None if ahead is None else partial(ahead.begin, case)
    task = RobustTask(case, stage, plain, demands, tolerances=tolerances, progress=progress, likely=likely)
    choice = task.run()
    chosen.update({k: choice.check.parts[k] for k in compensation.open_parts})
    return replace(choice, chosen=chosen, divider_choice=divided, slope_report=slope)


def _at_temperatures(case: cases.Case, plain: ExaminedStage) -> ExaminedStage:
    """Examine every line and load at every temperature, each beginning at what was found for the nominal one."""
    corners = base_corners(case)
    origin = np.arange(len(corners)) * len(plain.conditions) // len(corners)
    return examine_stage(case, corners, plain.point.sequence.take(origin))


def _objective(case: cases.Case) -> Prefer:
    """Return what decides among the combinations that meet every limit: a crossover asked for comes first."""
    return case.targets.prefer if case.targets.crossover is None else "crossover"


def _with_divider(case: cases.Case, chosen: dict[str, float]) -> tuple[cases.Case, DividerChoice | None]:
    """Fill in the upper divider resistor where it is open."""
    divider, amplifier = case.divider, case.error_amplifier
    if divider is None or amplifier is None or divider.upper is not None:
        return case, None
    if amplifier.reference >= case.specification.output_voltage:
        return case, None
    choice = choose_divider(case)
    chosen["divider.upper"] = choice.chosen.upper
    return case.model_copy(update={"divider": divider.model_copy(update={"upper": choice.chosen.upper})}), choice


CONFLICT = "ask for a lower crossover, or set targets.crossover_limit higher"
"""What resolves a crossover asked for above the limit."""


def _refuse_conflict(case: cases.Case, limits: Limits) -> None:
    """Refuse a crossover asked for, or a lowest one, that lies above the crossover limit."""
    for told in conflicts(case, limits):
        source = limits["crossover_limit"].source
        raise NoDesignError(told, obstacles=[f"the limit comes from {source}; {CONFLICT}"])
