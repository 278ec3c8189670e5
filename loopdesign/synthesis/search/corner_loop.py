"""The loop gain of many combinations at a corner or some, one by one or along lines of the lattice."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np

from loopdesign.compensation.compensator import Divider, ErrorAmplifier, NetworkParts, NetworkType
from loopdesign.compensation.response import bilinear_response, network_admittance, parted_response
from loopdesign.margins.crossings import phase_crossings, wrapped_deg
from loopdesign.network.batch import take
from loopdesign.synthesis.search.lines import ROUNDING, UNDER, Line, square
from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.loops import Responses

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

Values = TypeVar("Values", ErrorAmplifier, Divider)


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerLoop:
    """Plant, output impedance, amplifier and divider at one corner, or at several (C) together.

    Attributes
    ----------
    frequencies_hz
        (F,) rising grid [Hz].
    plant, impedance
        (F,) or (C,1,F) control to output [V/V], open-loop output impedance [ohm].
    amplifier, divider, network
        Values scalar, (1,) or (C,1); kind of network.
    factors
        (5,) or (C,1,5) factor on each of `PARTS` [unitless].
    """

    frequencies_hz: Array
    plant: Complex
    impedance: Complex
    amplifier: ErrorAmplifier
    divider: Divider
    network: NetworkType
    factors: Array

    def shared(self, members: Members, points: NDArray[np.intp]) -> Shared:
        """Evaluate once what combinations (N) have in common at some grid points, of corners (C,1) together."""
        f, factor = self.frequencies_hz[points], dict(zip(PARTS, np.moveaxis(self.factors, -1, 0), strict=True))
        pairs, branches = members.leads, members.branches
        lead = pairs[:, 0] * factor["R2"], pairs[:, 1] * factor["C3"]
        plant = self.plant[..., points]
        direct, above, held, per = parted_response(self.amplifier, self.divider, lead, f)
        own = network_admittance(branches[:, 0] * factor["R1"], branches[:, 1] * factor["C1"], 0.0, f)
        return Shared(
            direct=direct * plant if direct.any() else None, above=above * plant, held=_filled(held, plant),
            network=_filled(per * own, plant), per_farad=_filled(per * (2j * np.pi * f), plant),
            lead=members.lead, branch=members.branch, shunt=members.shunt * factor["C2"],
        )  # fmt: skip

    def loop(self, values: Array, points: NDArray[np.intp]) -> Complex:
        """Loop gain (C,N,K) of combinations (N,5) at some grid points."""
        shared = self.shared(members_of(values), points)
        loop = shared.above[:, shared.lead] / shared.below(np.arange(len(points)))
        return np.asarray(loop if shared.direct is None else shared.direct + loop)

    def highest_crossover(self, members: Members, points: NDArray[np.intp]) -> tuple[Array, Array]:
        """Read the highest crossover of combinations (N) between some neighbouring grid points.

        Returns
        -------
        crossover_hz, phase_margin_deg
            (C,N) crossover [Hz], 0 where the loop gain is below one at all of them, infinite where it is above one at
            the last; phase margin [deg]; NaN where nothing is known of either.
        """
        shared = self.shared(members, points)
        over = np.zeros((len(self.plant), len(members.lead), len(points)), bool)
        some = shared.reaching()
        over[..., some] = shared.over(some)
        last = len(points) - 1 - np.argmax(over[..., ::-1], axis=-1)
        none = ~np.take_along_axis(over, last[..., None], axis=-1)[..., 0]
        beyond = ~none & (last == len(points) - 1)
        at = np.minimum(last, len(points) - 2)
        first, second = shared.loop(at), shared.loop(at + 1)
        with np.errstate(divide="ignore"):
            start, end = np.log(np.abs(first)), np.log(np.maximum(np.abs(second), np.finfo(float).tiny))
            part = np.clip(start / np.where(start == end, 1.0, start - end), 0.0, 1.0)
        margin = wrapped_deg(180.0 + np.degrees(np.angle(first) + part * np.angle(second * np.conj(first))))
        low, high = self.frequencies_hz[points[at]], self.frequencies_hz[points[at + 1]]
        crossover = np.where(none, 0.0, low * (high / low) ** part)
        crossover = np.where(beyond, np.where(np.abs(second) > 1.0 + ROUNDING, np.inf, np.nan), crossover)
        return crossover, np.where(beyond | none, np.nan, margin)

    def gain_margin(self, members: Members, points: NDArray[np.intp], above_hz: Array) -> Array:
        """Read the least gain margin of combinations (N) between some neighbouring grid points.

        Parameters
        ----------
        members
            Combinations (N).
        points
            Neighbouring grid points.
        above_hz
            (C,N) frequency from which it counts; nowhere where that is not a number [Hz].

        Returns
        -------
        ndarray
            (C,N) gain margin [dB], infinite where the phase does not cross half a turn there.
        """
        shared = self.shared(members, points)
        upper = shared.upper_half()
        least = np.full(above_hz.shape, np.inf)
        corner, item, left = np.nonzero(upper[..., 1:] != upper[..., :-1])
        counts = self.frequencies_hz[points[left]] >= above_hz[corner, item]
        corner, item, left = corner[counts], item[counts], left[counts]
        loop = np.stack([shared.loop_of(corner, item, left), shared.loop_of(corner, item, left + 1)], axis=1)
        found = phase_crossings(np.broadcast_to([1.0, 2.0], loop.shape), loop)
        np.minimum.at(least, (corner[found.item], item[found.item]), found.value)
        return least

    def line(self, name: str, values: Array, points: NDArray[np.intp]) -> Line:
        """Loop gain along lines of the lattice at some grid points.

        Parameters
        ----------
        name
            R1, C2, R2 or C3, which alone differs along a line.
        values
            (N,5) part values, of which that part's is not looked at.
        points
            (K,) grid points.

        Returns
        -------
        Line
            (N,K) or (C,N,K) over the part as it is at each corner: its nominal value times its factor.
        """
        return Line(*self._bilinear(values, points, name))

    def _bilinear(
        self, values: Array, points: NDArray[np.intp], of: str = "C2"
    ) -> tuple[Complex, Complex, Complex, Complex]:
        scaled, alike = values * self.factors, (values == values[:1]).all(axis=0)
        fitted = [i for i, name in enumerate(PARTS) if name == "C1" or (name != of and values[:, i].any())]
        parts = NetworkParts(
            network=self.network, **{PARTS[i]: scaled[..., :1, i] if alike[i] else scaled[..., i] for i in fitted}
        )
        n0, n1, d0, d1 = bilinear_response(self.amplifier, self.divider, parts, self.frequencies_hz[points], of=of)
        plant = self.plant[..., points]
        return n0 * plant, n1 * plant, d0, d1


@dataclass(frozen=True, slots=True, kw_only=True)
class Members:
    """What combinations (N) are made of, by what many of them share.

    Attributes
    ----------
    leads, branches
        (J,2) values of R2 and C3, (I,2) of R1 and C1, no two rows equal [ohm], [F].
    lead, branch
        (N,) which of them each combination has.
    shunt
        (N,) C2 [F].
    """

    leads: Array
    branches: Array
    lead: NDArray[np.intp]
    branch: NDArray[np.intp]
    shunt: Array

    def some(self, kept: NDArray[np.bool_]) -> Members:
        """Keep some combinations (N,)."""
        lead, branch = self.lead[kept], self.branch[kept]
        with_lead, with_branch = (
            np.bincount(lead, minlength=len(self.leads)),
            np.bincount(branch, minlength=len(self.branches)),
        )
        return Members(
            leads=self.leads[with_lead > 0], branches=self.branches[with_branch > 0], shunt=self.shunt[kept],
            lead=(np.cumsum(with_lead > 0) - 1)[lead], branch=(np.cumsum(with_branch > 0) - 1)[branch],
        )  # fmt: skip


def members_of(values: Array) -> Members:
    """Find what combinations (N,5), in the order of `PARTS`, have in common."""
    r1, c1, c2, r2, c3 = range(len(PARTS))
    leads, lead = _distinct(values[:, [r2, c3]])
    branches, branch = _distinct(values[:, [r1, c1]])
    return Members(leads=leads, branches=branches, lead=lead, branch=branch, shunt=values[:, c2])


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """What combinations (N) have in common at corners (C) and grid points (K): ``T = direct + above / below``.

    Attributes
    ----------
    direct
        (C,1,K) or None where it is zero.
    above, held
        (C,J,K) of the pairs of R2 and C3.
    network, per_farad
        (C,I,K) of the branches of R1 and C1; (C,1,K) of C2.
    lead, branch, shunt
        (N,) pair and branch of every combination, (C,N) its C2 [F].
    """

    direct: Complex | None
    above: Complex
    held: Complex
    network: Complex
    per_farad: Complex
    lead: NDArray[np.intp]
    branch: NDArray[np.intp]
    shunt: Array

    def below(self, some: NDArray[np.intp]) -> Complex:
        """Denominator (C,N,K) at some of the grid points."""
        below = self.shunt[..., None] * self.per_farad[..., some]
        below += self.network[..., some][:, self.branch]
        below += _rows(self.held[..., some], self.lead)
        return below

    def over(self, some: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Whether the loop gain is one or more, but for rounding, at some of the grid points (C,N,K)."""
        below, above = self.below(some), self.above[..., some]
        size = square(below) * UNDER
        if self.direct is None:
            return np.asarray(_rows(square(above), self.lead) >= size)
        return np.asarray(square(self.direct[..., some] * below + _rows(above, self.lead)) >= size)

    def upper_half(self) -> NDArray[np.bool_]:
        """Whether the imaginary part of the loop gain is zero or more, but for rounding (C,N,K)."""
        below = self.below(np.arange(self.above.shape[-1]))
        above = _rows(self.above, self.lead)
        if self.direct is not None:
            above = above + self.direct * below
        return np.asarray(above.imag * below.real >= above.real * below.imag)

    def loop_of(self, corner: NDArray[np.intp], item: NDArray[np.intp], at: NDArray[np.intp]) -> Complex:
        """Loop gain (M,) of some combinations, each at a corner and a grid point of its own."""
        lead = self.lead[item] if self.held.shape[1] > 1 else 0
        below = self.shunt[corner, item] * self.per_farad[corner, 0, at] + self.network[corner, self.branch[item], at]
        below += self.held[corner, lead, at]
        loop = self.above[corner, self.lead[item], at] / below
        return np.asarray(loop if self.direct is None else self.direct[corner, 0, at] + loop)

    def distance(self) -> Array:
        """Square of ``|1 + T|`` (C,N,K)."""
        below = self.below(np.arange(self.above.shape[-1]))
        size = square(below)
        if self.direct is not None:
            below *= 1.0 + self.direct
        below += _rows(self.above, self.lead)
        return np.asarray(square(below) / size)

    def reaching(self) -> NDArray[np.intp]:
        """Grid points at which the loop gain of any combination may be one or more.

        The admittance of C2 adds to the size of that of R1 and C1, which is at most a quarter turn from it.
        """
        if self.direct is not None:
            return np.arange(self.above.shape[-1])
        least = self.network + self.shunt.min(axis=-1)[:, None, None] * self.per_farad
        room = np.abs(least).min(axis=1) - np.abs(self.held).max(axis=1)
        return np.flatnonzero((np.abs(self.above).max(axis=1) >= room * (1.0 - ROUNDING)).any(axis=0))

    def loop(self, at: NDArray[np.intp]) -> Complex:
        """Loop gain (C,N) of every combination at a grid point of its own (C,N)."""
        corner = np.arange(len(self.above))[:, None]
        lead = self.lead if self.held.shape[1] > 1 else 0
        below = self.shunt * self.per_farad[corner, 0, at] + self.network[corner, self.branch, at]
        below += self.held[corner, lead, at]
        loop = self.above[corner, self.lead, at] / below
        return np.asarray(loop if self.direct is None else self.direct[corner, 0, at] + loop)


