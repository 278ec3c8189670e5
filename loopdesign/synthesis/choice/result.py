"""What a robust choice returns: the parts, how they were found, and the best others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.variants.extremes import Extremes
    from loopdesign.synthesis.cures.divider import DividerChoice
    from loopdesign.synthesis.cures.slope import SlopeReport
    from loopdesign.synthesis.search.loops import Prefer
    from loopdesign.synthesis.search.search import Candidate


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The parts chosen, and how they were found.

    Attributes
    ----------
    check
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
        The best combinations that differ in more than one step each, and in a reading that matters.
    notes
        What the user should know about the choice: parts at the edge of the values tried, few alternatives.
    extremes
        Worst combinations of tolerance ends; None where nothing was open or nothing has a tolerance.
    divider_choice, slope_report
        How divider and ramp were chosen; None where they were given.
    searched_corners
        Number of corners of the last search.
    combinations, evaluated
        Number of combinations, and how many of them were evaluated in full.
    """

    check: CheckResult
    chosen: dict[str, float]
    method: str
    prefer: Prefer
    best: Candidate | None = None
    alternatives: tuple[Candidate, ...] = ()
    notes: tuple[str, ...] = ()
    extremes: Extremes | None = None
    divider_choice: DividerChoice | None = None
    slope_report: SlopeReport | None = None
    searched_corners: int = 0
    combinations: int = 0
    evaluated: int = 0
