"""What holding a measurement against the prediction found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.bench.board import Board
    from loopdesign.bench.compare import CurveMargins, Deviation
    from loopdesign.bench.fitting.result import Fit
    from loopdesign.bench.point import MeasuredPoint
    from loopdesign.bench.predict import MeasuredQuantity
    from loopdesign.bench.reading.measurement import ReadAs
    from loopdesign.bench.reading.table import Dropped
    from loopdesign.case import Case
    from loopdesign.models.verdict import Verdict
    from loopdesign.synthesis.choice.result import Choice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BenchResult:
    """A measured response held against the exact model.

    Attributes
    ----------
    source : str
        Name of the file of the measurement.
    quantity : str
        ``loop``, ``plant`` or ``output-impedance``.
    case : Case
        The case of the board as designed.
    frequencies_hz : ndarray (F,)
        Frequencies compared at [Hz].
    measured_values, predicted_values : ndarray (F,)
        Complex values there, the inversion taken out [unitless] or [ohm].
    fitted_values : ndarray (F,) or None
        The exact model's with the fitted values, where a fit was asked for [unitless] or [ohm].
    dropped : tuple of Dropped
        Rows that were left out, each with its reason.
    repeats : int
        Rows averaged with another of the same frequency [unitless].
    read_as : ReadAs
        How the file was read.
    guessed : tuple of str
        What neither heading nor option said of the file and its values decided, in words.
    inversion_removed : bool
        Whether the measured loop held the 180 degrees of the inversion [unitless].
    point : MeasuredPoint
        Operating point, and how it is known.
    verdict : Verdict
        Verdict of the model at the operating point, nominal parts.
    measured, predicted : CurveMargins
        Margins read from the points of each.
    difference : Deviation
        Measured against predicted.
    fit : Fit or None
        Refined parts, where asked for.
    board : Board or None
        The design examined with the refined parts, where asked for.
    warnings : tuple of str
        Where the file agrees much better with another quantity than with the one it is taken for; empty elsewhere.
    redesign : Choice or None
        New compensation for the board as the fit found it, where asked for.
    sentence : str
        Where measured and predicted agree, what a fit changes, and what follows for the design.
    """

    source: str
    quantity: MeasuredQuantity
    case: Case
    frequencies_hz: NDArray[np.float64]
    measured_values: NDArray[np.complex128]
    predicted_values: NDArray[np.complex128]
    fitted_values: NDArray[np.complex128] | None
    dropped: tuple[Dropped, ...]
    repeats: int
    read_as: ReadAs
    guessed: tuple[str, ...]
    inversion_removed: bool
    point: MeasuredPoint
    verdict: Verdict
    measured: CurveMargins
    predicted: CurveMargins
    difference: Deviation
    fit: Fit | None
    board: Board | None
    sentence: str
    redesign: Choice | None = None
    warnings: tuple[str, ...] = ()

    @property
    def points(self) -> int:
        """How many points were compared."""
        return len(self.frequencies_hz)

    @property
    def stable(self) -> bool:
        """Whether the model with nominal parts is stable and held at the operating point."""
        return bool(self.verdict.stable)

    @property
    def fitted(self) -> dict[str, float]:
        """Values that the fit found by dotted key, those that the data do not see left out."""
        return {} if self.fit is None else self.fit.values

    def to_dict(self) -> dict[str, Any]:
        """Turn the comparison into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            The object of ``bench --json``.
        """
        return {
            "points": self.points,
            "dropped": [row.to_dict() for row in self.dropped],
            "read_as": self.read_as.to_dict(),
            "inversion_removed": self.inversion_removed,
            "input_voltage": self.point.input_voltage,
            "load_current": self.point.load_current,
            "measured": self.measured.to_dict(),
            "predicted": self.predicted.to_dict(),
            "difference": self.difference.to_dict(),
            "fit": None if self.fit is None else self.fit.to_dict(),
            "sentence": self.sentence,
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the comparison into one row per frequency, ready for a data frame.

        Returns
        -------
        list of dict
            ``frequency_hz`` [Hz]; ``measured_db``, ``predicted_db`` [dB]; ``measured_deg``, ``predicted_deg`` [deg].
        """
        size = [20.0 * np.log10(np.abs(v)) for v in (self.measured_values, self.predicted_values)]
        turn = [np.degrees(np.angle(v)) for v in (self.measured_values, self.predicted_values)]
        columns = (self.frequencies_hz, size[0], turn[0], size[1], turn[1])
        names = ("frequency_hz", "measured_db", "measured_deg", "predicted_db", "predicted_deg")
        return [dict(zip(names, map(float, row), strict=True)) for row in zip(*columns, strict=True)]
