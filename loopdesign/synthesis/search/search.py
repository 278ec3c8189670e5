"""One search of the robust choice: the combinations, the responses of all corners, and the result in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.baseline.synthesis import CAPACITORS, RESISTORS
from loopdesign.synthesis.search.blocks.staged import proven, staged_again, staged_search, starts
from loopdesign.synthesis.search.bound import best_possible
from loopdesign.synthesis.search.lattice import Lattice, SearchResult
from loopdesign.synthesis.search.loops import KEPT, PARTS, Demands, LoopReadings, Responses, StepDemand, figures
from loopdesign.synthesis.search.order import TIE, falling_short_least
from loopdesign.synthesis.search.screens import screens_for
from loopdesign.synthesis.search.walk import SLACK, search
from loopdesign.units.preferred import between

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.corners.conditions import Corners
    from loopdesign.orbit.operating_point import Guess
    from loopdesign.synthesis.search.plant_grid import OpenLoops

TOLD_PERCENT = 0.05
"""Shortfall of the best score from which a tie that was resolved is told [percent]."""
MATTERS, MATTERS_DEG, MATTERS_DB = 0.02, 1.0, 0.4
"""Least differences that make an alternative: of crossovers and modulus margin [relative], of phase and gain margin."""
NO_BOUND = (
    "; by how much another combination of the lattice could be better is not known: the output feeds the light source, "
    "so that part of the signal goes past the network, and no bound is derived for that"
)
"""What is said where a lattice too large to search whole has no bound."""
NARROWER = 0.2
"""Share of the usual slack where a crossover is asked for: very many combinations come within a few percent of it."""


def searched_lattice(case: cases.Case) -> Lattice:
    """Return the lattice of a case: every combination of preferred values of its open parts within their limits.

    Parameters
    ----------
    case
        Case with a compensation section.

    Returns
    -------
    Lattice
        Resistors from 100 ohm to 1 Mohm, capacitors from 10 pF to 1 uF, of the case's series.
    """
    given = case.compensation
    if given is None:
        raise ValueError("the case has no [compensation]")
    choices = [
        between(case.targets.resistor_series, *RESISTORS)
        if name.startswith("R")
        else between(case.targets.capacitor_series, *CAPACITORS)
        for name in given.open_parts
    ]
    fixed = {k: v for k, v in given.parts.items() if v is not None}
    return Lattice(open_parts=given.open_parts, choices=tuple(choices), fixed=fixed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One combination with its readings at the corners of the search.

    Attributes
    ----------
    parts
        Values by name [ohm], [F].
    score
        Worst-case crossover [Hz], modulus margin [unitless], for ``step`` a bound on the step deviation [V]: the peak
        of the closed-loop output impedance times the step; for ``crossover`` the highest crossover [Hz].
    worst_corner
        Where the score is read.
    limited_by
        The limit with the least room, and where.
    crossover_hz, phase_margin_deg, gain_margin_db, modulus_margin
        Lowest and highest crossover; smallest margins over the corners; the gain margin None where there is none.
    """

    parts: Mapping[str, float]
    score: float
    worst_corner: str
    limited_by: str
    crossover_hz: tuple[float, float]
    phase_margin_deg: float
    gain_margin_db: float | None
    modulus_margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """A lattice, the responses it was searched with, and what was found.

    ``correction`` (B,F) is the factor that corrects the plant by the exact loop gain, 1 without a reference;
    ``edges`` are those of the corners with their loop open; ``climbed`` is True where the exact loop alone decided;
    ``bound`` is what no combination's score exceeds, infinite where that is not known, None where the lattice was
    searched whole.
    """

    names: tuple[str, ...]
    lattice: Lattice
    responses: Responses
    corners: Corners
    result: SearchResult
    scope: str
    reference: Mapping[str, float] | None
    correction: NDArray[np.complex128]
    edges: Guess | None = None
    climbed: bool = False
    bound: float | None = None

    @property
    def whole(self) -> bool:
        """Whether the lattice was small enough to be searched whole."""
        return self.lattice.small

    @property
    def takes_a_bound(self) -> bool:
        """Whether the lattice was too large to search whole, so that a bound says something."""
        return not self.whole and not self.climbed

    def bounded(self, demands: Demands) -> Search:
        """Bound the score of every combination where the lattice was too large to search whole."""
        if not self.takes_a_bound:
            return self
        found = float(self.result.scores.max(initial=-np.inf))
        return replace(self, bound=best_possible(screens_for(self.responses, demands), self.lattice, found))

    def widened(self, demands: Demands, slack: float = SLACK) -> Search:
        """Search once more with the same responses; keep all within a share of the best score."""
        known, lattice = self.result, self.lattice
        if self.whole:
            found = search(self.responses, lattice, demands, known=known, slack=slack_for(demands, slack))
        else:
            found = staged_again(self.responses, lattice, demands, known, slack)
        return replace(self, result=replace(found, evaluated=known.evaluated + found.evaluated))

    def parts_of(self, item: int) -> dict[str, float]:
        """Part values by name of one combination."""
        row = self.lattice.values(np.array([item]))[0]
        return {name: float(row[PARTS.index(name)]) for name in self.names}

    def method(self, corners: int, item: int, *, settled: bool, place: int) -> str:
        """Say what was done and what is proven."""
        best, score = float(self.result.scores.max()), float(self.result.scores[self.result.items == item][0])
        short = 100.0 * (best - score) / (abs(best) or 1.0)
        rank = "the best" if place == 0 else f"number {place + 1}, and the first that meets every target"
        if place == 0 and short > TOLD_PERCENT:
            rank = (
                f"within {short:.2g} % of the best, and preferred for fewer distinct values or for commoner or smaller "
                "capacitors"
            )
        if self.climbed:
            return (
                f"{self.scope}, at {corners} corners. Of those this one is {rank}; none that differs from it in one or "
                "two parts is better, a better one elsewhere is not ruled out. It meets every target with the exact "
                "loop gain and the verdict at every corner"
            )
        basis = "with plant responses corrected by the exact loop gain" if self.reference else "with plant responses"
        proof = "" if self.whole else f" ({proven(self.lattice)})"
        told = (
            f"{self.scope}{proof} at {corners} corners {basis}: this one is {rank}, and "
            "the exact loop gain and the verdict confirm it at every corner"
        )
        told += self._told_bound(score)
        if settled:
            return told
        return told + "; some tolerance ends are worse for it than those searched, see the worst tolerance ends"

    def _told_bound(self, score: float) -> str:
        """Say by how much another combination of the lattice could be better than one with a score."""
        if self.bound is None:
            return ""
        if not np.isfinite(self.bound):
            return NO_BOUND
        percent = 100.0 * (self.bound - score) / (abs(score) or 1.0)
        if percent < TOLD_PERCENT:
            return "; by the same responses no combination of the lattice can be better"
        digit = 10.0 ** (np.floor(np.log10(percent)) - 1.0)
        upward = np.ceil(percent / digit) * digit
        return f"; by the same responses no combination of the lattice can be more than {upward:.3g} % better"

    def telling(self, items: NDArray[np.intp]) -> NDArray[np.float64]:
        """Return the readings (N,5) by which combinations differ, in units of the least difference that matters."""
        readings = figures(self.responses, self.lattice.values(items))
        crossover = np.log(np.maximum(np.nan_to_num(readings.crossover_hz), 1e-3))
        return np.stack(
            [
                crossover.min(axis=1) / MATTERS,
                crossover.max(axis=1) / MATTERS,
                np.nan_to_num(readings.phase_margin_deg, nan=-180.0).min(axis=1) / MATTERS_DEG,
                np.nan_to_num(readings.gain_margin_db, nan=100.0).min(axis=1) / MATTERS_DB,
                np.log(readings.modulus_margin).min(axis=1) / MATTERS,
            ],
            axis=1,
        )

    def candidate(self, item: int, demands: Demands, step: float, exact: LoopReadings) -> Candidate:
        """Describe one combination by its exact readings (1,B) at the corners."""
        by_corner = exact.by_corner(demands.prefer)[0]
        worst = int(exact.deciding(demands.prefer)[0])
        gain = exact.gain_margin_db[0]
        return Candidate(
            parts=self.parts_of(item),
            score=float(-by_corner[worst] * step if demands.prefer == "step" else by_corner[worst]),
            worst_corner=variant_name(self.corners, worst),
            limited_by=binding(exact, self.corners, demands),
            crossover_hz=(float(np.nanmin(exact.crossover_hz)), float(np.nanmax(exact.crossover_hz)))
            if np.isfinite(exact.crossover_hz).any()
            else (0.0, 0.0),
            phase_margin_deg=float(np.nan_to_num(exact.phase_margin_deg[0], nan=-180.0).min()),
            gain_margin_db=float(np.nanmin(gain)) if np.isfinite(gain).any() else None,
            modulus_margin=float(exact.modulus_margin[0].min()),
        )


