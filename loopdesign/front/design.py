"""``design``: the open parts of a case chosen, the best combination of preferred values."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.given import missing_for_a_loop, with_parts
from loopdesign.analysis.worst import beyond_nominal, nominal_alone
from loopdesign.errors import DataError
from loopdesign.front.case import as_case
from loopdesign.front.check import Check
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.choice.text import divider_sentences, slope_sentences
from loopdesign.report.loop.terminal import parts_text
from loopdesign.synthesis.choice.choose import choose
from loopdesign.synthesis.choice.result import Choice

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from matplotlib.figure import Figure

    from loopdesign.analysis.findings.corner import CornerResult
    from loopdesign.case import Case
    from loopdesign.front.case import CaseOrPath
    from loopdesign.report.basics.brief import Brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Design(Shown, Choice):
    """Hold the parts chosen, the check of them at every corner, and what the choice rests on.

    Attributes
    ----------
    chosen : dict of str to float
        What was open, with the values chosen [ohm], [F], [V/s].
    check : Check
        The case with these parts; ``corners``, ``parts``, ``stable``, ``targets_met``, ``reasons`` are its own.
    case : Case
        The case with the chosen parts in it, for `check`, `step` or `spread`.
    method, notes : str, tuple of str
        What was done and what is proven; what the user should know.
    prefer, best, alternatives, extremes, divider_choice, slope_report, searched_corners, combinations, evaluated
        What `loopdesign.synthesis.choice.result.Choice` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> designed = ld.design("cases/beacon_boost.toml", {"R1": "9.1 kohm", "C1": "27 nF"}, nominal=True)
    >>> designed.check.targets_met, f"{designed.parts['C2'] * 1e9:.3g} nF"
    (True, '1.8 nF')
    >>> ld.check(designed.case).stable
    True
    """

    check: Check

    @property
    def case(self) -> Case:
        """The case with the chosen parts in it."""
        return with_parts(self.check.case, self.check.parts)

    @property
    def parts(self) -> Mapping[str, float]:
        """Compensation parts by designator, chosen or given [ohm], [F]."""
        return self.check.parts

    @property
    def corners(self) -> tuple[CornerResult, ...]:
        """Findings of each corner with these parts."""
        return self.check.corners

    @property
    def stable(self) -> bool:
        """Whether every corner is stable."""
        return self.check.stable

    @property
    def targets_met(self) -> bool:
        """Whether no target and no verdict fails."""
        return self.check.targets_met

    @property
    def reasons(self) -> tuple[str, ...]:
        """Every target or verdict that fails, one sentence each."""
        return self.check.reasons

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the check of the chosen parts into one row per corner.

        Returns
        -------
        list of dict
            Keys and values of the corners in ``design --json``.
        """
        return self.check.to_rows()

    def brief(self) -> Brief:
        """Say the verdict, then what was chosen and how, then the margins."""
        examined = self.check.brief()
        chosen = f"chosen: {parts_text(self.chosen)}" if self.chosen else "chosen: nothing was open"
        notes = (*divider_sentences(self), *slope_sentences(self), f"choice: {self.method}", *self.notes)
        return replace(examined, facts=(*examined.facts, chosen), notes=(*examined.notes, *notes))

    def plot_loop(self) -> Figure:
        """Draw the exact loop gain of every corner; see `Check.plot_loop`.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].
        """
        return self.check.plot_loop()

    def plot_plant(self) -> Figure:
        """Draw control to output of every corner; see `Check.plot_plant`.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].
        """
        return self.check.plot_plant()


def design(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    nominal: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Design:
    """Choose the open parts of a case: the best combination of preferred values, at all corners at once.

    Parameters
    ----------
    case : Case, str or Path
        The case, or the path of its file, with an error amplifier and a divider.
    parts : mapping of str to float or str, optional
        Values to keep fixed, by designator, in place of the case's own [ohm], [F]; the other open parts are chosen.
    nominal : bool
        Leave tolerance ends and temperatures out of the search [unitless].
    progress : callable, optional
        Called with the work done and in all while combinations are searched.

    Returns
    -------
    Design
        The parts, with the check of them at every corner.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where the case does not say which amplifier closes the loop.
    NoDesignError
        Where no combination meets the targets; with the nearest miss and what stands in the way.
    UnreachableOutputError
        Where losses keep the output below its target.

    Examples
    --------
    >>> import loopdesign as ld
    >>> designed = ld.design("cases/beacon_boost.toml", {"R1": "9.1 kohm", "C2": "1.8 nF"}, nominal=True)
    >>> designed.targets_met, sorted(designed.chosen)
    (True, ['C1', 'divider.upper'])
    """
    given = with_parts(as_case(case), parts)
    missing = missing_for_a_loop(given)
    if missing:
        raise DataError(f"{given.source}: design needs {' and '.join(missing)}: say which amplifier closes the loop")
    choice = choose(given, progress, tolerances=not nominal)
    examined = nominal_alone(choice.check) if nominal else beyond_nominal(choice.check, choice.extremes)
    return shown_as(Design, replace(choice, check=shown_as(Check, examined)))
