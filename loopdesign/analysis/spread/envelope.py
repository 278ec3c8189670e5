"""Loop gain of many samples on one grid, as bands: what the plot of a spread shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.grids import even_grid
from loopdesign.analysis.variants.judge import loop_of
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.trouble import names_file
from loopdesign.orbit.holding import KEPT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.spread.sample import SpreadResult

POINTS = 160
SHOWN = 400
"""Samples drawn upon at most: the band's edges hardly move beyond."""
BATCH = 100
LEVELS = (0.0, 0.05, 0.5, 0.95, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """Bands of the loop gain at one condition.

    Attributes
    ----------
    frequencies_hz
        (F,) [Hz].
    levels
        Quantiles of the rows below [unitless].
    magnitude_db, phase_deg
        (5,F) quantiles over the samples; the phase is unwrapped from low frequencies.
    condition
        Number of the condition, counted from zero [unitless].
    samples, stable, unstable
        How many samples; how many of them are stable, and how many are held and grow. The rest is not held.
    """

    frequencies_hz: NDArray[np.float64]
    levels: tuple[float, ...]
    magnitude_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64]
    condition: int
    samples: int
    stable: int
    unstable: int


@names_file("no envelope")
def envelope(result: SpreadResult, condition: int) -> Envelope:
    """Evaluate the loop gain of the first samples at one condition.

    Parameters
    ----------
    result
        Samples.
    condition
        Number of the condition, counted from zero [unitless].

    Returns
    -------
    Envelope
        Exact loop gain by injection, from the lowest frequency examined to half the switching frequency.
    """
    base = base_of(result.case, result.parts, examine_stage(result.case, result.conditions))
    usable = np.flatnonzero(result.reached[:, condition])[:SHOWN]
    grid = even_grid(result.case.converter.switching_frequency, POINTS)
    rows = []
    for begin in range(0, len(usable), BATCH):
        items = usable[begin : begin + BATCH]
        corners = result.sample_corners_of(items, condition)
        rows.append(loop_of(base, corners, np.full(len(items), condition), grid))
    loop = np.concatenate(rows) if rows else np.ones((1, POINTS), complex)
    phase = np.degrees(np.unwrap(np.angle(loop), axis=1))
    stable = result.stable[usable, condition]
    return Envelope(
        frequencies_hz=grid,
        levels=LEVELS,
        magnitude_db=np.quantile(20.0 * np.log10(np.abs(loop)), LEVELS, axis=0),
        phase_deg=np.quantile(phase, LEVELS, axis=0),
        condition=condition,
        samples=len(usable),
        stable=int(stable.sum()),
        unstable=int((~stable & (result.held[usable, condition] == KEPT)).sum()),
    )
