"""Margins of a batch of loops as arrays of one shape, with or without the verdict of each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.margins.margins import LoopMargins
    from loopdesign.models.verdict import Verdict

    Array = NDArray[np.float64]


class LoopFigures(Protocol):
    """Readings of a batch of loops, arrays of one shape, NaN where there is none; nothing about stability."""

    @property
    def crossover_hz(self) -> Array:
        """Highest crossover [Hz]."""

    @property
    def phase_margin_deg(self) -> Array:
        """Smallest phase margin [deg]."""

    @property
    def gain_margin_db(self) -> Array:
        """Smallest gain margin [dB]."""

    @property
    def modulus_margin(self) -> Array:
        """Least distance of the loop gain from -1 [unitless]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Margins and verdict of a batch of closed loops, arrays of one shape.

    Attributes
    ----------
    crossover_hz, phase_margin_deg, gain_margin_db, modulus_margin
        Headline margins [Hz], [deg], [dB], [unitless], NaN where there is none.
    largest_multiplier
        Size of the largest characteristic multiplier [unitless].
    stable
        Whether the converter is stable.
    """

    crossover_hz: Array
    phase_margin_deg: Array
    gain_margin_db: Array
    modulus_margin: Array
    largest_multiplier: Array
    stable: NDArray[np.bool_]


def readings_of(margins: Sequence[LoopMargins], verdicts: Sequence[Verdict]) -> Readings:
    """Put the margins and verdicts of some corners into arrays (B,).

    Parameters
    ----------
    margins : sequence of LoopMargins
        One per corner.
    verdicts : sequence of Verdict
        One per corner.

    Returns
    -------
    Readings
        NaN where a margin does not exist, and where the controller does not keep the operating point: no margin is
        shown of such a corner.
    """

    def column(name: str) -> Array:
        read = [getattr(m, name) if v.held is None else None for m, v in zip(margins, verdicts, strict=True)]
        return np.array(read, dtype=np.float64)  # None becomes NaN

    return Readings(
        crossover_hz=column("crossover_hz"),
        phase_margin_deg=column("phase_margin_deg"),
        gain_margin_db=column("gain_margin_db"),
        modulus_margin=column("modulus_margin"),
        largest_multiplier=np.array([v.largest_multiplier for v in verdicts]),
        stable=np.array([v.stable for v in verdicts], dtype=np.bool_),
    )
