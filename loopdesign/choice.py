"""The robust choice: every combination of preferred values against all corners at once, then confirmed exactly.

1. Corners are line x load x temperature with nominal parts, and combinations of tolerance ends.
2. The lattice is searched with the plant responses of all corners (`lattice_screens`); its answer is the best there is
   for those responses.
3. Plant times compensator leaves out the ripple that reaches the comparator. What that changes varies slowly from one
   combination to the next, so the plant is corrected, corner by corner, by the ratio of the exact loop gain to the
   product at a good combination: those are the plant responses used.
4. Combinations are then confirmed with the exact loop gain and the multipliers at every corner, best first, until one
   passes.
5. Tolerance ends that are worst for that combination join the corners; where they change nothing, the choice stands. A
   search over fewer corners can only promise more, so what passes with its score unchanged at all of them is the best.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.assess import Assessment, Stage, assess, examine_stage, limits
from loopdesign.choice_order import alternatives, in_order
from loopdesign.choice_search import Candidate, Search, nearest_miss_of, search_once, variant_name
from loopdesign.conditions import Corners
from loopdesign.divider_choice import DividerChoice, SlopeReport, choose_divider, report_slope
from loopdesign.errors import NoDesignError
from loopdesign.extremes import Extremes, base_corners, extremes, toleranced
from loopdesign.judge import Judged, base_of, judge
from loopdesign.lattice import PARTS, Demands, figures
from loopdesign.synthesis import refuse_unstable_current_loop, with_choices

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.judge import Base
    from loopdesign.lattice import Prefer

ROUNDS = 6
"""Times that worst tolerance ends may join the corners."""
CORRECTIONS = 4
"""Searches in one round, each with the plant corrected at another combination."""
BATCH = 16
"""Combinations confirmed at once."""
CONFIRMED_AT_MOST = 320
"""Combinations examined exactly before a search is given up."""
HALF = 0.5
"""Share of the attainable bandwidth that ``prefer = "margin"`` keeps at least."""
UNCHANGED = 2e-3
"""Change of a score at added corners that counts as none: the reading's own accuracy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The parts chosen, and what the choice rests on.

    Attributes
    ----------
    assessment
        The case with the chosen parts at every line and load, nominal parts, as a check shows it.
    chosen
        Names of what was open, with the values chosen [SI units].
    method
        What was done and what is proven, in sentences.
    prefer
        The objective.
    best
        The choice with its readings at all corners of the search; None where nothing was open.
    alternatives
        The best combinations that differ in more than one step each.
    extremes
        Worst combinations of tolerance ends; None where nothing was open or nothing has a tolerance.
    divider, slope
        How divider and ramp were chosen; None where they were given.
    corners
        Number of corners of the last search.
    combinations, evaluated
        Size of the lattice, and how many of it were evaluated whole.
    """

    assessment: Assessment
    chosen: dict[str, float]
    method: str
    prefer: Prefer
    best: Candidate | None = None
    alternatives: tuple[Candidate, ...] = ()
    extremes: Extremes | None = None
    divider: DividerChoice | None = None
    slope: SlopeReport | None = None
    corners: int = 0
    combinations: int = 0
    evaluated: int = 0


def choose(case: cases.Case, progress: Callable[[int, int], None] | None = None, *, tolerances: bool = True) -> Choice:
    """Choose the open parts of a case for all corners at once.

    Parameters
    ----------
    case
        Case with an error amplifier and a divider.
    progress
        Called with (work done, work in all) during a search.
    tolerances
        Whether tolerance ends and temperatures count as corners; line and load alone where not.

    Returns
    -------
    Choice
        Parts that meet every target at every corner, the best of the lattice.

    Raises
    ------
    NoDesignError
        Where no combination meets the targets: the nearest miss, what binds and where.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    given_slope = getattr(case.modulator, "slope", 0.0)
    case, chosen = with_choices(case)
    case, divided = _with_divider(case, chosen)
    plain = examine_stage(case)
    refuse_unstable_current_loop(plain)
    highest = next(x.value for x in limits(case, plain) if x.name == "crossover_limit")
    slope = report_slope(case, highest) if given_slope is None else None
    compensation = case.compensation
    if compensation is None or not compensation.open_parts:
        parts = {} if compensation is None else {k: v for k, v in compensation.parts.items() if v is not None}
        return Choice(
            assessment=assess(case, parts, plain), chosen=chosen, method="all parts were given",
            prefer=case.targets.prefer, divider=divided, slope=slope,
        )  # fmt: skip
    stage = examine_stage(case, base_corners(case)) if tolerances and case.specification.temperature else plain
    task = _Task(case, stage, plain, _demands(case, highest), tolerances=tolerances, progress=progress)
    found = task.run()
    chosen.update({k: found.parts[k] for k in compensation.open_parts})
    return replace(found.choice, chosen=chosen, divider=divided, slope=slope)


