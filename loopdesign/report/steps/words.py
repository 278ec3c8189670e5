"""Words for steps, used alike by tables, text and plots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.basics.status import held_word, stable_word

if TYPE_CHECKING:
    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.transient.steps import StepResult, StepStudy

KINDS: dict[StepKind, str] = {
    "load": "Load step",
    "load back": "Load step back",
    "line": "Line step",
    "line back": "Line step back",
}
EVENTS = (
    ("skipped", "skipped cycles"), ("minimum on-time", "cycles at minimum on-time"),
    ("largest duty", "cycles at max duty"),
)  # fmt: skip


def outcome_word(r: StepResult) -> str:
    """Say in a word or two how a step ends: as a check judges the operating point after it, or that there is none."""
    if r.stable:
        return stable_word(stable=True)
    if r.worst_mode is None:
        return "no operating point found"
    if not r.worst_mode.stable:
        return stable_word(stable=False)
    return "does not settle" if r.held is None else held_word(r.held)


def outcomes(study: StepStudy) -> tuple[tuple[int, str], ...]:
    """Count the steps that do not end stable, by what becomes of them, the worst first.

    Parameters
    ----------
    study : StepStudy
        The steps.

    Returns
    -------
    tuple of int and str
        How many, and the words; only what occurs.
    """
    bad = [r for r in study.results if not r.stable]
    grow = sum(r.worst_mode is not None and not r.worst_mode.stable for r in bad)
    lost = [r.held for r in bad if r.held is not None and r.worst_mode is not None and r.worst_mode.stable]
    told = (
        (grow, "UNSTABLE after the step"),
        (len(lost), f"NOT HELD after the step ({', '.join(dict.fromkeys(lost))})"),
        (len(bad) - grow - len(lost), "not settled by the end of the run"),
        (len(study.not_made), "could not be made"),
    )
    return tuple((count, words) for count, words in told if count)
