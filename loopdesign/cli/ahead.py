"""Work of a report that is begun before it is certain to be wanted: the steps of parts that are likely to be chosen."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from loopdesign.errors import LoopDesignError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from loopdesign.analysis.transient.start import Staged
    from loopdesign.analysis.transient.steps import StepOutcome
    from loopdesign.case import Case
    from loopdesign.workers.partners import Job, Partners


class StepsAhead:
    """Steps that partners make while the choice of parts is being confirmed.

    Parameters
    ----------
    partners : Partners
        Who makes them.
    """

    def __init__(self, partners: Partners) -> None:
        self.partners = partners
        self._stages: Job | None = None
        self._staged: list[Staged | None] | None = None
        self._case: Case | None = None
        self._job: Job | None = None

    def prepare(self, case: Case) -> None:
        """Solve what the steps of a case share whatever its parts, where it has any steps.

        Parameters
        ----------
        case : Case
            The case, its divider and slope known.
        """
        from loopdesign.analysis.transient.start import stages, step_plan

        s = case.specification
        if s.load_step is None and s.line_step is None:
            return
        with suppress(LoopDesignError):  # told when the steps are wanted
            self._stages = self.partners.begin(stages, [case], [step_plan(case)])

    def begin(self, case: Case, parts: Mapping[str, float]) -> None:
        """Begin with the steps of a case with these parts; others begun before are dropped.

        Parameters
        ----------
        case : Case
            The case of `prepare`.
        parts : mapping of str to float
            Its compensation parts by designator [ohm], [F].
        """
        from loopdesign.analysis.given import with_parts
        from loopdesign.analysis.transient.steps import step_calls

        whole = with_parts(case, parts)
        if self._stages is None or whole == self._case:
            return
        self._case, self._job = whole, None
        with suppress(LoopDesignError):  # told when the steps are wanted
            if self._staged is None:
                self._staged = next(self._stages.results())
            self._job = self.partners.begin(*step_calls(whole, staged=self._staged))

    def outcomes(self, case: Case) -> Iterator[StepOutcome] | None:
        """Return what becomes of the steps.

        Parameters
        ----------
        case : Case
            The case they are wanted for, parts and all.

        Returns
        -------
        iterator of StepOutcome or None
            None where they were not begun for this very case.
        """
        return None if self._job is None or case != self._case else self._job.results()

    def draw(self, calls: Mapping[str, Callable[[], str]]) -> Iterator[tuple[str, str]]:
        """Let the first partner begin to draw, while this process works out what else the report says.

        Parameters
        ----------
        calls : mapping of str to callable
            What draws each figure, by its name, in the order in which they are wanted.

        Returns
        -------
        iterator of tuple of str and str
            Name of each figure, and the text of its SVG file.
        """
        from loopdesign.report.content.pictures import draw

        return zip(calls, self.partners.begin(draw, calls.values(), here=False).results(), strict=True)