def corner_loop(responses: Responses, corner: int) -> CornerLoop:
    """Take one corner out of the responses of all."""
    at, count = np.array([corner]), len(responses.plant)
    return CornerLoop(
        frequencies_hz=responses.frequencies_hz,
        plant=responses.plant[corner],
        impedance=responses.impedance[corner],
        amplifier=take(responses.amplifier, at, count),
        divider=take(responses.divider, at, count),
        network=responses.network,
        factors=_factors(responses, at)[0],
    )


def corner_loops(responses: Responses, corners: NDArray[np.intp]) -> CornerLoop:
    """Take some corners (C,) out of the responses of all, with an axis for combinations behind theirs."""
    count = len(responses.plant)
    return CornerLoop(
        frequencies_hz=responses.frequencies_hz,
        plant=responses.plant[corners, None],
        impedance=responses.impedance[corners, None],
        amplifier=_columns(responses.amplifier, corners, count),
        divider=_columns(responses.divider, corners, count),
        network=responses.network,
        factors=_factors(responses, corners)[:, None],
    )


def _factors(responses: Responses, corners: NDArray[np.intp]) -> Array:
    """Factors (C,5) on the parts at some corners."""
    found = np.ones((len(corners), len(PARTS)))
    for name, factor in responses.factors.items():
        found[:, PARTS.index(name)] = factor[corners]
    return found


