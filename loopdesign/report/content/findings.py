"""Everything that a report is about, computed before it is written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.curves import ReportData
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.analysis.impedances import Impedances
    from loopdesign.analysis.spread.envelope import Envelope
    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.analysis.startup.rise import RiseStudy
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.analysis.variants.worst_curves import WorstCurves
    from loopdesign.bench.plan import BenchPlan
    from loopdesign.case import CaseFile
    from loopdesign.explore.sensitivity import Sensitivities
    from loopdesign.synthesis.choice.result import Choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Hold what was computed about one case.

    Attributes
    ----------
    check
        The check; its parts are those of the report.
    curves
        What the frequency plots show.
    given
        The case file as it was read.
    date
        What the document is dated, see `basics.date.document_date`.
    chosen_text
        The case file with the chosen parts in it; the same text where nothing was open.
    choice
        How the parts were chosen; None where they were given.
    input_filter, output_filter, impedances, steps, starts
        Further studies; None where the case does not ask for them.
    worst_curves
        Loop gains at the worst ends; None without a loop.
    plan
        What to measure on the bench; None where there is no loop to measure.
    sensitivities
        Derivatives of the margins by every value; None where they were not asked for.
    spread, band
        Samples and the band of their loop gains; None where none were drawn.
    """

    check: CheckResult
    curves: ReportData
    given: CaseFile
    date: str
    chosen_text: str
    choice: Choice | None = None
    input_filter: FilterStudy | None = None
    output_filter: OutputFilterStudy | None = None
    impedances: Impedances | None = None
    steps: StepStudy | None = None
    starts: RiseStudy | None = None
    worst_curves: WorstCurves | None = None
    plan: BenchPlan | None = None
    sensitivities: Sensitivities | None = None
    spread: SpreadResult | None = None
    band: Envelope | None = None

    @property
    def chosen(self) -> Mapping[str, float]:
        """What was chosen, by name, in SI units."""
        return {} if self.choice is None else self.choice.chosen
