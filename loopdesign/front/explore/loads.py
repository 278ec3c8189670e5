"""``loads``: every load over the input voltages, from the lightest to a short."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.given import with_parts
from loopdesign.analysis.loads import loads as regimes
from loopdesign.analysis.loads.result import LoadsResult
from loopdesign.errors import DataError
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, one_line, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.loads.tables import NAMES, boundary_table, input_volts
from loopdesign.report.loads.text import curve_sentence, loads_verdict
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from matplotlib.figure import Figure

    from loopdesign.front.case import CaseOrPath


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Loads(Shown, LoadsResult):
    """Hold every load of a case over its input voltages.

    Attributes
    ----------
    boundary : LoadBoundary
        Loads at which conduction and regulation change, at each input voltage.
    largest_load_a : ndarray or None
        Load at which the limit is reached, at each input voltage [A]; its stability is not examined.
    ends : BoundaryEnds or None
        Lowest and highest of each boundary over tolerance ends and temperatures, at the listed input voltages; None
        where there is no boundary that parts move.
    not_kept : tuple of NotKept
        Operating points of the case itself that the controller does not keep.
    below : tuple of LightRow
        What the converter does below the boundary.
    overload : tuple of OverloadCurve
        Output characteristic at each listed input voltage.
    notes : tuple of str
        What is taken for granted and what is left out.

    Examples
    --------
    >>> import loopdesign as ld
    >>> followed = ld.loads("cases/tide_gauge_sepic_undamped.toml")
    >>> row = followed.to_rows()[-1]
    >>> f"{row['input_voltage']:g} V: continuous above {1e3 * row['continuous_limit_a']:.0f} mA"
    '30 V: continuous above 618 mA'
    >>> "- at the tolerance ends, continuous above: 137 mA to 205 mA at 8 V" in str(followed)
    True
    """

    def brief(self) -> Brief:
        """Say whether every load of the case lies between the boundaries, then the boundaries and their ranges."""
        return Brief(
            verdict=loads_verdict(self),
            facts=(f"{one_line(self.case.title)} ({self.case.converter.topology})",),
            table=boundary_table(self),
            notes=(*_range_sentences(self), *(curve_sentence(c) for c in self.overload), *self.notes),
        )

    def plot(self) -> Figure:
        """Draw the boundaries over input voltage.

        Returns
        -------
        matplotlib.figure.Figure
            Load current [A] over input voltage [V].
        """
        from loopdesign.report.loads.plots import regimes_figure  # noqa: PLC0415  (loads matplotlib)

        return regimes_figure(self)

    def plot_overload(self) -> Figure:
        """Draw the output characteristics.

        Returns
        -------
        matplotlib.figure.Figure
            Output voltage [V] over output current [A].

        Raises
        ------
        DataError
            Where there is none.
        """
        from loopdesign.report.loads.plots import overload_figure  # noqa: PLC0415  (loads matplotlib)

        if not any(c.points for c in self.overload):
            raise DataError("this case has no output characteristic; its notes say why")
        return overload_figure(self)


def _range_sentences(found: LoadsResult) -> tuple[str, ...]:
    """Say between which loads each boundary lies at the tolerance ends, a sentence for each of them."""
    told: dict[str, list[str]] = {}
    for r in () if found.ends is None else found.ends.ranges:
        if r.highest.value:
            low, high = (
                format_quantity(x.value, "A") if np.isfinite(x.value) else "none found" for x in (r.lowest, r.highest)
            )
            told.setdefault(r.name, []).append(f"{low} to {high} at {input_volts(r.input_voltage)}")
    return tuple(f"at the tolerance ends, {NAMES[name]}: {', '.join(spans)}" for name, spans in told.items())


def loads(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> Loads:
    """Follow every load of a case over its input voltages, from the lightest to a short.

    Parameters
    ----------
    case : Case, str or Path
        The case, or the path of its file.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].
    progress : callable, optional
        Called with the number of pieces done and in all.

    Returns
    -------
    Loads
        Boundaries, what happens below them, and output characteristics.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where the slope is open.

    Examples
    --------
    >>> import loopdesign as ld
    >>> followed = ld.loads("cases/tide_gauge_sepic_undamped.toml")
    >>> len(followed.overload), followed.reasons
    (0, ())
    """
    return shown_as(Loads, regimes.loads(with_parts(as_case(case), parts), progress=progress))