def slack_for(demands: Demands, slack: float) -> float:
    """Share of the best score within which combinations are kept, by the objective; ties are never parted."""
    return max(slack * NARROWER, min(slack, TIE)) if demands.prefer == "crossover" else slack


def binding(readings: LoopReadings, corners: Corners, demands: Demands) -> str:
    """Say which limit of the first combination has the least room, at which corner, and what it reads there."""
    misses = {name: m[0] for name, m in readings.misses(demands).items()}
    tight = max(misses, key=lambda name: float(misses[name].max()))
    where = int(np.argmax(misses[tight]))
    if tight == KEPT:
        words, reading, unit = "lowest crossover", "crossover_hz", "Hz"
    else:
        limit = demands.limits[tight]
        words, reading, unit = limit.words, limit.reading, limit.unit
    value = f"{float(getattr(readings, reading)[0, where]):.4g} {unit}".rstrip()
    return f"{words} at {variant_name(corners, where)} ({value})"


def variant_name(corners: Corners, item: int) -> str:
    """Name a corner with its factors in a sentence."""
    told = f"{corners.input_voltage[item]:.4g} V, {corners.load_current[item]:.3g} A"
    if len(np.unique(corners.temperature)) > 1:
        told += f", {corners.temperature[item]:.3g} degC"
    moved = [f"{k} {100.0 * (v[item] - 1.0):+.3g} %" for k, v in corners.factors.items() if abs(v[item] - 1.0) > 1e-9]
    return told + (f" with {', '.join(moved)}" if moved else "")


