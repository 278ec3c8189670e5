"""What the input filter does to the converter, shown: the study that belongs to a check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.filter_study import FilterStudy
from loopdesign.front.shown import Shown
from loopdesign.report.basics.brief import Brief
from loopdesign.report.filter.section import filter_sentences, filter_table
from loopdesign.report.loop.answer import filter_answer

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class FilterCheck(Shown, FilterStudy):
    """Hold the input filter's impedance against the converter's, and the verdict with the filter and without.

    Attributes
    ----------
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].
    filter_ohm, converter_ohm : ndarray (B, F)
        Output impedance of the filter, input impedance of the converter [ohm].
    separation : Separation
        Smallest ratio of the two at every corner [dB], and where [Hz].
    case, conditions, closed, loop_without, loop_with, margins_without, margins_with, verdicts_without, verdicts_with
        What `loopdesign.analysis.filter_study.FilterStudy` holds.
    proposal, warnings
        A damper where one is needed; what the filter spoils.

    Examples
    --------
    >>> import loopdesign as ld
    >>> examined = ld.check("cases/beacon_boost.toml", {"R1": "9.09 kohm", "C1": "27 nF", "C2": "1.8 nF"})
    >>> study = examined.filter_study()
    >>> isinstance(study, ld.FilterCheck), len(study.to_rows()), any(study.turned)
    (True, 6, False)
    """

    def brief(self) -> Brief:
        """Say what the filter makes of the corners' stability, then how far the impedances are apart."""
        unstable, count = sum(not v.stable for v in self.verdicts_with), len(self.verdicts_with)
        turned = sum(self.turned)
        verdict = f"Stable with the input filter at all {count} corners"
        if unstable:
            grows = any(not v.worst_mode.stable for v in self.verdicts_with)
            word = "UNSTABLE" if grows else "NOT HELD"
            verdict = f"{word} with the input filter at {unstable} of {count} corners"
            verdict += f", {turned} of them stable without it" if turned else ", with it and without"
        return Brief(verdict=verdict, table=filter_table(self), notes=filter_sentences(self))

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the study into one row per corner, ready for a data frame.

        Returns
        -------
        list of dict
            Corner, separation [dB] and where [Hz], and the verdict without and with the filter.
        """
        rows: list[dict[str, Any]] = filter_answer(self)["corners"]
        return rows

    def plot(self) -> Figure:
        """Draw both impedances over frequency, one column per load current.

        Returns
        -------
        matplotlib.figure.Figure
            Size [Ω] over frequency [Hz].
        """
        from loopdesign.report.filter.plots import impedance_figure  # noqa: PLC0415  (loads matplotlib)

        return impedance_figure(self)
