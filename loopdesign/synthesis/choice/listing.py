"""The answer of a robust choice: the combination chosen, the best others beside it, and what the user should know."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.synthesis.choice.deviation import estimated_deviation, step_of
from loopdesign.synthesis.choice.result import Choice
from loopdesign.synthesis.search.order import alternatives, at_bounds, in_order, rank_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.variants.extremes import Extremes
    from loopdesign.synthesis.choice.examination import Examination
    from loopdesign.synthesis.search.search import Search

SHOWN = 5
"""Alternatives listed."""
WIDE = 0.5
"""Share of the best score within which alternatives are looked for where few lie close to it."""
FEW = (
    "{} listed: no other combination that scores about as well meets every limit with the exact loop gain and differs "
    "from those by 2 % in crossover or modulus margin, 1 deg in phase margin or 0.4 dB in gain margin"
)
BOUND = (
    "the bound on the step deviation is the peak of the exact closed-loop output impedance at the worst corner times "
    "the step of {:.3g} A; for a step of that size from {:.3g} A with nominal parts, the output impedance predicts a "
    "deviation of {:.3g} V at most, at {:.4g} V input"
)


def outcome(
    exam: Examination, check: CheckResult, work: Search, item: int, ends: Extremes | None, *, settled: bool,
    search_wide: Callable[[], Search],
) -> Choice:  # fmt: skip
    """Gather the answer.

    Parameters
    ----------
    exam
        What the combination was examined against.
    check
        The chosen combination over line and load only.
    work, item
        The last search, and the number of the combination chosen.
    ends
        Worst tolerance ends; None where nothing has a tolerance.
    settled
        Whether those ends leave the choice as it is.
    search_wide
        Searches again, keeping combinations that score much less; called where few alternatives lie close.

    Returns
    -------
    Choice
        Without the divider and the slope.
    """
    case, prefer, parts = exam.case, exam.demands.prefer, work.parts_of(item)
    others = _alternatives(exam, work, item)
    if len(others) < SHOWN and not work.climbed and work.whole:
        others = _alternatives(exam, search_wide(), item)
    listed = np.array([item, *others], np.intp)
    begin, step = step_of(case)
    shown = [
        work.candidate(int(i), exam.demands, step, exam.readings(work, int(i), judged))
        for i, judged in zip(listed, exam.judge_each(work, listed), strict=True)
    ]
    notes = at_bounds(work.lattice, item)
    if prefer == "step":
        notes += (BOUND.format(step, begin, *estimated_deviation(case, parts)),)
    if len(others) < SHOWN:
        count = len(others)
        told = "no alternative is" if not count else f"only {count} of {SHOWN} alternatives are"
        notes += (FEW.format(told),)
    place = rank_of(work.lattice, work.result, item)
    method = work.bounded(exam.demands).method(len(exam.condition), item, settled=settled, place=place)
    return Choice(
        check=check, chosen={}, prefer=prefer, best=shown[0],
        alternatives=tuple(shown[1:]),
        method=method, notes=notes, extremes=ends,
        searched_corners=len(exam.condition), combinations=work.lattice.size, evaluated=work.result.evaluated,
    )  # fmt: skip


def _alternatives(exam: Examination, work: Search, item: int) -> list[int]:
    """List the best other combinations that pass; those ahead of the choice were refused by the exact loop."""
    order = in_order(work.lattice, work.result)[rank_of(work.lattice, work.result, item) :]
    listed = alternatives(work.lattice, order, item, count=3 * SHOWN, told=work.telling)
    passing: list[int] = []
    for begin in range(0, len(listed), SHOWN):
        if len(passing) < SHOWN:
            passing += exam.passing(work, listed[begin : begin + SHOWN])
    return passing[:SHOWN]
