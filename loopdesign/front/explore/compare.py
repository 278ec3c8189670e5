"""``compare``: two or more cases side by side."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from loopdesign.analysis.transient.deviation import step_deviation
from loopdesign.errors import DataError
from loopdesign.explore.compare import Comparison, compared
from loopdesign.front.case import as_case
from loopdesign.front.check import check
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.explore.compare_text import compare_verdict, loops_figure, verdict_table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loopdesign.analysis.findings.step import StepDeviation
    from loopdesign.front.case import CaseOrPath
    from loopdesign.front.check import Check


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Compared(Shown, Comparison):
    """Hold cases side by side, the first being what the others are held against.

    Attributes
    ----------
    names, checks : tuple
        What each case is called, and its check.
    differences : tuple
        Inputs that differ, with what each case has there.
    worse : tuple of tuple of str
        For each case, by what it is worse than the first.
    any_worse : bool
        Whether a case is worse than the first.
    step_deviations, frequencies_hz, loops, places
        What `loopdesign.explore.compare.Comparison` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> undamped = "cases/tide_gauge_sepic_undamped.toml"
    >>> ld.compare(undamped, undamped, nominal=True).any_worse
    False
    """

    def brief(self) -> Brief:
        """Say whether a case is worse than the first, and by what."""
        told = [f"{n}: {w}" for n, some in zip(self.names, self.worse, strict=True) for w in some]
        return Brief(verdict=compare_verdict(self), table=verdict_table(self), notes=tuple(told))

    def plot_loop(self) -> Figure:
        """Draw the loop gain of each case at its corner with the least phase margin.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].
        """
        return loops_figure(self)


def compare(case: CaseOrPath, *others: CaseOrPath, nominal: bool = False, slack: float = 0.0) -> Compared:
    """Set two or more cases with chosen parts side by side, and tell which is worse than the first.

    Worse is what is unstable or misses a target where the first does not, has less phase, gain or modulus margin, or
    departs further at the load step.

    Parameters
    ----------
    case : Case, str or Path
        What the others are held against, or the path of its file.
    others : Case, str or Path
        One or more cases, or the paths of their files.
    nominal : bool
        Leave tolerances and temperatures out [unitless].
    slack : float
        Share by which a reading may be worse than the first's, 0 to 1 [unitless].

    Returns
    -------
    Compared
        What differs in the inputs, the worst readings side by side, and what is worse.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        For fewer than two cases, or one that leaves parts open.

    Examples
    --------
    >>> import loopdesign as ld
    >>> undamped = ld.load_case("cases/tide_gauge_sepic_undamped.toml")
    >>> targets = undamped.targets.model_copy(update={"phase_margin": 60.0})
    >>> found = ld.compare(undamped, undamped.model_copy(update={"targets": targets}), nominal=True)
    >>> found.differences
    (('targets.phase_margin', (55.0, 60.0)),)
    """
    if not others:
        raise DataError("a comparison needs two cases at least; found one")
    if not 0.0 <= slack < 1.0:
        raise DataError(f"slack is a share from 0 to 1; found {slack:g}")
    loaded = [as_case(c) for c in (case, *others)]
    checks = [check(c, nominal=nominal) for c in loaded]
    names = _names([c.source or c.title for c in loaded])
    steps = [_step(c, nominal=nominal) for c in checks]
    return shown_as(Compared, compared(list(zip(names, checks, strict=True)), steps, slack=slack))


def _names(sources: list[str]) -> list[str]:
    """Call each case by the name of its file, with its folder or number where that is not enough."""
    short = [Path(s).stem for s in sources]
    if len(set(short)) == len(short):
        return short
    longer = [str(Path(s).parent.name) + "/" + Path(s).stem for s in sources]
    if len(set(longer)) == len(longer):
        return longer
    return [f"{s} ({k + 1})" for k, s in enumerate(short)]


def _step(found: Check, *, nominal: bool) -> StepDeviation | None:
    """Largest departure at the load step, where the case has one and a loop."""
    if found.step_deviation is not None:
        return found.step_deviation
    if found.case.specification.load_step is None or found.closed_loop is None:
        return None
    return step_deviation(found.case, found.parts, tolerances=not nominal)