def _with_divider(case: cases.Case, chosen: dict[str, float]) -> tuple[cases.Case, DividerChoice | None]:
    """Fill in the upper divider resistor where it is open."""
    divider, amplifier = case.divider, case.error_amplifier
    if divider is None or amplifier is None or divider.upper is not None:
        return case, None
    if amplifier.reference >= case.specification.output_voltage:
        return case, None
    found = choose_divider(case)
    chosen["divider.upper"] = found.chosen.upper
    return case.model_copy(update={"divider": divider.model_copy(update={"upper": found.chosen.upper})}), found


def _demands(case: cases.Case, highest: float) -> Demands:
    """State what the case asks; a crossover given as a frequency is the highest wanted at any corner."""
    t = case.targets
    return Demands(
        phase_margin_deg=t.phase_margin,
        gain_margin_db=t.gain_margin,
        modulus_margin=t.modulus_margin,
        highest_crossover_hz=highest if t.crossover is None else min(highest, t.crossover),
        prefer=t.prefer,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    parts: dict[str, float]
    choice: Choice


class _Task:
    """One robust choice: the corners so far, and the search over them."""

    def __init__(
        self, case: cases.Case, stage: Stage, plain: Stage, demands: Demands, *,
        tolerances: bool, progress: Callable[[int, int], None] | None,
    ) -> None:  # fmt: skip
        self.case, self.stage, self.plain, self.demands = case, stage, plain, demands
        self.tolerances, self.progress = tolerances, progress
        self.corners = stage.corners
        self.condition = np.arange(len(stage.corners))
        self.good: dict[str, float] | None = None
        self.refused = ""

    def run(self) -> _Outcome:
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
            settled = self._holds(self._judged(work, item), ends.judged)
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
        passed_as_product = 0
        reference = self.good or self._thin()
        for _ in range(CORRECTIONS):
            work = self._searched(reference)
            confirmed = self._confirm(work)
            if confirmed is None:
                passed_as_product = max(passed_as_product, len(work.found.items))
                if reference is None or best is not None:
                    break
                reference = None
                continue
            item, judged = confirmed
            score, searched = self._score(judged, work, item)
            if best is None or score > best[0]:
                best = score, work, item
            if abs(score - searched) <= UNCHANGED * abs(score):
                break
            reference = work.parts_of(item)
        if best is None:
            raise self._no_design(work, unconfirmed=passed_as_product)
        self.good = best[1].parts_of(best[2])
        return best[1], best[2]

    def _searched(self, reference: Mapping[str, float] | None, *, thin: bool = False) -> Search:
        return search_once(
            self.case, self.stage, self.corners, self.condition, self.demands, reference,
            thin=thin, progress=self.progress,
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
        """Exact score of a combination, and the one it was searched with; the exact peak impedance is not read."""
        searched = float(work.found.scores[np.flatnonzero(work.found.items == item)[0]])
        if self.demands.prefer == "bandwidth":
            return float(judged.crossover_hz.min()), searched
        if self.demands.prefer == "margin":
            return float(judged.modulus_margin.min()), searched
        values = work.lattice.values(np.array([item]))
        product = figures(work.responses, values).crossover_hz.min()
        shift = float(judged.crossover_hz.min() / product) - 1.0
        return searched * (1.0 - shift), searched

    def _confirm(self, work: Search) -> tuple[int, Judged] | None:
        """Take the first combination that passes with the exact loop gain and the multipliers at every corner."""
        order = in_order(work.lattice, work.found)[:CONFIRMED_AT_MOST]
        count = len(self.condition)
        for begin in range(0, len(order), BATCH):
            items = order[begin : begin + BATCH]
            judged = self._judged(work, items)
            for k, item in enumerate(items):
                part = judged.take(np.arange(k * count, (k + 1) * count))
                if self._passes(part) and assess(self.case, work.parts_of(int(item)), self.plain).targets_met:
                    return int(item), part
                if not self.refused:
                    self.refused = self._refusal(part)
        return None

    def _refusal(self, judged: Judged) -> str:
        """Say why the first combination was not confirmed."""
        shaky = np.flatnonzero(~judged.stable)
        if not len(shaky):
            return "the exact loop gain falls short where plant times compensator does not"
        worst = int(np.argmax(np.where(judged.stable, 0.0, judged.largest_multiplier)))
        name = variant_name(self.corners, worst)
        return f"{len(shaky)} of {len(self.condition)} corners are unstable by their multipliers, the worst {name}"

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

    def _holds(self, judged: Judged, added: Judged) -> bool:
        """Whether added corners meet every demand and leave the score as it is."""
        if not self._passes(added):
            return False
        if self.demands.prefer == "bandwidth":
            return bool(added.crossover_hz.min() >= judged.crossover_hz.min() * (1.0 - UNCHANGED))
        if self.demands.prefer == "margin":
            return bool(added.modulus_margin.min() >= judged.modulus_margin.min() * (1.0 - UNCHANGED))
        return len(self.condition) > len(self.stage.corners)  # the ends have joined once

    def _add(self, ends: Extremes) -> None:
        """Let combinations of tolerance ends join the corners, each once."""
        keys = set(self.corners.factors) | set(ends.corners.factors)

        def column(corners: Corners, key: str) -> NDArray[np.float64]:
            return np.broadcast_to(np.asarray(corners.factor(key), float), (len(corners),))

        factors = {k: np.concatenate([column(self.corners, k), column(ends.corners, k)]) for k in sorted(keys)}
        condition = np.concatenate([self.condition, ends.condition])
        table = np.column_stack([condition, *factors.values()])
        _, first = np.unique(table, axis=0, return_index=True)
        first = np.sort(first)
        both = {
            n: np.concatenate([getattr(self.corners, n), getattr(ends.corners, n)])
            for n in ("input_voltage", "load_current", "temperature")
        }
        self.corners = Corners(**both, factors=factors).take(first)
        self.condition = condition[first]

    def _no_design(self, work: Search, unconfirmed: int = 0) -> NoDesignError:
        """Say that nothing passes, what comes nearest, and what stops it where."""
        nearest = nearest_miss_of(work, self.demands)
        told = [f"{nearest.binds} stands in the way"]
        if unconfirmed:
            told = [f"{unconfirmed} combinations pass as plant times compensator, none when examined exactly"]
            told.append(f"for the best of them, {self.refused}")
        summary = {"parts": dict(nearest.parts), "reasons": told}
        return NoDesignError(
            f"no combination of preferred values meets the targets at all {len(self.condition)} corners; {work.scope}",
            nearest=summary,
            obstacles=told,
        )

    def _outcome(self, work: Search, item: int, ends: Extremes | None, *, settled: bool) -> _Outcome:
        parts = work.parts_of(item)
        order = in_order(work.lattice, work.found)
        others = alternatives(work.lattice, order, item)
        shown = [work.candidate(i, self.demands, self._step()) for i in (item, *others)]
        method = work.method(len(self.condition), settled=settled, place=int(np.flatnonzero(order == item)[0]))
        choice = Choice(
            assessment=assess(self.case, parts, self.plain), chosen={}, method=method, prefer=self.demands.prefer,
            best=shown[0], alternatives=tuple(shown[1:]), extremes=ends, corners=len(self.condition),
            combinations=work.lattice.size, evaluated=work.found.evaluated,
        )  # fmt: skip
        return _Outcome(parts=parts, choice=choice)

    def _step(self) -> float:
        return load_step(self.case)


def load_step(case: cases.Case) -> float:
    """Size of the load step [A]: the case's own, or from lowest to highest load."""
    s = case.specification
    if s.load_step is not None:
        return abs(s.load_step.to - s.load_step.from_)
    return (s.output_current.highest - s.output_current.lowest) or s.output_current.highest


def judge_candidates(
    base: Base, corners: Corners, condition: NDArray[np.intp], work: Search, items: NDArray[np.intp]
) -> Judged:
    """Judge combinations at every corner by the exact model: item by item, (items x corners,) rows.

    Parameters
    ----------
    base
        Nominal conditions with the parts of any one combination, all of them fitted.
    corners, condition
        Corners (B,) and the condition of each.
    work
        Search the combinations belong to.
    items
        (N,) numbers.

    Returns
    -------
    Judged
        (N B,) rows, corners fastest.
    """
    values = work.lattice.values(items)
    tiled = np.tile(np.arange(len(corners)), len(items))
    spread = corners.take(tiled)
    factors = dict(spread.factors)
    for name, column in zip(PARTS, values.T, strict=True):
        reference = base.parts.get(name, 0.0)
        if reference:
            key = f"compensation.{name}"
            factors[key] = np.asarray(factors.get(key, 1.0)) * np.repeat(column / reference, len(corners))
    return judge(base, replace(spread, factors=factors), condition[tiled])
