"""What the converter shows to its load and its source at every corner: two impedances and the line rejection."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.grids import LOWEST_SHARE_OF_IMPEDANCES, grid_with
from loopdesign.analysis.outputs.impedance import further_impedance
from loopdesign.corners.trouble import names_file
from loopdesign.models.switched import input_impedance, line_to_output, output_impedance

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult

POINTS = 160
"""Evenly spaced frequencies; more are laid around every pole of the stage."""
AROUND = (0.96, 0.985, 0.995, 1.0, 1.005, 1.015, 1.04)
"""Frequencies laid around a pole, as shares of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extreme:
    """The largest or smallest size of a response, and where."""

    value: float
    frequency_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Impedances:
    """Responses of the switched model at every corner of a check, up to half the switching frequency.

    Attributes
    ----------
    check
        The check, with corners and verdicts.
    closed
        Whether the loop is closed; without one the control voltage is held.
    frequencies_hz
        (F,) [Hz].
    output, input
        Output and input impedance (B,F) [ohm].
    line
        Output per volt of input (B,F) [V/V].
    further
        Output impedance (B,F) [ohm] of each further output by name; empty where the stage has none.
    """

    check: CheckResult
    closed: bool
    frequencies_hz: NDArray[np.float64]
    output: NDArray[np.complex128]
    line: NDArray[np.complex128]
    input: NDArray[np.complex128]
    further: Mapping[str, NDArray[np.complex128]] = field(default_factory=dict)

    def stable(self, item: int) -> bool:
        """Whether a corner is stable; an unstable one has no steady response to measure.

        Parameters
        ----------
        item : int
            Operating point, counted from zero [unitless].

        Returns
        -------
        bool
            Whether its worst mode decays.
        """
        return self.check.verdicts[item].stable

    def output_peak(self, item: int) -> Extreme:
        """Largest output impedance of a corner [ohm].

        Parameters
        ----------
        item : int
            Corner, counted from zero [unitless].

        Returns
        -------
        Extreme
            Size [ohm] and frequency [Hz].
        """
        return self._at(self.output, item, int(np.argmax(np.abs(self.output[item]))))

    def further_peak(self, name: str, item: int) -> Extreme:
        """Largest output impedance of a further output at a corner [ohm].

        Parameters
        ----------
        name : str
            Name of the output.
        item : int
            Corner, counted from zero [unitless].

        Returns
        -------
        Extreme
            Size [ohm] and frequency [Hz].
        """
        values = self.further[name]
        return self._at(values, item, int(np.argmax(np.abs(values[item]))))

    def line_peak(self, item: int) -> Extreme:
        """Largest output per volt of input of a corner [V/V].

        Parameters
        ----------
        item : int
            Corner, counted from zero [unitless].

        Returns
        -------
        Extreme
            Size [V/V] and frequency [Hz].
        """
        return self._at(self.line, item, int(np.argmax(np.abs(self.line[item]))))

    def input_least(self, item: int) -> Extreme:
        """Smallest input impedance of a corner [ohm].

        Parameters
        ----------
        item : int
            Corner, counted from zero [unitless].

        Returns
        -------
        Extreme
            Size [ohm] and frequency [Hz].
        """
        return self._at(self.input, item, int(np.argmin(np.abs(self.input[item]))))

    def _at(self, values: NDArray[np.complex128], item: int, k: int) -> Extreme:
        return Extreme(value=float(abs(values[item, k])), frequency_hz=float(self.frequencies_hz[k]))


@names_file("no impedances")
def impedances(examined: CheckResult) -> Impedances:
    """Compute output impedance, line to output and input impedance at every corner.

    Parameters
    ----------
    examined
        A case examined at its corners, with its loop or without.

    Returns
    -------
    Impedances
        Of the closed loop; where the case has none, of the stage with the control voltage held.
    """
    model = examined.stage.model if examined.closed_loop is None else examined.closed_loop
    f = _frequencies(examined)
    return Impedances(
        check=examined,
        closed=examined.closed_loop is not None,
        frequencies_hz=f,
        output=output_impedance(model, f),
        further={name: further_impedance(model, f, name) for name in examined.stage.converter.topology.outputs},
        line=line_to_output(model, f),
        input=input_impedance(model, f),
    )


def _frequencies(examined: CheckResult) -> NDArray[np.float64]:
    """Even steps, and some around every pole, for the peak of a sharp resonance lies between any steps."""
    switching = examined.case.converter.switching_frequency
    poles = np.concatenate([np.abs(p.poles_hz) for p in examined.stage.plants])
    return grid_with(switching, POINTS, np.outer(poles, AROUND), lowest_share=LOWEST_SHARE_OF_IMPEDANCES)
