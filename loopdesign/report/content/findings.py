"""Everything that a report is about, computed before it is written."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.errors import DataError
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.curves import ReportData
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.analysis.impedances import Impedances
    from loopdesign.analysis.spread.envelope import Envelope
    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.case import Case, CaseFile
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
        What the document is dated, see `document_date`.
    chosen_text
        The case file with the chosen parts in it; the same text where nothing was open.
    choice
        How the parts were chosen; None where they were given.
    input_filter, output_filter, impedances, steps
        Further studies; None where the case does not ask for them.
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
    spread: SpreadResult | None = None
    band: Envelope | None = None

    @property
    def chosen(self) -> Mapping[str, float]:
        """What was chosen, by name, in SI units."""
        return {} if self.choice is None else self.choice.chosen


def document_date(case: Case, epoch: str | None, today: dt.date) -> str:
    """Return the date of a document: that of the case, else that of the build, else today; never a time of day.

    Parameters
    ----------
    case
        The case; ``[document] date`` is taken as it is written.
    epoch
        Value of the environment variable ``SOURCE_DATE_EPOCH``, by which builds are made to repeat; None where unset.
    today
        The day it is.

    Returns
    -------
    str
        A date, such as "2026-11-30".

    Raises
    ------
    DataError
        Where ``epoch`` is not a number of seconds.
    """
    if case.document.date.strip():
        return " ".join(case.document.date.split())
    if not epoch:
        return today.isoformat()
    try:
        return dt.datetime.fromtimestamp(int(epoch), tz=dt.UTC).date().isoformat()
    except (ValueError, OverflowError, OSError):
        raise DataError(
            f'SOURCE_DATE_EPOCH is "{excerpt(epoch)}"; expected whole seconds since 1970, such as 1767225600'
        ) from None