def search_once(  # noqa: PLR0913  one call states one search
    case: cases.Case,
    stage: ExaminedStage,
    opened: OpenLoops,
    demands: Demands,
    reference: Mapping[str, float] | None = None,
    *,
    step: StepDemand | None = None,
    thin: bool = False,
    slack: float = SLACK,
    progress: Callable[[int, int], None] | None = None,
) -> Search:
    """Search the lattice of a case once.

    Parameters
    ----------
    case
        The case.
    stage
        Nominal conditions.
    opened
        The corners, solved with their loop open.
    demands
        Limits and objective.
    reference
        Parts at which the plant is corrected by the exact loop gain; None leaves it uncorrected.
    step
        What the departure at the load step needs; None where nothing is asked of it.
    thin
        Look for a good combination only, not for the best.
    slack
        Share of the best score within which all feasible combinations looked at are kept [unitless].
    progress
        Called with (done, in all).

    Returns
    -------
    Search
        What was found.
    """
    responses = opened.responses
    correction = np.ones(responses.plant.shape, complex)
    if reference is not None:
        correction = opened.correction(case, reference)
        responses = replace(responses, plant=responses.plant * correction)
    responses = replace(responses, step=step)
    lattice = searched_lattice(case)
    names = tuple(case.compensation.parts) if case.compensation is not None else ()
    if lattice.small:
        begin = None if reference is None else lattice.number(reference)
        result = search(responses, lattice, demands, begin=begin, thin=thin, slack=slack, progress=progress)
        scope = f"all {lattice.size:,} combinations of preferred values were compared"
    else:
        if reference is None:
            begins = starts(case, stage, demands.limits, lattice)
        else:
            begins = [lattice.steps(np.array([lattice.number(reference)]))[0]]
        result, scope = staged_search(responses, lattice, demands, begins, thin=thin, slack=slack, progress=progress)
    return Search(
        names=names, lattice=lattice, responses=responses, corners=opened.corners, result=result, scope=scope,
        reference=reference, correction=correction, edges=opened.edges,
    )  # fmt: skip


def near_as_product(work: Search, demands: Demands) -> int:
    """Find the combination that falls short least as a product, on a thin sub-lattice refined around its best."""
    lattice = work.lattice
    few = len(lattice.choices) <= 3
    best = _falling_short_least(work, demands, lattice.coarse(24 if few else 7))
    for reach in (8, 3, 2):
        around = lattice.around(best, tuple(reach if few else 1 for _ in lattice.choices))
        best = _falling_short_least(work, demands, around)
    return best


def _falling_short_least(work: Search, demands: Demands, items: NDArray[np.intp]) -> int:
    """Find the combination that falls short least over all corners."""

    def key(misses: Mapping[str, NDArray[np.float64]]) -> NDArray[np.float64]:
        return np.asarray(np.max(list(misses.values()), axis=0))

    return int(items[falling_short_least(work.responses, work.lattice.values(items), demands, key)[0]])
