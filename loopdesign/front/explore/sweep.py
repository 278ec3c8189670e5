"""``sweep``: margins and verdict against one or two quantities of a case."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from loopdesign.case import Case, read_text
from loopdesign.errors import DataError
from loopdesign.explore.sweep import SweepResult, swept
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.explore.sweep_text import sweep_notes, sweep_table, sweep_verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from concurrent.futures import Executor
    from os import PathLike

    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Sweep(Shown, SweepResult):
    """Hold a sweep: one point per combination of values, each the worst over the corners examined.

    Attributes
    ----------
    varied : tuple of SweptQuantity
        Path, unit and values of each varied quantity.
    points : tuple of SweepPoint
        The last quantity varies fastest.
    boundary : Boundary or None
        Where the largest multiplier of the nominal corners is one.
    title, asked, chosen, worst, redesign
        What `loopdesign.explore.sweep.SweepResult` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> swept = ld.sweep("cases/tide_gauge_sepic_undamped.toml", {"specification.input_voltage": ["8 V", "13 V"]})
    >>> [point.stable for point in swept.points]
    [False, True]
    >>> f"{swept.boundary.curves[0][0, 0]:.2f} V"
    '12.02 V'
    """

    def brief(self) -> Brief:
        """Say how many points are stable, then the points."""
        return Brief(verdict=sweep_verdict(self), table=sweep_table(self), notes=sweep_notes(self))

    def plot(self) -> Figure:
        """Draw curves against one quantity, or a map over two.

        Returns
        -------
        matplotlib.figure.Figure
            With the limits, the unstable part and the traced boundary.
        """
        from loopdesign.report.explore.sweep_plots import sweep_figure  # noqa: PLC0415  (loads matplotlib)

        return sweep_figure(self)


def sweep(  # noqa: PLR0913  (what a sweep may be asked for)
    case: Case | str | PathLike[str],
    vary: Mapping[str, Sequence[float | str]],
    *,
    points: int | None = None,
    log: bool = False,
    series: str | None = None,
    worst: bool = False,
    redesign: bool = False,
    step: bool = False,
    unlimited: bool = False,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Sweep:
    """Check a case at many values of one or two of its quantities.

    Parameters
    ----------
    case : str or Path
        The path of the case file; a case is read again from its file.
    vary : mapping of str to sequence of float or str
        Path of each quantity in the case file, ``"stage.Cs.capacitance"``: a tuple of two is the ends of a range, a
        list is taken as it is; numbers in SI units or text such as ``"4.7 uF"`` [unitless].
    points : int, optional
        Points of a range; 21 with one quantity and 11 with two unless given [unitless].
    log : bool
        Space a range by equal ratios [unitless].
    series : str, optional
        Take the preferred values of this series, such as ``"E12"``, within a range.
    worst : bool
        Count temperatures and tolerance ends [unitless].
    redesign : bool
        Choose the compensation anew at every point [unitless].
    step : bool
        Make the load step also where the case sets no target for it [unitless].
    unlimited : bool
        Take any number of points [unitless].
    executor : concurrent.futures.Executor, optional
        Who does the work, such as `ld.Workers`; this process unless given.
    progress : callable, optional
        Called with the number of points done and of all points.

    Returns
    -------
    Sweep
        One point per combination, each the worst over the corners examined.

    Raises
    ------
    CaseError
        Where the case file holds faults.
    DataError
        For an unknown key, a wrong unit, more than two keys, or too many points.

    Examples
    --------
    >>> import loopdesign as ld
    >>> ld.sweep("cases/tide_gauge_sepic_undamped.toml", {"compensation.R1": ("2 kohm", "8 kohm")}, points=3).failed
    0
    """
    if isinstance(case, Case) and not case.source:
        raise DataError("a sweep reads the case anew from its file, and this case has none; give the path of the file")
    name = str(getattr(case, "source", case))
    given: dict[str, Sequence[str]] = {}
    for key, values in vary.items():
        if isinstance(values, str) or not len(values):
            raise DataError(f"{key}: give the ends of a range, or a list of values; found {values!r}")
        texts = [str(v) for v in values]
        given[key] = tuple(texts) if isinstance(values, tuple) else texts
    found = swept(
        read_text(Path(name)), name, given, points=points, log=log, series=series, worst=worst, redesign=redesign,
        step=step, unlimited=unlimited, executor=executor, progress=progress,
    )  # fmt: skip
    return shown_as(Sweep, found)