def _columns(values: Values, corners: NDArray[np.intp], count: int) -> Values:
    """Take some corners (C,) of what has one value for each; (C,1)."""
    varied = {
        f.name: np.asarray(getattr(values, f.name))[corners, None]
        for f in fields(values)
        if f.init and np.shape(getattr(values, f.name)) == (count,)
    }
    return cast("Values", replace(cast("Any", values), **varied)) if varied else values


def _distinct(rows: Array) -> tuple[Array, NDArray[np.intp]]:
    """Keep of rows (N,k) those of which no two are equal, and say which of them each one is (N,)."""
    code = np.zeros(len(rows), np.intp)
    for column in rows.T:
        kinds, place = np.unique(column, return_inverse=True)
        code = code * len(kinds) + place
    _, first, which = np.unique(code, return_index=True, return_inverse=True)
    return rows[first], which


def _filled(form: Complex, plant: Complex) -> Complex:
    """Give a form (K,), (J,K), (C,1,K) or (C,J,K) an axis for the corners of a plant (C,1,K)."""
    rows = form.shape[-2] if form.ndim > 1 else 1
    return form if form.ndim > 2 else np.broadcast_to(form, (len(plant), rows, plant.shape[-1]))


def _rows(forms: NDArray[Any], which: NDArray[np.intp]) -> NDArray[Any]:
    """Take a row of forms (C,J,K) for each combination; the only one serves all."""
    return forms[:, which] if forms.shape[1] > 1 else forms
