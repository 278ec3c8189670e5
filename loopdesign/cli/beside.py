"""What a report shows that needs no steps, worked out in one go, so that a child can do it while steps are made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.analysis.curves import ReportData, report_data
from loopdesign.analysis.impedances import Impedances, impedances
from loopdesign.analysis.variants.worst_curves import WorstCurves, worst_curves
from loopdesign.bench.plan import BenchPlan, bench_plan
from loopdesign.synthesis.cures.current_loop import current_loop_cures

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Results on frequency, by field as `loopdesign.report.content.findings.Findings` has them.

    Attributes
    ----------
    curves, impedances
        What the frequency plots show.
    worst_curves, plan
        Loop gains at the worst ends, and what to measure on the bench; None without a loop; no plan either where no
        stable corner has a crossover.
    """

    curves: ReportData
    impedances: Impedances | None
    worst_curves: WorstCurves | None
    plan: BenchPlan | None


def beside_steps(found: CheckResult) -> Beside:
    """Work out what a report shows that needs no steps.

    Parameters
    ----------
    found : CheckResult
        What a check found.

    Returns
    -------
    Beside
        The results.
    """
    return Beside(
        worst_curves=worst_curves(found) if found.closed_loop is not None else None,
        curves=report_data(found, proposals=current_loop_cures(found.stage)[0]),
        impedances=impedances(found),
        plan=bench_plan(found),
    )
