"""``check``: everything there is to say about given parts, at every corner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.analysis.check import CheckResult, examine
from loopdesign.analysis.given import given_parts, has_loop, require_slope, with_parts
from loopdesign.analysis.worst import beyond_nominal, nominal_alone
from loopdesign.errors import DataError
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, one_line, shown_as, tightest
from loopdesign.report.basics.brief import Brief
from loopdesign.report.basics.status import verdict_sentence
from loopdesign.report.basics.tables import margins_table, stability_table
from loopdesign.report.loop.terminal import parts_text, step_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.figure import Figure

    from loopdesign.analysis.curves import ReportData
    from loopdesign.front.case import CaseOrPath
    from loopdesign.front.filter import FilterCheck
    from loopdesign.front.sensitivity import Sensitivity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Check(Shown, CheckResult):
    """Hold what a check finds: operating points, plants, loop gains, margins and verdicts, corner by corner.

    Attributes
    ----------
    corners : tuple of CornerResult
        One per input voltage and load current; margins beside their verdict.
    stable, targets_met : bool
        Whether every corner is stable; whether no target and no verdict fails [unitless].
    reasons : tuple of str
        Every target or verdict that fails, one sentence each.
    parts : dict of str to float
        Compensation parts examined [ohm], [F]; 0.0 where a part is not fitted.
    worst : mapping of str to WorstReading or None
        The worst of each reading over corners, temperatures and tolerance ends, with the ends that make it; what lies
        between the ends is sampled by `spread`.
    examined : Examined
        What that covers.
    effective : tuple of EffectiveValue
        Part values as they are at each corner, where they differ from the given ones.
    case, conditions, stage, closed_loop, margins, verdicts, limits, beyond
        What `loopdesign.analysis.check.CheckResult` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> examined = ld.check("cases/tide_gauge_sepic_undamped.toml")
    >>> isinstance(examined, ld.Check)
    True
    >>> [corner.stable for corner in examined.corners]
    [True, False, True, True, True, True]
    >>> worst = examined.corners[1]
    >>> f"{worst.phase_margin_deg:.0f} degrees, and the {worst.worst_mode.name} grows"
    '66 degrees, and the coupling resonance grows'
    >>> least = examined.worst["phase_margin_deg"]
    >>> f"{least.value:.1f} deg at {least.input_voltage:g} V", least.ends["Co1.capacitance"], least.stable
    ('53.0 deg at 8 V', 0.2, True)
    >>> examined.examined.tolerance_ends, ld.check(examined.case, nominal=True).examined.tolerance_ends
    (True, False)
    >>> figure = examined.plot_loop()  # figure.savefig("loop.png") writes it
    """

    def brief(self) -> Brief:
        """Say the verdict, then the margins of every corner, then what fails."""
        facts = [f"{one_line(self.case.title)} ({self.case.converter.topology})"]
        facts += [f"parts: {parts_text(self.parts)}"] if self.parts else []
        urgency = tightest(
            [(-max(c.largest_multiplier, 1.0), 1e3 if c.phase_margin_deg is None else c.phase_margin_deg)
             for c in self.corners]
        )  # fmt: skip
        return Brief(
            verdict=verdict_sentence(self),
            facts=tuple(facts),
            table=margins_table(self) if self.margins else stability_table(self),
            rows=urgency,
            notes=(*self.reasons, *filter(None, [step_sentence(self)]), *(f"warning: {w}" for w in self.warnings)),
        )

    def sensitivity(self) -> Sensitivity:
        """Differentiate every margin and the largest multiplier by every value of the case, exactly.

        Returns
        -------
        Sensitivity
            At the nominal corners.
        """
        from loopdesign.explore.sensitivity import sensitivities  # noqa: PLC0415  (only where it is asked for)
        from loopdesign.front.sensitivity import Sensitivity  # noqa: PLC0415

        return shown_as(Sensitivity, sensitivities(self))

    def plot_loop(self) -> Figure:
        """Draw the exact loop gain of every corner, one column per load current.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].

        Raises
        ------
        DataError
            Where the case has no loop.
        """
        from loopdesign.report.loop.plots import loop_bode_figure  # noqa: PLC0415  (loads matplotlib)

        self._require_loop()
        return loop_bode_figure(self._curves())

    def plot_overview(self) -> Figure:
        """Draw the exact loop gain of all lines and loads in one plot, the worst point emphasised.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz]; shaded is what the nominal corners and the points with
            the worst readings span.

        Raises
        ------
        DataError
            Where the case has no loop.
        """
        from loopdesign.analysis.variants.worst_curves import worst_curves  # noqa: PLC0415  (only for this plot)
        from loopdesign.report.loop.overview import overview_bode_figure  # noqa: PLC0415  (loads matplotlib)

        self._require_loop()
        return overview_bode_figure(worst_curves(self))

    def plot_nyquist(self) -> Figure:
        """Draw the exact loop gain of every corner near -1 in the complex plane.

        Returns
        -------
        matplotlib.figure.Figure
            Imaginary over real part [unitless].

        Raises
        ------
        DataError
            Where the case has no loop.
        """
        from loopdesign.report.loop.plots import nyquist_figure  # noqa: PLC0415  (loads matplotlib)

        self._require_loop()
        return nyquist_figure(self._curves())

    def plot_plant(self) -> Figure:
        """Draw control to output of every corner by both models, one column per load current.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].
        """
        from loopdesign.report.loop.plots import plant_bode_figure  # noqa: PLC0415  (loads matplotlib)

        return plant_bode_figure(self._curves())

    def filter_study(self) -> FilterCheck:
        """Study the input filter: its impedance against the converter's, the verdict with it and without.

        Returns
        -------
        FilterCheck
            At every corner, with a damper proposed where one is needed.

        Raises
        ------
        DataError
            Where the case has no input filter.
        """
        if self.case.input_filter is None:
            raise DataError(f"{self.case.source}: the case has no [input_filter] to study")
        from loopdesign.analysis.filter_study import filter_study  # noqa: PLC0415  (only where it is asked for)
        from loopdesign.front.filter import FilterCheck  # noqa: PLC0415

        return shown_as(FilterCheck, filter_study(self.case, self.parts))

    def _curves(self) -> ReportData:
        """Compute the responses of every corner for a plot."""
        from loopdesign.analysis.curves import report_data  # noqa: PLC0415  (only for plots)

        return report_data(self)

    def _require_loop(self) -> None:
        if self.closed_loop is None:
            raise DataError(f"{self.case.source}: the case has no loop to draw; give amplifier, divider and parts")


def check(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    nominal: bool = False,
) -> Check:
    """Examine a case at every corner: operating point, plant, loop gain, margins and verdict.

    Parameters
    ----------
    case : Case, str or Path
        The case, or the path of its file. Without an error amplifier, divider and compensation only the current loop is
        examined.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator: numbers in SI units or text such as ``"10 kohm"``, ``"none"``
        or 0 where a part is not fitted [ohm], [F]. Parts not named keep the case's value.
    nominal : bool
        Leave tolerances and temperatures out [unitless]. Otherwise every temperature and the worst tolerance ends are
        examined as well, in ``worst``, and the verdict is about all of it.

    Returns
    -------
    Check
        With every failing target or verdict in ``reasons``.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where a name among the parts is unknown, a value cannot be read, or a part is left open.
    UnreachableOutputError
        Where losses keep the output below its target.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/tide_gauge_sepic.toml")
    >>> examined = ld.check(case, {"R1": "6.8 kohm", "C1": "22 nF", "C2": "none"})
    >>> examined.stable
    True
    >>> len(examined.to_rows()) == len(examined.corners) == 6
    True
    """
    given = with_parts(as_case(case), parts)
    require_slope(given)
    found = examine(given, given_parts(given) if has_loop(given) else {})
    found = nominal_alone(found) if nominal else beyond_nominal(found)
    return shown_as(Check, found)
