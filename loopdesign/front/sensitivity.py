"""What each value of a case does to each margin, as a result that shows itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.explore.sensitivity import Sensitivities
from loopdesign.front.shown import Shown
from loopdesign.report.basics.brief import Brief
from loopdesign.report.explore.sensitivity_text import (
    sensitivity_figure,
    sensitivity_sentences,
    sensitivity_table,
    strongest,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Sensitivity(Shown, Sensitivities):
    """Hold derivatives of margins and multipliers by every value of a case.

    Attributes
    ----------
    keys, nominal : tuple
        Values by their path in the case file, and what they are, in SI units.
    readings : mapping of str to ndarray (C,)
        Readings at the nominal corners.
    derivatives : mapping of str to ndarray (C, V)
        Change of each reading per relative change of each value, in the unit of the reading.
    title, conditions
        Of the case; its nominal corners.

    Examples
    --------
    >>> import loopdesign as ld
    >>> moved = ld.check("cases/tide_gauge_sepic_undamped.toml", nominal=True).sensitivity()
    >>> first = moved.to_rows()[0]
    >>> first["key"], f"{first['largest_multiplier']:.4f}"
    ('stage.L1.inductance', '0.0117')
    """

    def brief(self) -> Brief:
        """Say what moves each margin most, then the table."""
        return Brief(verdict=strongest(self), table=sensitivity_table(self), notes=sensitivity_sentences(self))

    def plot(self) -> Figure:
        """Draw what ten percent more of each value does to each reading.

        Returns
        -------
        matplotlib.figure.Figure
            Bars, the longest on top, one panel for each reading.
        """
        return sensitivity_figure(self)
