"""``step``: load and line steps of a case in time, cycle by cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, overload

from loopdesign.analysis.given import one_of, require_slope, with_parts
from loopdesign.analysis.startup.rise import RiseStudy, rises
from loopdesign.analysis.transient import steps
from loopdesign.analysis.transient.steps import StepStudy
from loopdesign.errors import DataError
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, one_line, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.steps.start import start_answer, start_table, start_verdict
from loopdesign.report.steps.surges import surges
from loopdesign.report.steps.text import failures, step_verdict
from loopdesign.report.steps.words import KINDS, outcome_word

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from matplotlib.figure import Figure

    from loopdesign.analysis.startup.plan import RiseKind
    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.transient.steps import StepResult
    from loopdesign.front.case import CaseOrPath


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Steps(Shown, StepStudy):
    """Hold every step of a case: the load step, the line step, and the way back of each, at every input voltage.

    Attributes
    ----------
    corners : tuple of StepResult
        The load step at every input voltage.
    results : tuple of StepResult
        Every step; ``of("load back")`` picks those of one kind.
    stable : bool
        Whether every step was made and ends at a stable operating point [unitless].
    case, growth, band_v, not_made, notes
        What `loopdesign.analysis.transient.steps.StepStudy` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> steps = ld.step("cases/tide_gauge_sepic_undamped.toml", cycles=40)
    >>> [f"{row['input_voltage']:g} V: {row['stable']}" for row in steps.to_rows() if row["kind"] == "load"]
    ['8 V: False', '13 V: True', '30 V: True']
    """

    @property
    def corners(self) -> tuple[StepResult, ...]:
        """The load step at every input voltage."""
        return self.of("load")

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the steps into one row each, ready for a data frame.

        Returns
        -------
        list of dict
            What identifies the step, its verdict, deviation [V] and settling time [s]; the course in time is in
            ``results``.
        """
        return [
            {
                "kind": r.kind,
                "input_voltage": r.input_voltage,
                "input_voltage_to": r.input_voltage_to,
                "load_from": r.load_from,
                "load_to": r.load_to,
                "stable": r.stable,
                "reason": r.reason,
                "peak_deviation_v": r.peak_deviation_v,
                "raw_deviation_v": r.raw_deviation_v,
                "settling_time_s": r.settling_time_s,
                "largest_multiplier": None if r.worst_mode is None else abs(r.worst_mode.multiplier),
                "worst_mode": None if r.worst_mode is None else r.worst_mode.to_dict(),
            }
            for r in self.results
        ]

    def brief(self) -> Brief:
        """Say after how many steps the output settles, then deviation and settling time of each."""
        return Brief(
            verdict=step_verdict(self),
            facts=(f"{one_line(self.case.title)} ({self.case.converter.topology}): load and line steps",),
            table=_table(self),
            notes=(*failures(self), *(f"warning: {w}" for w in (*surges(self), *self.case.warnings)), *self.notes),
        )

    def plot(self, kind: StepKind | None = None) -> Figure:
        """Draw output, control voltage and inductor currents over time, one column per step.

        Parameters
        ----------
        kind : {"load", "load back", "line", "line back"}, optional
            Which steps; the load step unless given, or the line step where there is no other.

        Returns
        -------
        matplotlib.figure.Figure
            Output [V], control voltage [V] and currents [A] over time [ms].

        Raises
        ------
        DataError
            Where the case has no such step.
        """
        from loopdesign.report.steps.plots import plot_steps  # noqa: PLC0415  (loads matplotlib)

        made = tuple(name for name in KINDS if self.of(name))
        if not made:
            raise DataError("no step could be made, so there is nothing to draw")
        return plot_steps(self, made[0] if kind is None else one_of(kind, made, "kind of step"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class StartUps(Shown, RiseStudy):
    """Hold every start-up of a case, and every drop-out of its line, at every input voltage and load.

    Attributes
    ----------
    results : tuple of Rise
        Every run with its course in time; starts first.
    stable : bool
        Whether every run was made and comes to a stable regulated operating point [unitless].
    reasons : tuple of str
        Every run that was not or does not, and every peak above its rating.
    case, notes, not_made
        What `loopdesign.analysis.startup.rise.RiseStudy` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/echo_sounder_flyback.toml")
    >>> starts = ld.step(case, {"R1": "10 kohm", "C1": "22 nF", "C2": "none"}, start=True)
    >>> len(starts.results), starts.stable
    (6, True)
    """

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the runs into one row each, ready for a data frame.

        Returns
        -------
        list of dict
            What identifies the run, and what was read from it; the course in time is in ``results``.
        """
        courses = ("time_s", "output_voltage_v", "sensed_peak_a", "control_voltage_v", "energy")
        return [{k: v for k, v in r.to_dict().items() if k not in courses} for r in self.results]

    def to_dict(self) -> dict[str, Any]:
        """Turn everything into plain numbers and words, as ``--json`` prints it.

        Returns
        -------
        dict
            ``corners`` holds the starts, ``others`` the drop-outs of the line.
        """
        return start_answer(self)

    def plot(self, kind: RiseKind = "start") -> Figure:
        """Draw output, peak of the sensed current and control voltage of every run over time, the worst one drawn out.

        Parameters
        ----------
        kind : {"start", "dropout"}
            Which runs.

        Returns
        -------
        matplotlib.figure.Figure
            Output [V], current [A] and control voltage [V] over time [ms].

        Raises
        ------
        DataError
            Where the case has no such run.
        """
        from loopdesign.report.steps.start_plots import start_figure  # noqa: PLC0415  (loads matplotlib)

        made = tuple(dict.fromkeys(r.kind for r in self.results))
        return start_figure(self, one_of(kind, made, "kind of run"))

    def brief(self) -> Brief:
        """Say whether the output comes to regulation in every run, then what was read from each."""
        return Brief(
            verdict=start_verdict(self),
            facts=(f"{one_line(self.case.title)} ({self.case.converter.topology}): start-up",),
            table=start_table(self),
            notes=(*self.notes, *(f"warning: {w}" for w in self.case.warnings)),
        )


def _table(made: StepStudy) -> Table:
    """List every step with its verdict, deviation and settling time."""
    columns = (
        Column(heading="step", key=True), Column(heading="input", unit="V", key=True),
        Column(heading="input after", unit="V"), Column(heading="load from", unit="A"),
        Column(heading="load to", unit="A"), Column(heading="verdict", key=True),
        Column(heading="deviation of mean", unit="V"), Column(heading="settled in", unit="s"),
    )  # fmt: skip
    rows = []
    for r in made.results:
        after = r.input_voltage_to if r.input_voltage_to != r.input_voltage else None
        shown = (r.load_from, r.load_to, outcome_word(r), r.peak_deviation_v, r.settling_time_s)
        rows.append((KINDS[r.kind].lower(), r.input_voltage, after, *shown))
    return Table(title="Steps", columns=columns, rows=tuple(rows))


@overload
def step(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    cycles: int | None = None,
    start: Literal[False] = False,
    progress: Callable[[int, int], None] | None = None,
) -> Steps: ...


@overload
def step(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    start: Literal[True],
    progress: Callable[[int, int], None] | None = None,
) -> StartUps: ...


def step(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    cycles: int | None = None,
    start: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Steps | StartUps:
    """Make every load and line step of a case, cycle by cycle, at every input voltage.

    Parameters
    ----------
    case : Case, str or Path
        The case, or the path of its file; ``load_step`` or ``line_step`` says which steps to make.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].
    cycles : int, optional
        Switching cycles of each run; until the output has settled unless given [unitless].
    start : bool
        Start from discharged capacitors at every input voltage and load instead, and make ``line_dropout``.
    progress : callable, optional
        Called with the number of runs done and in all.

    Returns
    -------
    Steps or StartUps
        Every step with its course in time, and the growth of small disturbances; with ``start`` every start-up.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where the case gives no step or leaves parts open, or a step starts or ends without a load to hold; where both
        ``cycles`` and ``start`` are given.
    UnreachableOutputError
        Where losses keep the output below its target before a step.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/wave_buoy_coupled_sepic.toml")
    >>> steps = ld.step(case, {"R1": "10 kohm", "C1": "22 nF", "C2": "none"}, cycles=50)
    >>> steps.corners[0].output_voltage_v.shape
    (50,)
    """
    given = with_parts(as_case(case), parts)
    require_slope(given)
    if cycles is not None and (not isinstance(cycles, int) or isinstance(cycles, bool) or cycles < 1):
        raise DataError(f"cycles must be a whole number of at least 1; found {cycles!r}")
    if start:
        if cycles is not None:
            raise DataError("start takes no cycles: a start runs until the output rests")
        return shown_as(StartUps, rises(given, progress=progress))
    return shown_as(Steps, steps.step(given, cycles=cycles, progress=progress))
