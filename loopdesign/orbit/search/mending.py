"""What rectifiers do otherwise than a sequence says, and the sequence that says so.

An orbit that its rectifiers do not keep mostly lies near the right one, and shows where they part: a current that
reverses, a voltage that turns forward, an edge beyond the next one or beyond the clock. With that put right it is
another sequence, which is solved anew. Of a sequence without any orbit the shortest interval is taken to vanish; where
that has none either, the ordinary sequence shows what happens instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import CircuitError
from loopdesign.network.batch import occurring, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import OFF, ON, closed_at
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import FINE, TOLERANCE, along, forbidden
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.reach import continuous
from loopdesign.orbit.search.trial import orbits_of, tries_on
from loopdesign.orbit.sequence import Edge, Sequence, joined_sequences

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.network.places import SwitchingDevices
    from loopdesign.orbit.problem import OperatingPoint, OrbitProblem
    from loopdesign.orbit.search.trial import TriedOrbit, Tries

ROUNDS = 6
"""Times that a sequence is put right, one after the other."""


@dataclass(frozen=True, slots=True)
class _Segment:
    """Part of a period: its place among the configurations, and where it ends [periods]."""

    place: int
    end: float


class _Problems:
    """Problems of some items of a batch, whose configurations are derived for all at once."""

    def __init__(self, converter: Converter) -> None:
        self._converter, self._places = converter, {ON, OFF}
        self._posed: OrbitProblem | None = None

    def tries(self, guess: Sequence, rows: NDArray[np.intp]) -> list[tuple[NDArray[np.intp], Tries]]:
        """Try sequences (K,) on items (K,), in halves where one breaks the arithmetic down; list items and outcome."""
        used = set(occurring(guess.configuration))
        try:
            if self._posed is None or not used <= self._places:
                self._posed = pose(self._converter, configurations=tuple(self._places | used))
                self._places |= used
            return [(rows, tries_on(self._posed.take(rows), guess))]
        except BREAKDOWN:
            halves = np.array_split(np.arange(len(rows)), 2) if len(rows) > 1 else []
            return [told for half in halves for told in self.tries(guess.take(half), rows[half])]


def mended(
    converter: Converter, shown: Mapping[int, Sequence], without: Mapping[int, Sequence]
) -> dict[int, TriedOrbit]:
    """Put the sequences of items right until they are kept.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open and its load resistive.
    shown : mapping of int to Sequence
        What orbits that are not kept show instead, by item [unitless], each a batch of one [periods].
    without : mapping of int to Sequence
        Sequences that have no orbit, by other items [unitless], each a batch of one [periods].

    Returns
    -------
    dict of int to TriedOrbit
        What is kept, by item.
    """
    devices, items = converter.topology.devices, np.array([*shown, *without], np.intp)
    if not len(items):
        return {}
    problems = _Problems(take(converter, items, len(converter.input_voltage)))
    found: dict[int, TriedOrbit] = {}
    wanted = dict(enumerate(shown.values()))
    none = dict(enumerate(without.values(), len(shown)))
    held: dict[int, list[Sequence]] = {}
    seen = {row: [s] for row, s in none.items()}
    for _ in range(ROUNDS):
        for row, sequence in none.items():
            less = [s for s in _with_less(sequence, devices) if not _among(s, [*seen[row], *held.get(row, ())])]
            wanted |= {row: less[0]} if less else {}
        if not wanted:
            break
        for row, s in wanted.items():
            seen.setdefault(row, []).append(s)
        try:
            told = problems.tries(joined_sequences(list(wanted.values())), np.array(list(wanted), np.intp))
        except CircuitError:  # devices that never conduct together
            break
        solved: dict[int, TriedOrbit] = {}
        again: dict[int, Sequence] = {}
        for rows, tries in told:
            solved |= orbits_of(tries.point, tries.kept, rows[tries.items])
            again |= shown_by(tries, rows)
        found |= {int(items[row]): orbit for row, orbit in solved.items() if orbit.kept}
        none = {row: s for row, s in wanted.items() if row not in solved}
        for row in again:
            held.setdefault(row, []).append(solved[row].sequence)
        wanted = {row: s for row, s in again.items() if not _among(s, held[row])}
    return found


def _among(sequence: Sequence, seen: Iterable[Sequence]) -> bool:
    return any(bool(sequence.same_structure(s).all()) for s in seen)


def shown_by(tries: Tries, items: NDArray[np.intp]) -> dict[int, Sequence]:
    """Read from what was tried, and is not kept, what the rectifiers would do.

    Parameters
    ----------
    tries : Tries
        Solutions.
    items : ndarray (B,)
        Numbers by which the items of their batch are known [unitless].

    Returns
    -------
    dict of int to Sequence
        By these numbers, where that can be told; each a batch of one [periods].
    """
    bad = np.flatnonzero(~tries.kept)
    if not len(bad):
        return {}
    told = observed(tries.point.take(bad))
    return {int(items[tries.items[k]]): s for k, s in zip(bad, told, strict=True) if s is not None}


def observed(point: OperatingPoint) -> list[Sequence | None]:
    """Read from orbits that are not kept what the rectifiers would do.

    Parameters
    ----------
    point : OperatingPoint
        Orbits (B,), at least one.

    Returns
    -------
    list of Sequence
        For each a batch of one [periods]; none where that cannot be told.
    """
    devices = point.problem.devices
    try:
        parts = _watched(Stepper(point.problem), point.sequence, augmented(point)[:, 0])
    except BREAKDOWN:
        return [None] * len(point)
    return [_as_observed(point.sequence.take(np.array([row])), parts, row, devices) for row in range(len(point))]


def _watched(stepper: Stepper, sequence: Sequence, start: NDArray[np.float64]) -> list[NDArray[np.intp]]:
    """Bits (B,FINE+1) of the rectifiers that do otherwise than said, at even steps of every interval."""
    lengths, z, told = sequence.lengths, start, []
    for k in range(sequence.ends.shape[1]):
        configuration = sequence.configuration[:, k]
        flow = stepper.flow(configuration)
        moved = along(flow[:, 1:, 1:], z[:, 1:], np.maximum(lengths[:, k], 0.0), FINE)
        bits = np.zeros((len(sequence), FINE + 1), np.intp)
        for rectifier in range(len(stepper.problem.devices.rectifiers)):
            value = (forbidden(stepper, configuration, rectifier)[:, None, 1:] @ moved)[:, 0]
            bits |= (value > TOLERANCE * np.abs(value).max(axis=1)[:, None]).astype(np.intp) << rectifier
        told.append(bits)
        z = z.copy()
        z[:, 1:] = moved[:, :, -1]
    return told


def _as_observed(
    sequence: Sequence, watched: list[NDArray[np.intp]], row: int, devices: SwitchingDevices
) -> Sequence | None:
    """Write the sequence of one item as its rectifiers would have it; None where that cannot be told."""
    if sequence.lengths[0, 0] <= 0.0:
        return None
    if (sequence.lengths < 0.0).any():
        return _in_order(sequence, devices)
    segments, begin = [], 0.0
    for said, watch in zip(_segments(sequence), watched, strict=False):
        bits, closed = watch[row], bool(closed_at(said.place))
        for at in (*(np.flatnonzero(np.diff(bits)) + 0.5).tolist(), float(FINE)):
            place = devices.place(closed=closed, mask=devices.mask(said.place) ^ int(bits[int(at)]))
            segments.append(_Segment(place, begin + at / FINE * (said.end - begin)))
        begin = said.end
    return _sequence_of(segments, devices)


def _with_less(sequence: Sequence, devices: SwitchingDevices) -> list[Sequence]:
    """Take the shortest interval between two edges of a batch of one out; or all but the ordinary two."""
    segments, between = _segments(sequence), sequence.lengths[0, 1:-1]
    usual = continuous(np.array([max(s.end for s in segments if closed_at(s.place))]))
    if not len(between):
        return [usual]
    shortest = _sequence_of(_exchanged(segments, 1 + int(np.argmin(between)), devices), devices)
    return [usual] if shortest is None else [shortest, usual]


def _in_order(sequence: Sequence, devices: SwitchingDevices) -> Sequence | None:
    """Put the edges of a batch of one in the order of their instants; those beyond the clock do not come."""
    segments = _segments(sequence)
    while len(segments) > 1 and segments[-2].end >= 1.0:
        segments[-2:] = [_Segment(segments[-2].place, 1.0)]
    late = [k for k in range(1, len(segments)) if segments[k].end < segments[k - 1].end]
    return _sequence_of(_exchanged(segments, late[0], devices) if late else segments, devices)


def _exchanged(segments: list[_Segment], k: int, devices: SwitchingDevices) -> list[_Segment]:
    """Let the edge that ends an interval come before the one that begins it."""
    before, here, after = (s.place for s in segments[k - 1 : k + 2])
    between = after  # what follows the opening of the switch comes with it
    if after != before and not (closed_at(before) and not closed_at(here)):
        opens = closed_at(here) and not closed_at(after)
        mask = devices.mask(before) ^ devices.mask(here) ^ devices.mask(after)
        between = devices.place(closed=bool(closed_at(before) and not opens), mask=mask)
    first, second = sorted(s.end for s in segments[k - 1 : k + 1])
    return [*segments[: k - 1], _Segment(before, first), _Segment(between, second), *segments[k + 1 :]]


def _segments(sequence: Sequence) -> list[_Segment]:
    """List the intervals of a batch of one."""
    return [_Segment(p, e) for p, e in zip(sequence.configuration[0].tolist(), sequence.ends[0].tolist(), strict=True)]


def _sequence_of(segments: list[_Segment], devices: SwitchingDevices) -> Sequence | None:
    """Write a sequence, a batch of one; the comparator opens the switch. None where it does not do so once."""
    merged: list[_Segment] = []
    for s in segments:
        if merged and merged[-1].place == s.place:
            merged.pop()
        merged.append(s)
    edge = []
    for one, other in pairwise(merged):
        ends = devices.mask(one.place) & ~devices.mask(other.place)
        opens = closed_at(one.place) and not closed_at(other.place)
        edge.append(Edge.COMPARATOR if opens else Edge.RECTIFIER_ENDS if ends else Edge.RECTIFIER_STARTS)
    if edge.count(Edge.COMPARATOR) != 1:
        return None
    return Sequence(
        configuration=np.array([[s.place for s in merged]]),
        edge=np.array([[*(int(e) for e in edge), int(Edge.CLOCK)]]),
        ends=np.array([[s.end for s in merged]]),
    )
