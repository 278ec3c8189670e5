"""The plant's responses on one short grid, for the lattice: dense where any corner's response bends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.grids import even_grid
from loopdesign.analysis.variants.solve import base_of, guess_at, variant_converter
from loopdesign.corners.converters import amplifier, compensation, divider, network_parts
from loopdesign.models.switched import control_to_output, linearise, loop_gain, output_impedance
from loopdesign.orbit.operating_point import operating_point
from loopdesign.synthesis.search.loops import PARTS, Responses

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.corners.conditions import Corners
    from loopdesign.models.switched import SwitchedModel
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.sequence import Sequence

DENSE = 420
"""Points of the grid the short one is picked from."""
WIDEST = 0.16
"""Largest step of the short grid in ln f; the compensators' own curvature needs no finer one."""
BEND = 0.004
"""Error of straight lines in ln P over ln f that calls for another point [neper and rad]: 0.035 dB and 0.23 degrees."""


def short_grid(model: SwitchedModel) -> NDArray[np.float64]:
    """Choose the grid (F,) [Hz] on which every item's control to output is piecewise straight to within `BEND`.

    Parameters
    ----------
    model
        Open-loop switched model of the corners.

    Returns
    -------
    ndarray
        Rising, from 3e-5 of the switching frequency to half of it.
    """
    dense = even_grid(1.0 / float(model.point.network.period[0]), DENSE)
    response = control_to_output(model, dense)
    logs = np.log(np.abs(response)) + 1j * np.unwrap(np.angle(response), axis=-1)
    kept = _bisected(logs, np.log(dense), 0, DENSE - 1)
    return dense[kept]


def _bisected(logs: NDArray[np.complex128], x: NDArray[np.float64], low: int, high: int) -> list[int]:
    """Choose indices of a grid whose chords stay within the bend, by bisection of intervals from low to high."""
    pending, kept = [(low, high)], {low, high}
    while pending:
        a, b = pending.pop()
        if b - a < 2:
            continue
        inside = np.arange(a + 1, b)
        part = (x[inside] - x[a]) / (x[b] - x[a])
        chord = logs[:, a, None] * (1.0 - part) + logs[:, b, None] * part
        if x[b] - x[a] <= WIDEST and float(np.abs(logs[:, inside] - chord).max()) <= BEND:
            continue
        middle = (a + b) // 2
        kept.add(middle)
        pending += [(a, middle), (middle, b)]
    return sorted(kept)


def plant_responses(
    case: cases.Case,
    corners: Corners,
    model: SwitchedModel,
    frequencies_hz: NDArray[np.float64],
    correction: NDArray[np.complex128] | None = None,
) -> Responses:
    """Evaluate what the lattice needs of the corners.

    Parameters
    ----------
    case
        Case with an error amplifier, a divider and the kind of its network.
    corners
        Conditions and factors (B,).
    model
        Open-loop switched model of the same corners.
    frequencies_hz
        (F,) grid [Hz].
    correction
        (B,F) factor on the plant, the exact loop gain of some parts over plant times compensator; one where absent.

    Returns
    -------
    Responses
        For `walk.search`.
    """
    plant = control_to_output(model, frequencies_hz)
    if correction is not None:
        plant = plant * correction
    network = case.compensation.network if case.compensation is not None else "type II"
    names = ("R1", "C1", "C2", "R2", "C3")
    factors = {n: corners.factors[f"compensation.{n}"] for n in names if f"compensation.{n}" in corners.factors}
    return Responses(
        frequencies_hz=frequencies_hz,
        plant=plant,
        impedance=output_impedance(model, frequencies_hz),
        amplifier=amplifier(case, corners),
        divider=divider(case, corners),
        network=network,
        factors=factors,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLoops:
    """Corners solved with their loop open, which no part of the network changes.

    Attributes
    ----------
    corners
        Conditions and factors (B,).
    converter, edges
        The converters, and the sequences of their operating points.
    responses
        What the lattice needs of them, the plant uncorrected.
    """

    corners: Corners
    converter: Converter
    edges: Sequence
    responses: Responses

    def correction(self, case: cases.Case, reference: Mapping[str, float]) -> NDArray[np.complex128]:
        """Exact loop gain of some parts over plant times compensator (B,F)."""
        closed = self.converter.closed(compensation(case, reference, self.corners))
        exact = loop_gain(linearise(operating_point(closed, self.edges, lean=True)), self.responses.frequencies_hz)
        parts = network_parts(case, reference)
        row = np.array([[float(getattr(parts, name)) for name in PARTS]])
        return np.asarray(exact / self.responses.loop(row)[0])


def open_loops(case: cases.Case, stage: ExaminedStage, corners: Corners, condition: NDArray[np.intp]) -> OpenLoops:
    """Solve corners with their loop open.

    Parameters
    ----------
    case, stage
        The case, and its nominal conditions.
    corners, condition
        Corners (B,) and the nominal condition of each.

    Returns
    -------
    OpenLoops
        For any number of searches.
    """
    base = base_of(case, {}, stage)
    converter = variant_converter(base, corners, condition)
    point = operating_point(converter, guess_at(base, condition), lean=True)
    model = linearise(point)
    responses = plant_responses(case, corners, model, short_grid(model))
    return OpenLoops(corners=corners, converter=converter, edges=point.sequence, responses=responses)
