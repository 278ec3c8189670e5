"""Words for steps, used alike by tables, text and plots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.report.basics.status import held_word, stable_word

if TYPE_CHECKING:
    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.transient.steps import StepResult

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
    """Say in a word or two how a step ends: stable, UNSTABLE, not held and by what, or without an operating point."""
    if r.stable:
        return stable_word(stable=True)
    if r.held is not None:
        return held_word(r.held)
    if r.worst_mode is None:
        return "no operating point found"
    return "does not settle" if r.worst_mode.stable else stable_word(stable=False)
