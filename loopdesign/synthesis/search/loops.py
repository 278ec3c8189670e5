"""Loop gains and margins of many combinations at every corner, what is asked of them, and their scores.

The loop gain of a combination at a corner is ``T = P C``: the plant's response, computed once per corner on a grid of
frequencies, times the compensator's closed form. Margins are those of ``margins.headline_margins`` on that grid. A
combination is feasible where, at every corner, the crossover lies within its limits and the phase, gain and modulus
margins reach theirs. Among the feasible ones the score decides: the lowest crossover, the least ``|1 + T|``, minus the
largest ``|Z / (1 + T)|``, or the highest crossover where one is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.analysis.limits import NO_CROSSOVER
from loopdesign.compensation.compensator import (
    Divider,
    ErrorAmplifier,
    NetworkParts,
    NetworkType,
)
from loopdesign.compensation.response import compensator_response
from loopdesign.margins.margins import headline_margins
from loopdesign.network.batch import joined, take

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.analysis.limits import Limits

Prefer = Literal["bandwidth", "margin", "step", "crossover"]
PARTS = ("R1", "C1", "C2", "R2", "C3")
KEPT = "kept crossover"
"""Name of the crossover that the objective ``margin`` keeps, among the limits."""
WORKING_SET = 160_000
"""Complex numbers held at once by one step of the evaluation: what stays near the processor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Demands:
    """What a combination must reach at every corner, and what counts among those that do.

    Attributes
    ----------
    limits
        Limits of the case.
    prefer
        ``bandwidth`` (highest worst-case crossover), ``margin`` (largest worst-case modulus margin), ``step``
        (smallest peak of the closed-loop output impedance) or ``crossover`` (the highest crossover over all corners as
        near to the limit as possible: what a crossover given in the case file asks for).
    kept_crossover_hz
        Crossover that ``margin`` must not give up at any corner, 0 where it may give up all [Hz].
    advise
        Whether single changes are evaluated where nothing meets the limits.
    """

    limits: Limits
    prefer: Prefer = "bandwidth"
    kept_crossover_hz: float = 0.0
    advise: bool = True

    @property
    def crossover_min_hz(self) -> float:
        """Lowest crossover allowed at any corner [Hz]."""
        return max(self.limits.crossover_min_hz, self.kept_crossover_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Responses:
    """What stays the same over the lattice: plant, output impedance, amplifier and divider at every corner.

    Attributes
    ----------
    frequencies_hz
        (F,) rising grid [Hz].
    plant
        (B,F) control to output [V/V].
    impedance
        (B,F) open-loop output impedance [ohm].
    amplifier, divider, network
        Values scalar or (B,); kind of network.
    factors
        Per part of the network, its factor (B,) at each corner [unitless]; absent where it does not vary.
    step
        What the departure at the load step needs; None where nothing is asked of it.
    """

    frequencies_hz: NDArray[np.float64]
    plant: NDArray[np.complex128]
    impedance: NDArray[np.complex128]
    amplifier: ErrorAmplifier
    divider: Divider
    network: NetworkType
    factors: Mapping[str, NDArray[np.float64]]
    step: StepDemand | None = None

    def at(self, corners: NDArray[np.intp], *, step: bool) -> Responses:
        """Take some corners; with or without what the departure at the load step needs."""
        taken = take(replace(self, step=None), corners, len(self.plant))
        return replace(taken, frequencies_hz=self.frequencies_hz, step=self.step if step else None)

    def loop(
        self,
        values: NDArray[np.float64],
        corners: NDArray[np.intp] | None = None,
        points: NDArray[np.intp] | None = None,
    ) -> NDArray[np.complex128]:
        """Loop gain (N,B,F) of combinations (N,5), in the order of `PARTS`, at some corners and grid points."""
        b = np.arange(len(self.plant)) if corners is None else corners
        f = np.arange(len(self.frequencies_hz)) if points is None else points
        columns = {
            name: values[:, i, None] * self.factors[name][b] if name in self.factors else values[:, i, None]
            for i, name in enumerate(PARTS)
        }
        response = compensator_response(
            take(self.amplifier, b, len(self.plant)),
            take(self.divider, b, len(self.plant)),
            NetworkParts(network=self.network, **columns),
            self.frequencies_hz[f],
        )
        return self.plant[np.ix_(b, f)] * response


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDemand:
    """What the departure at the load step needs: the responses at the places it is examined at.

    The closed-loop output impedance ``Z / (1 + T)`` makes the departure at each instant by a sum over the grid, with
    weights that do not depend on the combination (`analysis.transient.estimate`).

    Attributes
    ----------
    responses
        Plant, impedance, amplifier and divider at every place (S).
    weights
        (F,N) departure at instant n per ohm of the real part of the impedance at grid point f, times the step [A].
    factor
        (S,) departure stepped in time over that of this estimate, with the parts the plant is corrected at [unitless].
    """

    responses: Responses
    weights: NDArray[np.float64]
    factor: NDArray[np.float64]

    def departures(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Largest departure (N,S) [V] with combinations (N,5), in the order of `PARTS`, at every place."""
        closed = self.responses.impedance / (1.0 + self.responses.loop(values))
        return np.asarray(np.abs(closed.real @ self.weights).max(axis=-1) * self.factor)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopReadings:
    """Readings of combinations at every corner, each (N,B): crossover [Hz], margins, peak of the output impedance.

    The departure at the load step is (N,S) at the places it is examined at, none where nothing is asked of it [V].
    """

    crossover_hz: NDArray[np.float64]
    phase_margin_deg: NDArray[np.float64]
    gain_margin_db: NDArray[np.float64]
    modulus_margin: NDArray[np.float64]
    peak_impedance: NDArray[np.float64]
    falls: NDArray[np.bool_]
    step_deviation_v: NDArray[np.float64]

    def score(self, prefer: Prefer) -> NDArray[np.float64]:
        """Score (N,) by the objective, larger is better: that of the corner which decides."""
        by_corner = self.by_corner(prefer)
        return np.take_along_axis(by_corner, self.deciding(prefer)[:, None], axis=1)[:, 0]

    def deciding(self, prefer: Prefer) -> NDArray[np.intp]:
        """Corner (N,) that decides: the worst one; that of the highest crossover for the objective ``crossover``."""
        by_corner = self.by_corner(prefer)
        return by_corner.argmax(axis=1) if prefer == "crossover" else by_corner.argmin(axis=1)

    def by_corner(self, prefer: Prefer) -> NDArray[np.float64]:
        """Score (N,B) of every corner."""
        if prefer in {"bandwidth", "crossover"}:
            return np.nan_to_num(self.crossover_hz, nan=0.0)
        return self.modulus_margin if prefer == "margin" else -self.peak_impedance

    def misses(self, demands: Demands) -> dict[str, NDArray[np.float64]]:
        """Return by how much each limit is missed (N,B), relative to it and above zero where it fails, by its name.

        A gain that never falls below one on the grid has no crossover. The crossover kept for the objective ``margin``
        counts as one more limit, `KEPT`.
        """
        crossing = replace(self, crossover_hz=np.where(self.falls, self.crossover_hz, np.nan))
        misses = demands.limits.misses(crossing)
        if demands.limits.step_deviation is not None and self.step_deviation_v.shape[1]:
            misses["step_deviation"] = demands.limits.step_deviation.miss(self)
        if demands.kept_crossover_hz > 0.0:
            kept = demands.kept_crossover_hz
            misses[KEPT] = np.nan_to_num(1.0 - self.crossover_hz / kept, nan=NO_CROSSOVER)
        return misses

    def worst_miss(self, demands: Demands) -> NDArray[np.float64]:
        """Return the largest miss (N,) of any limit at any corner."""
        return np.max([m.max(axis=1) for m in self.misses(demands).values()], axis=0)

    def feasible(self, demands: Demands) -> NDArray[np.bool_]:
        """Whether every limit holds at every corner (N,)."""
        return self.worst_miss(demands) <= 0.0


def figures(responses: Responses, values: NDArray[np.float64], *, peak: bool = True) -> LoopReadings:
    """Evaluate combinations (N,5) whole: every corner, every grid point.

    Parameters
    ----------
    responses
        Plant, amplifier and divider at every corner.
    values
        Part values in the order of `PARTS`, 0 where not fitted [ohm], [F].
    peak
        Whether to read the peak of the output impedance; NaN where not.

    Returns
    -------
    LoopReadings
        One row per combination.
    """
    corners, points = responses.plant.shape
    step = max(1, WORKING_SET // (corners * points))
    return joined([_figures(responses, values[k : k + step], peak) for k in range(0, max(len(values), 1), step)])


def _figures(responses: Responses, values: NDArray[np.float64], peak: bool) -> LoopReadings:
    loop = responses.loop(values)
    n, b, f = loop.shape
    margins = headline_margins(responses.frequencies_hz, loop.reshape(n * b, f))
    highest = np.full((n, b), np.nan)
    if peak:
        highest = np.sqrt(np.max(np.abs(responses.impedance) ** 2 / _distance(loop), axis=-1))
    return LoopReadings(
        crossover_hz=margins.crossover_hz.reshape(n, b),
        phase_margin_deg=margins.phase_margin_deg.reshape(n, b),
        gain_margin_db=margins.gain_margin_db.reshape(n, b),
        modulus_margin=margins.modulus_margin.reshape(n, b),
        peak_impedance=highest,
        falls=np.abs(loop[..., -1]) < 1.0,
        step_deviation_v=np.empty((n, 0)) if responses.step is None else responses.step.departures(values),
    )


def _distance(loop: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Return ``|1 + T|^2``, never zero."""
    return np.maximum((1.0 + loop.real) ** 2 + loop.imag**2, 1e-300)
