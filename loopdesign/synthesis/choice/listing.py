"""The answer of a robust choice: the combination chosen, the best others beside it, and what the user should know.

Where there is none: what comes nearest, and what would help.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.analysis.transient.estimate import predicted_departure
from loopdesign.corners.conditions import Corners
from loopdesign.errors import NoDesignError
from loopdesign.models.switched import linearise
from loopdesign.synthesis.choice.descent import inaccuracy
from loopdesign.synthesis.choice.refusal import nearest_fails, stage_fails, step_fails, worst_shortfall
from loopdesign.synthesis.choice.result import Choice
from loopdesign.synthesis.choice.what_helps import Change, hardware_changes, what_to_change
from loopdesign.synthesis.search.order import alternatives, at_bounds, in_order, rank_of
from loopdesign.synthesis.search.walk import SLACK
from loopdesign.workers.branch import Branch, branch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult, ExaminedStage
    from loopdesign.analysis.variants.extremes import Extremes
    from loopdesign.synthesis.choice.descent import Missed
    from loopdesign.synthesis.choice.examination import Examination
    from loopdesign.synthesis.search.search import Candidate, Search

INSTANTS, LONGEST = 240, 6000.0
"""Instants the response is read at, from one period after the step to so many."""
SHOWN, LISTED = 5, 15
"""Alternatives listed, and how many are examined for that."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """What the answer shows beside the parts chosen.

    Attributes
    ----------
    shown
        The combination chosen, and the best others beside it.
    notes
        What the user should know.
    method
        What was done and what is proven, by whether the worst tolerance ends leave the choice as it is.
    """

    shown: tuple[Candidate, ...]
    notes: tuple[str, ...]
    method: Mapping[bool, str]


def listing(exam: Examination, work: Search, item: int) -> Listing:
    """List the combination chosen and the best others beside it.

    Parameters
    ----------
    exam
        What the combination was examined against.
    work, item
        The last search, and the number of the combination chosen.

    Returns
    -------
    Listing
        The same whatever its worst tolerance ends show.
    """
    bound: Branch[float | None] = Branch(lambda: work.bound)
    if work.takes_a_bound:
        bound = branch(lambda: work.bounded(exam.demands).bound)
    with bound:
        return _listing(exam, work, item, bound)


def _listing(exam: Examination, work: Search, item: int, bound: Branch[float | None]) -> Listing:
    """List them, while a bound on the scores of all others is found."""
    case, prefer, parts = exam.case, exam.demands.prefer, work.parts_of(item)
    others = _alternatives(exam, work, item)
    for slack in () if work.climbed else (SLACK, WIDE) if work.whole else (SLACK,):
        if len(others) < SHOWN:
            others = _alternatives(exam, work.widened(exam.demands, slack), item)
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
    place, bounded = rank_of(work.lattice, work.result, item), replace(work, bound=bound.result())
    method = {
        settled: bounded.method(len(exam.condition), item, settled=settled, place=place) for settled in (False, True)
    }
    return Listing(shown=tuple(shown), notes=notes, method=method)


def outcome(
    exam: Examination, check: CheckResult, work: Search, listed: Listing, ends: Extremes | None, *, settled: bool
) -> Choice:  # fmt: skip
    """Gather the answer.

    Parameters
    ----------
    exam
        What the combination was examined against.
    check
        The chosen combination over line and load only.
    work, listed
        The last search, and what is shown beside the combination chosen.
    ends
        Worst tolerance ends; None where nothing has a tolerance.
    settled
        Whether those ends leave the choice as it is.

    Returns
    -------
    Choice
        Without the divider and the slope.
    """
    return Choice(
        check=check, chosen={}, prefer=exam.demands.prefer, best=listed.shown[0],
        alternatives=listed.shown[1:],
        method=listed.method[settled], notes=listed.notes, extremes=ends,
        searched_corners=len(exam.condition), combinations=work.lattice.size, evaluated=work.result.evaluated,
    )  # fmt: skip


def _alternatives(exam: Examination, work: Search, item: int) -> list[int]:
    """List the best other combinations that pass; those ahead of the choice were refused by the exact loop."""
    order = in_order(work.lattice, work.result)[rank_of(work.lattice, work.result, item) :]
    listed = alternatives(work.lattice, order, item, count=LISTED, told=work.telling)
    return exam.passing(work, np.array(listed, np.intp), exam.telling(exam.judge(work, item)), SHOWN)


def no_design(
    exam: Examination, work: Search, plain: ExaminedStage, missed: Branch[Missed], unconfirmed: int,
    nominal: Branch[int],
) -> NoDesignError:  # fmt: skip
    """Say that nothing passes, what comes nearest, which limit it misses and where, and what would help.

    Parameters
    ----------
    exam
        What the combinations were examined against.
    work
        The last search.
    plain
        Conditions of line and load, nominal parts.
    missed
        What comes nearest by the exact loop, as `nearest_miss` returns it.
    unconfirmed
        Combinations that met every limit as a product and that the exact loop refused.
    nominal
        Combinations that meet every target with nominal parts, as far as they are known; asked for with tolerances.

    Returns
    -------
    NoDesignError
        To be raised.
    """
    blocked = stage_fails(exam.case, plain)
    with hardware_changes(exam, plain) as hardware:
        return _no_design(exam, work, plain, missed, unconfirmed, nominal, (blocked, hardware))


def _no_design(
    exam: Examination, work: Search, plain: ExaminedStage, missed: Branch[Missed], unconfirmed: int,
    nominal: Branch[int], known: tuple[tuple[str, ...], Branch[list[Change]]],
) -> NoDesignError:  # fmt: skip
    """Say it, while other hardware is evaluated; what the stage alone misses is known."""
    limits, (blocked, hardware) = exam.demands.limits, known
    compared, scope = "", work.scope
    if not work.whole:
        compared, scope = " that was compared", f"{scope}; one that was not compared may still meet them"
    item, judged, step_miss = missed.result()
    if blocked and max(worst_shortfall(judged, limits), step_miss) <= 0.0:
        nominal.drop()
        return NoDesignError(
            "the stage alone misses a target, which no compensation changes",
            nearest={"parts": work.parts_of(item), "reasons": list(blocked)},
            obstacles=[
                *blocked,
                (
                    f"the nearest combination meets every limit of the loop at the {len(exam.condition)} corners "
                    "searched; its own worst tolerance ends were not examined"
                ),
            ],
        )
    told = [nearest_fails(judged, exam.corners, exam.demands)]
    if limits.step_deviation is not None and step_miss >= worst_shortfall(judged, limits):
        told = [step_fails(step_miss, limits.step_deviation.value)]
    if unconfirmed and judged.read.all():
        told.append(
            f"at least {unconfirmed} combinations meet every limit with plant times compensator for the loop gain, "
            f"none does with the exact loop gain; the two differ by up to {inaccuracy(exam, work, item)}"
        )
    corners = len(exam.condition)
    if corners > len(exam.stage.conditions):
        told.append(
            f"with nominal parts at least {nominal.result()} combinations meet every target; with tolerances "
            f"and temperatures none{compared} does"
        )
    advice, proposed = what_to_change(exam, work, plain, item, hardware)
    told += [f"{what}, which neither compensation nor a change of those below mends" for what in blocked]
    told += advice
    return NoDesignError(
        f"no combination of preferred values{compared} meets the targets at all {corners} corners; {scope}",
        nearest={"parts": work.parts_of(item), "reasons": told[:1], **proposed},
        obstacles=told,
    )


def step_of(case: cases.Case) -> tuple[float, float]:
    """Load the step begins at, and its size [A]: the case's own, or from lowest to highest load."""
    s = case.specification
    if s.load_step is not None:
        return s.load_step.from_, abs(s.load_step.to - s.load_step.from_)
    low, high = s.output_current.lowest, s.output_current.highest
    return low, (high - low) or high


def estimated_deviation(case: cases.Case, parts: Mapping[str, float]) -> tuple[float, float]:
    """Estimate the largest departure of the output after the load step, nominal parts, over the input voltages.

    Parameters
    ----------
    case, parts
        The case, and stable compensation parts by name.

    Returns
    -------
    deviation, input_voltage
        Largest departure [V], and where it occurs [V]; valid for small steps.
    """
    start, size = step_of(case)
    lines = np.asarray(case.specification.input_voltage.values, float)
    corners = Corners(
        input_voltage=lines,
        load_current=np.full(len(lines), start),
        temperature=np.full(len(lines), case.nominal_temperature),
    )
    model = closed_model(case, examine_stage(case, corners), parts)
    times = np.geomspace(1.0, LONGEST, INSTANTS) / case.converter.switching_frequency
    peaks = [
        float(np.abs(predicted_departure(linearise(model.point.take(np.array([k]))), "load", times)).max())
        for k in range(len(lines))
    ]
    worst = int(np.argmax(peaks))
    return size * peaks[worst], float(lines[worst])
