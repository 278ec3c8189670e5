"""What the currents on the way of a step say: above a rating, above the current limit, or many times those at rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.ratings import allowed_currents, limited_current
from loopdesign.corners.power_stage import sensed_element
from loopdesign.report.basics.layout import PIPE, Display, paragraph
from loopdesign.report.steps.words import KINDS
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.analysis.transient.currents import CurrentPeak
    from loopdesign.analysis.transient.steps import StepResult, StepStudy

MANY_TIMES = 3.0
"""Times the largest current at rest from which on a current is told although nothing rates it."""
BEYOND_LIMIT = 1.1
"""Times the current limit from which on a current is told; a delay carries it some way beyond."""


def exceeded(study: StepStudy) -> tuple[str, ...]:
    """Say which currents exceed a rating on the way of a step, each where it does so most.

    Parameters
    ----------
    study : StepStudy
        The steps.

    Returns
    -------
    tuple of str
        One sentence per part.
    """
    less = "its rating less derating" if study.case.ratings.derating else "its rating"
    told = []
    for part, allowed in allowed_currents(study.case).items():
        found = [(p, r) for r in study.results for p in r.current_peaks if p.part == part]
        if not found:
            continue
        peak, worst = max(found, key=lambda pair: pair[0].peak_current_a)
        if peak.peak_current_a > allowed:
            told.append(
                (
                    f"{_place(worst)}: {_carried(peak)}, above {format_quantity(allowed, 'A')} ({less})",
                    _remedy(study, worst, [peak]),
                )
            )
    return _each_once(told)


def surges(study: StepStudy) -> tuple[str, ...]:
    """Say which currents without a rating are many times those at rest or above the current limit.

    Parameters
    ----------
    study : StepStudy
        The steps.

    Returns
    -------
    tuple of str
        One sentence for each kind of step that has any, of the step with the largest.
    """
    rated, told = allowed_currents(study.case), []
    for kind in KINDS:
        found = [(r, some) for r in study.of(kind) if (some := _notable(study, r, rated))]
        if not found:
            continue
        worst, peaks = max(found, key=lambda pair: max(p.peak_current_a for p in pair[1]))
        carried = " and ".join(_carried(p) + _beside(study, p) for p in peaks)
        more = {1: "", 2: "; 1 more such step does so too"}
        others = more.get(len(found), f"; {len(found) - 1} more such steps do so too")
        told.append((f"{_place(worst)}: {carried}, which no rating covers{others}", _remedy(study, worst, peaks)))
    return _each_once(told)


def _each_once(told: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Join findings and what would help, each remedy at the first finding that it helps."""
    remedies = [remedy for _, remedy in told]
    return tuple(f"{said}; {r}" if r not in remedies[:k] else said for k, (said, r) in enumerate(told))


def surge_text(study: StepStudy, *, display: Display = PIPE) -> str:
    """Tell a terminal beside a verdict which currents surge on the way of the steps, and that it is not about them.

    Parameters
    ----------
    study : StepStudy
        The steps.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        Paragraphs that begin with a word of warning; nothing where nothing is to be told.
    """
    told = (*exceeded(study), *surges(study))
    return "\n".join(paragraph(f"warning: not part of the verdict: {x}", display, hanging="    ") for x in told)


def _notable(study: StepStudy, r: StepResult, rated: dict[str, float]) -> list[CurrentPeak]:
    """Pick the currents of a step that are to be told although nothing rates them."""
    limit = {part: BEYOND_LIMIT * most for part, most in limited_current(study.case).items()}
    return [
        p for p in r.current_peaks
        if p.part not in rated and p.steady_peak_a > 0.0
        and p.peak_current_a > min(MANY_TIMES * p.steady_peak_a, limit.get(p.part, np.inf))
    ]  # fmt: skip


def _place(r: StepResult) -> str:
    """Name a step."""
    if r.kind.startswith("line"):
        return f"{KINDS[r.kind]} from {r.input_voltage:.4g} V to {r.input_voltage_to:.4g} V at {r.load_from:.3g} A"
    return f"{KINDS[r.kind]} from {r.load_from:.3g} A to {r.load_to:.3g} A at {r.input_voltage:.4g} V"


def _carried(p: CurrentPeak) -> str:
    """Say how much a part carries, and when."""
    told = f"{p.part} carries up to {format_quantity(p.peak_current_a, 'A', 3)}"
    return f"{told}, {format_quantity(p.time_s, 's', 2)} after the step"


def _beside(study: StepStudy, p: CurrentPeak) -> str:
    """Set a current beside the one at rest, and beside the current limit where it exceeds that."""
    told = f"{p.peak_current_a / p.steady_peak_a:.2g} times the {format_quantity(p.steady_peak_a, 'A', 3)} at rest"
    limit = limited_current(study.case).get(p.part, np.inf)
    over = f", above the current limit at {format_quantity(limit, 'A', 3)}" if p.peak_current_a > limit else ""
    return f" ({told}{over})"


def _remedy(study: StepStudy, r: StepResult, peaks: Sequence[CurrentPeak]) -> str:
    """Say what would limit the currents."""
    m, sensed = study.case.modulator, sensed_element(study.case)
    if r.kind.startswith("load"):
        if m.scheme == "peak current" and m.current_limit is None and any(p.part == sensed for p in peaks):
            return "a current limit would end such pulses (modulator.current_limit)"
        return "a smaller or slower step of the load would limit it"
    given = study.case.input_filter
    if given is None or not (given.source.resistance or given.source.inductance):
        return (
            "the line steps in no time, from a source without impedance: the resistance and inductance of a real "
            "source, an input filter ([input_filter]) and the slew of the line limit it"
        )
    return "the line steps in no time: a source with more impedance, or a voltage that slews, would limit it"
