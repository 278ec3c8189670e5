"""Orbits at a given duty of stages with several rectifiers, whose sequences are many and are not guessed.

Each begins from the orbit that is known nearest to it: its sequence, with the edges moved along with the duty. Where
the rectifiers do not keep that, the converter is stepped in time from there for a few cycles and the sequence read from
the last; where that is not kept either, it is followed until it repeats itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.batch import occurring, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.periodic import newton
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.follow import fixed_duty_stepper, follow
from loopdesign.orbit.search.stepped import stepped_at
from loopdesign.orbit.sequence import Edge, Sequence, joined_sequences

if TYPE_CHECKING:
    from collections.abc import Mapping
    from collections.abc import Sequence as Ordered

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownOrbit:
    """An orbit to begin from: its sequence without a turn-off delay, and its normalised state at the clock by name."""

    sequence: Sequence
    start: Mapping[str, float]


def known_orbits(point: OperatingPoint) -> list[KnownOrbit]:
    """Keep the orbits of an operating point to begin others from.

    Parameters
    ----------
    point : OperatingPoint
        Orbits (B,), with a turn-off delay or without.

    Returns
    -------
    list of KnownOrbit
        One for each.
    """
    return [
        KnownOrbit(
            sequence=without_delay(point.sequence.take(np.array([k]))),
            start=dict(zip(point.network.states, point.start[k].tolist(), strict=True)),
        )
        for k in range(len(point))
    ]


def without_delay(sequence: Sequence) -> Sequence:
    """Leave the trip ahead of a turn-off delay out; the comparator opens the switch.

    Parameters
    ----------
    sequence : Sequence
        A batch of one [periods].

    Returns
    -------
    Sequence
        The same intervals.
    """
    edge = sequence.edge[0].copy()
    opening = np.flatnonzero(edge == Edge.DELAYED)
    if not len(opening):
        return sequence
    trip = int(np.argmax(edge == Edge.COMPARATOR))
    edge[opening[0]] = Edge.COMPARATOR
    return Sequence(
        configuration=np.delete(sequence.configuration[0], trip)[None], edge=np.delete(edge, trip)[None],
        ends=np.delete(sequence.ends[0], trip)[None],
    )  # fmt: skip


def orbits_at(converter: Converter, duty: NDArray[np.float64], near: Ordered[KnownOrbit]) -> list[KnownOrbit]:
    """Solve the periodic orbit of every item at a given duty.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open.
    duty : ndarray (B,)
        On-time over period [unitless].
    near : sequence of KnownOrbit (B,)
        Where each begins.

    Returns
    -------
    list of KnownOrbit
        One for each; the comparator opens the switch.

    Raises
    ------
    ConvergenceError
        Where a converter does not come to repeat itself from period to period.
    """
    guess = joined_sequences([_moved(orbit.sequence, float(d)) for orbit, d in zip(near, duty, strict=True)])
    found = _kept(converter, guess)
    for k in range(len(duty)):
        if k not in found:
            found[k] = _alone(take(converter, np.array([k]), len(duty)), float(duty[k]), near[k])
    return [found[k] for k in range(len(duty))]


def _moved(sequence: Sequence, duty: float) -> Sequence:
    """Open the switch at another instant, which holds, and move the other edges in proportion."""
    opening = int(np.argmax(sequence.edge[0] == Edge.COMPARATOR))
    edge, ends, before = sequence.edge.copy(), sequence.ends.copy(), float(sequence.ends[0, opening])
    ends[0, : opening + 1] *= duty / before
    ends[0, opening + 1 :] = 1.0 - (1.0 - ends[0, opening + 1 :]) * (1.0 - duty) / (1.0 - before)
    edge[0, opening] = Edge.CLOCK
    return Sequence(configuration=sequence.configuration, edge=edge, ends=ends)


def _kept(converter: Converter, guess: Sequence) -> dict[int, KnownOrbit]:
    """Solve from a guess, together; return by item the orbits that their rectifiers keep."""
    items = np.arange(len(guess))
    while len(items):
        part = guess.take(items)
        used = tuple(occurring(part.configuration))
        problem = pose(take(converter, items, len(guess)), configurations=tuple({ON, OFF, *used}))
        stepper = Stepper(problem)
        try:
            point = newton(problem, stepper, part, held=True)
        except ConvergenceError as error:
            items = np.delete(items, list(error.items)) if len(error.items) < len(items) else items[:0]
            continue
        except BREAKDOWN:
            return _each(converter, guess, items)
        good = np.flatnonzero(~rectifier_breaks(stepper, point.sequence, augmented(point)))
        orbits = known_orbits(point)
        return {int(items[k]): _tripped(orbits[k], guess, int(items[k])) for k in good}
    return {}


def _each(converter: Converter, guess: Sequence, items: NDArray[np.intp]) -> dict[int, KnownOrbit]:
    """Solve items one by one, where a single one breaks the arithmetic of all."""
    if len(items) == 1:
        return {}
    found: dict[int, KnownOrbit] = {}
    for k in items:
        one = np.array([k])
        found |= {int(k): orbit for orbit in _kept(take(converter, one, len(guess)), guess.take(one)).values()}
    return found


def _tripped(orbit: KnownOrbit, guess: Sequence, item: int) -> KnownOrbit:
    """Let the comparator open the switch where a given duty did."""
    opening = int(np.argmax(guess.edge[item] == Edge.CLOCK))
    edge = orbit.sequence.edge.copy()
    edge[0, opening] = Edge.COMPARATOR
    return replace(orbit, sequence=replace(orbit.sequence, edge=edge))


def _alone(converter: Converter, duty: float, near: KnownOrbit) -> KnownOrbit:
    """Step one item from the known orbit and solve with the sequence that shows; else follow it."""
    try:
        stepped = stepped_at(converter, duty, near.start)
        found = _kept(converter, _moved(stepped, duty))
    except (ConvergenceError, *BREAKDOWN):
        found = {}
    if found:
        return found[0]
    problem = pose(converter, configurations=(ON, OFF))
    stepper = fixed_duty_stepper(converter, problem)
    start = np.array([near.start.get(name, 0.0) for name in stepper.states])
    followed = follow(problem, stepper, duty, start)
    orbit = known_orbits(followed.point)[0]
    return _tripped(orbit, orbit.sequence, 0)
