"""Loop gains at the ends that make the worst readings of a check, beside those of its nominal corners, on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.grids import grid_with
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import compensation, solved
from loopdesign.corners.trouble import names_file, traced
from loopdesign.models.switched import linearise, loop_gain
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.findings.worst import WorstReading
    from loopdesign.models.switched import SwitchedModel

POINTS = 200
"""Points of the even grid."""
AROUND = (0.94, 0.98, 0.99, 0.995, 1.0, 1.005, 1.01, 1.02, 1.06)
"""Points around each pole and zero, as shares of its own frequency."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstCurves:
    """Loop gains of the nominal corners and at the worst ends.

    Attributes
    ----------
    check : CheckResult
        The check whose worst readings these are.
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].
    nominal : ndarray (B, F)
        Loop gain of every nominal corner [unitless].
    ends : ndarray (N, F)
        Loop gain at every point that makes a worst reading, each point once [unitless].
    readings : tuple of tuple of str
        Per point, the names of the readings it is the worst for.
    """

    check: CheckResult
    frequencies_hz: NDArray[np.float64]
    nominal: NDArray[np.complex128]
    ends: NDArray[np.complex128]
    readings: tuple[tuple[str, ...], ...]

    def of(self, reading: str) -> NDArray[np.complex128] | None:
        """Pick the loop gain (F,) at the point that is the worst for a reading; None where there is none.

        Parameters
        ----------
        reading : str
            Such as ``phase_margin_deg``.

        Returns
        -------
        ndarray (F,) or None
            Loop gain [unitless].
        """
        return next((self.ends[k] for k, names in enumerate(self.readings) if reading in names), None)


NO_LOOP = ("step_deviation_v", "output_ripple_v")
"""Readings that are not of the loop gain."""


@names_file("no curves at the worst ends")
def worst_curves(found: CheckResult) -> WorstCurves:
    """Evaluate the loop gain at every nominal corner and at the ends that make the worst readings.

    Parameters
    ----------
    found : CheckResult
        A check with a loop; without tolerances the worst readings are those of nominal corners.

    Returns
    -------
    WorstCurves
        On one grid up to half the switching frequency.

    Raises
    ------
    ValueError
        Where the case has no loop.
    """
    if found.closed_loop is None:
        raise ValueError("the case has no loop")
    points: dict[tuple[object, ...], tuple[WorstReading, list[str]]] = {}
    for name, reading in found.worst.items():
        if reading is not None and name not in NO_LOOP:
            points.setdefault(_key(reading), (reading, []))[1].append(name)
    f = _grid(found)
    readings = [reading for reading, _ in points.values()]
    return WorstCurves(
        check=found,
        frequencies_hz=f,
        nominal=loop_gain(found.closed_loop, f),
        ends=loop_gain(_closed(found, readings), f) if readings else np.empty((0, len(f)), complex),
        readings=tuple(tuple(names) for _, names in points.values()),
    )


def _key(reading: WorstReading) -> tuple[object, ...]:
    """Tell points apart: corner, temperature and ends."""
    return reading.input_voltage, reading.load_current, reading.temperature, *sorted(reading.ends.items())


def _closed(found: CheckResult, readings: list[WorstReading]) -> SwitchedModel:
    """Solve and linearise the closed loop at the points of some readings."""
    names = sorted({name for r in readings for name in r.ends})
    corners = Corners(
        input_voltage=np.array([r.input_voltage for r in readings]),
        load_current=np.array([r.load_current for r in readings]),
        temperature=np.array([r.temperature for r in readings]),
        factors={name: np.array([1.0 + r.ends.get(name, 0.0) for r in readings]) for name in names},
    )

    def close(some: Corners) -> SwitchedModel:
        converter, point = solved(found.case, some)
        closed = converter.closed(compensation(found.case, found.parts, some))
        return linearise(operating_point(closed, point.sequence))

    return traced(close, found.case, corners, what="no operating point of the closed loop")


def _grid(found: CheckResult) -> NDArray[np.float64]:
    """Even steps, and some around every pole and zero of the plant."""
    roots = np.concatenate([np.abs(np.concatenate([p.poles_hz, p.zeros_hz])) for p in found.stage.plants])
    crossings = np.array([hz for m in found.margins for hz in (*m.crossovers_hz, m.modulus_margin_hz)], float)
    near = np.unique(np.round(np.log(np.maximum(roots, 1e-9)), 2))  # one of those that nearly coincide
    return grid_with(found.case.converter.switching_frequency, POINTS, np.outer(np.exp(near), AROUND), crossings)
