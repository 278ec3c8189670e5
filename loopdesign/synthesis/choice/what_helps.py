"""Which single change helps most where no combination of parts meets every target: each one is evaluated.

A target relaxed: of the combinations that meet every other limit, the one that misses it least says how far it has to
be relaxed. Other hardware: more output capacitors in parallel, a damper across the coupling capacitor, another slope or
LED resistor; the power stage is solved anew and the lattice searched again, on a thin sub-lattice refined about its
best. Everything told is read from the exact loop, at the same corners. What suffices comes first, the smallest change
leading; then what comes nearest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.findings.direct_path import direct_path_too_fast
from loopdesign.analysis.limits import UNSTABLE, limits_of
from loopdesign.errors import LoopDesignError
from loopdesign.models.verdict import worst_modes
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.synthesis.choice.descent import descend
from loopdesign.synthesis.choice.refusal import nearest_fails, way_blocked
from loopdesign.synthesis.choice.step_task import step_task
from loopdesign.synthesis.cures.other_hardware import other_hardware
from loopdesign.synthesis.search.loops import KEPT
from loopdesign.synthesis.search.order import falling_short_least, misses_at_some
from loopdesign.synthesis.search.plant_grid import open_loops
from loopdesign.synthesis.search.search import search_once
from loopdesign.units.quantities import format_quantity, percent
from loopdesign.workers.branch import Branch, branch

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.limits import Limit
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.synthesis.choice.examination import Examination
    from loopdesign.synthesis.search.lattice import Lattice
    from loopdesign.synthesis.search.order import Misses
    from loopdesign.synthesis.search.search import Search

    Array = NDArray[np.float64]
    Key = Callable[[Mapping[str, Array]], Array]

THIN, THINNER = 14, 7
"""Values of each part on the sub-lattice a search begins with: of up to three open parts, and of more."""
REACH = (8, 4, 3, 3, 3, 3)
"""Steps about the best within which it is refined; with the last until nothing is better."""
EXACT = 12
"""Combinations that are then examined exactly."""
MISSED = 1e3
"""What a miss of another limit counts, beside that of the one relaxed."""
DIGITS = 3
"""Digits of a relaxed target, rounded so that it suffices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change to a case, evaluated.

    Attributes
    ----------
    words
        What is changed.
    parts
        The combination that then comes nearest, by designator [ohm], [F].
    shortfall
        Its largest miss of any limit left, relative to it; zero or less where the change suffices [unitless].
    size
        How large the change is, relative to what it changes [unitless].
    left
        What it fails still, in words; empty where it suffices.
    """

    words: str
    parts: Mapping[str, float]
    shortfall: float
    size: float
    left: str = ""

    def sentence(self, corners: int) -> str:
        """Say what the change does at so many corners [unitless]."""
        units = {"R": "ohm", "C": "F"}
        named = ", ".join(f"{name} {format_quantity(v, units[name[0]])}" for name, v in self.parts.items() if v)
        if self.shortfall <= 0.0:
            return f"{self.words} meets every target at these {corners} corners, ratings aside, with {named}"
        if self.shortfall >= UNSTABLE:
            which = "combination that was examined" if self.parts else "combination"
            return f"{self.words} leaves every {which} without a stable operating point somewhere"
        missed = f"a target is missed by {percent(self.shortfall)} ({self.left})"
        return f"{self.words} does not suffice as far as a short search tells: {missed}"

    def to_dict(self) -> dict[str, object]:
        """Turn the change into plain values, ready for JSON."""
        return {
            "change": self.words, "suffices": self.shortfall <= 0.0,
            "shortfall": self.shortfall if np.isfinite(self.shortfall) else None,
            "parts": dict(self.parts), "left": self.left,
        }  # fmt: skip


def hardware_changes(exam: Examination, plain: ExaminedStage) -> Branch[list[Change]]:
    """Begin to evaluate other parts around the loop; none where nobody asks for advice.

    Parameters
    ----------
    exam
        What combinations are held against.
    plain
        Conditions of line and load, nominal parts.

    Returns
    -------
    Branch of list of Change
        Those that could be evaluated.
    """
    return branch(lambda: list(_hardware(exam, plain))) if exam.demands.advise else Branch(list)


def what_to_change(
    exam: Examination, work: Search, plain: ExaminedStage, nearest: int, hardware: Branch[list[Change]]
) -> tuple[list[str], dict[str, object]]:
    """Say what stands in the way where nothing meets the targets, and which single changes help most.

    Parameters
    ----------
    exam
        What combinations are held against.
    work
        The search that found none.
    plain
        Conditions of line and load, nominal parts.
    nearest
        Number of the combination that comes nearest [unitless].
    hardware
        Other parts around the loop, evaluated.

    Returns
    -------
    told, proposed
        Sentences, and by name what is proposed: ``changes``, ``damper``, ``slope``; nothing where none is asked for.
    """
    if not exam.demands.advise:
        return [], {}
    limit = exam.demands.limits.crossover_limit_hz
    told = list(direct_path_too_fast(exam.case, plain.conditions, plain.converter, plain.point, limit))
    blocked, proposed = way_blocked(exam.case, plain, exam.corners)
    changes = ranked_changes(exam, work, nearest, hardware)
    sentences = [change.sentence(len(exam.condition)) for change in changes]
    told += [*blocked, *(f"single change {k}: {sentence}" for k, sentence in enumerate(sentences, 1))]
    return told, {"changes": [c.to_dict() for c in changes], **proposed}


def ranked_changes(exam: Examination, work: Search, nearest: int, hardware: Branch[list[Change]]) -> tuple[Change, ...]:
    """Evaluate single changes to a case in which nothing meets the targets, the most helpful first.

    Parameters
    ----------
    exam
        What combinations are held against.
    work
        The search that found none.
    nearest
        Number of the combination that comes nearest [unitless].
    hardware
        Other parts around the loop, evaluated.

    Returns
    -------
    tuple of Change
        Those that could be evaluated.
    """
    # no part of the network changes the ripple
    limits = [x for x in exam.demands.limits if x is not exam.demands.limits.output_ripple]
    coarse = _coarse(work.lattice)
    of_coarse = misses_at_some(work.responses, work.lattice.values(coarse), exam.demands)
    relaxed = partial(_relaxed, exam, work, nearest, (coarse, of_coarse))
    with branch(lambda: list(relaxed(limits[1::2]))) as others:
        changes = [*relaxed(limits[::2]), *others.result(), *hardware.result()]
    return tuple(sorted(changes, key=lambda c: (max(c.shortfall, 0.0), c.size)))


def _relaxed(
    exam: Examination, work: Search, nearest: int, thin: tuple[NDArray[np.intp], Misses], limits: Sequence[Limit]
) -> Iterator[Change]:
    """Relax each of some targets alone as far as the combination needs that meets all others and misses it least."""
    (coarse, of_coarse), known = thin, dict[int, dict[str, float]]()

    def exact(items: NDArray[np.intp]) -> list[dict[str, float]]:
        new = np.array([i for i in items if int(i) not in known], np.intp)
        if len(new):
            known.update(zip(new.tolist(), _exact_misses(exam, work, new), strict=True))
        return [known[int(i)] for i in items]

    def ahead(items: NDArray[np.intp], best: int, _: Mapping[str, float]) -> list[dict[str, float]] | None:
        judged = exam.judge_ahead(work, items, {}, exam.judge(work, best))
        return None if judged is None else [_misses(exam, one, -1.0) for one in judged]

    for limit in limits:

        def product_key(misses: Mapping[str, Array], name: str = limit.name) -> Array:
            others = [m for n, m in misses.items() if n not in {name, KEPT}]
            return MISSED * np.maximum(np.max(others, axis=0), 0.0) + misses.get(name, np.zeros_like(others[0]))

        def cost(_: int, misses: Mapping[str, float], name: str = limit.name) -> tuple[float, float]:
            return max(0.0, *(m for n, m in misses.items() if n != name)), misses.get(name, 0.0)

        begin = [nearest, *_nearest(exam, work, coarse, of_coarse, product_key)[:EXACT].tolist()]
        best, _ = descend(work.lattice, exact, begin, cost, ahead)
        others, miss = cost(best, known[best])
        if miss <= 0.0 or others > 0.0:
            continue
        value = _rounded(limit.value + (limit.value or 1.0) * miss * (1.0 if limit.is_highest else -1.0), limit)
        yield Change(
            words=f"{limit.name} relaxed from {_written(limit, limit.value)} to {_written(limit, value)}",
            parts=work.parts_of(best),
            shortfall=0.0,
            size=miss,
        )


def _rounded(value: float, limit: Limit) -> float:
    """Round a relaxed target away from what it is held against, so that the rounded one still suffices."""
    step = 10.0 ** (np.floor(np.log10(abs(value) or 1.0)) + 1 - DIGITS)
    return float((np.ceil if limit.is_highest else np.floor)(value / step * (1.0 + 1e-12)) * step)


def _written(limit: Limit, value: float) -> str:
    return format_quantity(value, limit.unit) if limit.unit in {"Hz", "V"} else f"{value:.3g} {limit.unit}".rstrip()


def _exact_misses(exam: Examination, work: Search, items: NDArray[np.intp]) -> list[dict[str, float]]:
    """Largest miss of each limit by the exact loop, one result for each combination."""
    judged, steps = exam.judge_each(work, items), exam.step_misses(work, items)
    return [_misses(exam, j, float(s)) for j, s in zip(judged, steps, strict=True)]


def _misses(exam: Examination, judged: Judged, step_miss: float) -> dict[str, float]:
    """Largest miss of each limit over the corners by the exact loop; that of the verdict beside them."""
    misses = {name: float(m.max()) for name, m in exam.demands.limits.misses(judged).items()}
    if exam.demands.limits.step_deviation is not None:
        misses["step_deviation"] = float(step_miss)
    misses["stable"] = 0.0 if judged.stable.all() else UNSTABLE
    return misses


def _coarse(lattice: Lattice) -> NDArray[np.intp]:
    """Pick a thin sub-lattice."""
    return lattice.coarse(THIN if len(lattice.choices) <= 3 else THINNER)


def _nearest(
    exam: Examination, work: Search, coarse: NDArray[np.intp], of_coarse: Misses, key: Key
) -> NDArray[np.intp]:  # fmt: skip
    """Pick the combinations with the smallest key as plant times compensator: a sub-lattice, refined about its best."""
    lattice = work.lattice
    few = len(lattice.choices) <= 3

    def least(items: NDArray[np.intp], count: int, at_some: Misses | None = None) -> NDArray[np.intp]:
        values, demands = lattice.values(items), exam.demands
        return items[falling_short_least(work.responses, values, demands, key, count=count, at_some=at_some)]

    best, before = int(least(coarse, 1, of_coarse)[0]), -1
    for reach in REACH:
        if reach == REACH[-1] and best == before:
            break
        before = best
        around = lattice.around(before, tuple(reach if few else 1 for _ in lattice.choices))
        best = int(least(around, 1)[0])
    return least(around, EXACT)


def _hardware(exam: Examination, plain: ExaminedStage) -> Iterator[Change]:
    """Evaluate other parts around the loop."""
    case = exam.case
    for words, size, changed in other_hardware(case, plain):
        try:
            change = _evaluated(exam, changed, words, size)
        except (LoopDesignError, *BREAKDOWN):
            continue  # such a converter has no operating point somewhere: it is no help
        yield change


def _evaluated(exam: Examination, case: cases.Case, words: str, size: float) -> Change:
    """Search a changed case thinly and examine what comes nearest exactly."""
    stage = examine_stage(case, exam.stage.conditions)
    if any(m.beyond_the_loop for m in worst_modes(stage.model)):
        return Change(words=words, parts={}, shortfall=UNSTABLE, size=size)
    demands = replace(exam.demands, limits=limits_of(case, stage))
    step = step_task(case, demands.limits, tolerances=False)
    changed = replace(exam, case=case, stage=stage, demands=demands, step=None if step is None else step.at(None))
    opened = open_loops(case, stage, exam.corners, exam.condition)
    demand = None if changed.step is None else changed.step.demand
    work = search_once(case, stage, opened, demands, step=demand, thin=True)
    coarse = _coarse(work.lattice)
    of_coarse = misses_at_some(work.responses, work.lattice.values(coarse), demands)
    items = _nearest(
        changed, work, coarse, of_coarse, lambda misses: np.max([m for n, m in misses.items() if n != KEPT], axis=0)
    )
    items = np.unique(np.concatenate([items, work.result.items[:EXACT]]))
    judged, steps = changed.judge_each(work, items), changed.step_misses(work, items)
    falls_short = [max(float(demands.limits.shortfall(j).max()), float(s)) for j, s in zip(judged, steps, strict=True)]
    best = int(np.argmin(falls_short))
    return Change(
        words=words,
        parts=work.parts_of(int(items[best])),
        shortfall=falls_short[best],
        size=size,
        left=nearest_fails(judged[best], exam.corners, demands).removeprefix("the nearest combination "),
    )
