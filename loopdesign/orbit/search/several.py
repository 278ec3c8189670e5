"""Duty and sequence of stages with several rectifiers, whose sequences are many and are not guessed.

The sequence of one operating point begins the solution of all others, and wherever it is kept there it holds. Where it
is not, the orbit shows what the rectifiers do otherwise, and the sequence is put right. What is left over begins from
the nearest ones found; where that fails, one item is stepped from an orbit near its own, and only where that leads to
none it is followed edge by edge from one cycle to the next until it repeats itself.

Where the topology says what stage it is without some of its devices, that one is solved first, all points at once: its
duties and states are near enough that a few cycles stepped from there show the sequence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.batch import occurring, take
from loopdesign.network.converter import network
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.periodic import NEWTON_STEPS, newton
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.mending import mended, shown_by
from loopdesign.orbit.search.reach import SHORTEST_ON, continuous
from loopdesign.orbit.search.stepped import stepped_at
from loopdesign.orbit.search.trial import TriedOrbit, nearest_kept, orbits_of, tried, tried_on_others, tries_on, walked
from loopdesign.orbit.sequence import joined_sequences

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.network.topologies.base import Topology
    from loopdesign.orbit.problem import OrbitProblem
    from loopdesign.orbit.sequence import Sequence

DUTIES = 80
"""Duties at which the averaged output is looked at."""
LOW = 0.15
"""Share of the largest duty to follow from where the averaged output tells nothing: an output falls slowly."""
WALKED = 2
"""Items that are stepped from beside their orbits before one is followed."""
FOLLOWED = 4
"""Items that are followed one after the other where they do not come to repeat themselves."""
SETTLING = 30
"""Cycles stepped from the orbit of a simpler stage, in which the states that it lacks come near their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How an operating point is placed and followed.

    Attributes
    ----------
    averaged
        From a problem (B,) and duties (G,) [unitless] to averaged outputs (B,G) [V].
    followed
        From a batch of one, a duty [unitless] and a normalised state (n,) or none to its sequence.
    searched
        From a batch (B,) whose sequences are ordinary to those sequences.
    """

    averaged: Callable[[OrbitProblem, NDArray[np.float64]], NDArray[np.float64]]
    followed: Callable[[Converter, float, NDArray[np.float64] | None], Sequence]
    searched: Callable[[Converter], Sequence]


def found_among_several(converter: Converter, ways: Ways) -> Sequence:
    """Find duty and sequence of every item of a converter with several rectifiers, its loop open.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open and its load resistive.
    ways : Ways
        How an item is placed and followed.

    Returns
    -------
    Sequence
        Intervals and edges (B, K) [periods].

    Raises
    ------
    UnreachableOutputError
        Where no duty up to the largest reaches the output.
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    placed, starts = _placed(converter, ways)
    orbits, shown = _tried_and_shown(converter, placed)
    return found_beside(converter, orbits, ways, shown=shown, placed=(placed, starts))


def put_right(converter: Converter, ways: Ways) -> Sequence | None:
    """Put the sequence of one item right that is placed as if every rectifier conducted all its time.

    Parameters
    ----------
    converter : Converter
        A batch of one, its loop open and its load resistive.
    ways : Ways
        How it is placed.

    Returns
    -------
    Sequence or None
        A batch of one [periods]; None where that leads to no orbit that is kept.
    """
    orbits, shown = _tried_and_shown(converter, _placed(converter, ways)[0])
    orbit = (orbits | mended(converter, shown, {})).get(0)
    return orbit.sequence if orbit is not None and orbit.kept else None


def _tried_and_shown(converter: Converter, guess: Sequence) -> tuple[dict[int, TriedOrbit], dict[int, Sequence]]:
    """Try a sequence on every item: orbits by item, and what those show that are not kept."""
    try:
        tries = tries_on(pose(converter, configurations=tuple({ON, OFF, *occurring(guess.configuration)})), guess)
    except BREAKDOWN:
        return tried(converter, guess), {}
    return orbits_of(tries.point, tries.kept, tries.items), shown_by(tries, np.arange(len(guess)))


def found_beside(
    converter: Converter,
    orbits: dict[int, TriedOrbit],
    ways: Ways,
    *,
    shown: Mapping[int, Sequence] | None = None,
    without: Mapping[int, Sequence] | None = None,
    placed: tuple[Sequence, list[NDArray[np.float64] | None]] | None = None,
) -> Sequence:
    """Find the sequences of items without a kept orbit from the orbits that there are.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open and its load resistive.
    orbits : dict of int to TriedOrbit
        Orbits by item [unitless], kept or not.
    ways : Ways
        How an item is placed and followed.
    shown : mapping of int to Sequence
        What orbits that are not kept show instead, by item [unitless], each a batch of one [periods].
    without : mapping of int to Sequence
        Sequences that have no orbit, by item [unitless], each a batch of one [periods].
    placed : tuple of Sequence and list
        Where to follow from, of every item (B,) [periods]; worked out where it is needed, unless given.

    Returns
    -------
    Sequence
        Intervals and edges (B, K) [periods].

    Raises
    ------
    UnreachableOutputError
        Where no duty up to the largest reaches the output.
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    size = len(converter.input_voltage)
    orbits = dict(orbits)
    load = np.broadcast_to(np.asarray(converter.load_current, float), converter.input_voltage.shape)
    pending = [int(k) for k in np.argsort(-load, kind="stable") if int(k) not in orbits or not orbits[int(k)].kept]
    orbits |= mended(converter, shown or {}, without or {})
    pending = [k for k in pending if k not in orbits or not orbits[k].kept]
    fresh = [k for k, orbit in orbits.items() if orbit.kept]
    while pending:
        if fresh:
            fresh = tried_on_others(converter, orbits, fresh, pending)
            pending = [k for k in pending if k not in fresh]
            continue
        item, orbit = _walked_one(converter, orbits, pending) or _followed_one(converter, orbits, pending, ways, placed)
        orbits[item], fresh = orbit, [item]
        pending.remove(item)
    return joined_sequences([orbits[k].sequence for k in range(size)])


def _walked_one(
    converter: Converter, orbits: dict[int, TriedOrbit], pending: list[int]
) -> tuple[int, TriedOrbit] | None:
    """Step to the orbit of the first item that is reached from beside it; None where none of the first few is."""
    for item in pending[:WALKED]:
        one = take(converter, np.array([item]), len(converter.input_voltage))
        for begin in (orbits.get(item), nearest_kept(converter, orbits, item)):
            orbit = None if begin is None else walked(one, begin)
            if orbit is not None:
                return item, orbit
    return None


def _followed_one(
    converter: Converter,
    orbits: dict[int, TriedOrbit],
    pending: list[int],
    ways: Ways,
    placed: tuple[Sequence, list[NDArray[np.float64] | None]] | None,
) -> tuple[int, TriedOrbit]:
    """Follow the first item that comes to repeat itself; what stops the first of all is told where none does."""
    told = ConvergenceError("no operating point is left to follow")
    for place, item in enumerate(pending[:FOLLOWED]):
        one = take(converter, np.array([item]), len(converter.input_voltage))
        near = orbits.get(item) or nearest_kept(converter, orbits, item)
        if near is not None and converter.topology.simpler is None:
            states = network(one, configurations=(ON, OFF)).states
            duty = near.duty
            start: NDArray[np.float64] | None = np.array([near.start.get(s, 0.0) for s in states])
        elif placed is not None:
            duty, start = float(placed[0].ends[item, 0]), placed[1][item]
        else:
            duty, start = placed_start(one, ways)
        try:
            return item, _single(one, ways, min(duty, one.max_duty), start)
        except ConvergenceError as error:
            told = told if place else error
    raise ConvergenceError(str(told), items=told.items)


def placed_start(converter: Converter, ways: Ways) -> tuple[float, NDArray[np.float64] | None]:
    """Place one item as if every rectifier conducted all the time that it ordinarily does.

    Parameters
    ----------
    converter : Converter
        A batch of one, its loop open and its load resistive.
    ways : Ways
        How it is placed.

    Returns
    -------
    tuple of float and ndarray (n,)
        Duty [unitless], and the normalised state at the clock; None where there is none.
    """
    sequence, starts = _placed(converter, ways)
    return float(sequence.ends[0, 0]), starts[0]


def _placed(converter: Converter, ways: Ways) -> tuple[Sequence, list[NDArray[np.float64] | None]]:
    """Guess the lowest duty whose averaged output reaches the target, and the state at the clock there."""
    if converter.topology.simpler is not None:
        return _placed_beside(converter, converter.topology.simpler, ways)
    problem = pose(converter, configurations=(ON, OFF))
    grid = np.linspace(SHORTEST_ON, problem.max_duty, DUTIES)
    try:
        output = ways.averaged(problem, grid)
    except BREAKDOWN:  # inductors that are in series at one place or the other
        return continuous(np.full(len(problem), 0.5 * problem.max_duty)), [None] * len(problem)
    reached = output >= problem.target[:, None]
    k = np.where(reached.any(axis=1), np.argmax(reached, axis=1), 0)
    sequence = continuous(np.where(reached.any(axis=1), grid[np.clip(k, 1, DUTIES - 1)], LOW * problem.max_duty))
    try:
        states, _ = Stepper(problem).fixed_point(sequence)
    except BREAKDOWN:
        return sequence, [None] * len(problem)
    known = np.asarray(reached.any(axis=1)).tolist()
    return sequence, [x if near else None for x, near in zip(states[:, 0, 1:-2], known, strict=True)]


def _placed_beside(
    converter: Converter, simpler: Topology, ways: Ways
) -> tuple[Sequence, list[NDArray[np.float64] | None]]:
    """Take duty and state of every item from its orbit in a stage with fewer devices; states that it lacks are zero."""
    reduced = replace(converter, topology=simpler)
    problem = pose(reduced)
    point = newton(problem, Stepper(problem), ways.searched(reduced))
    states = network(converter, configurations=(ON, OFF)).states
    starts = np.zeros((len(point), len(states)))
    for k, name in enumerate(point.network.states):
        starts[:, states.index(name)] = point.start[:, k]
    return continuous(point.duty), list(starts)


def _single(converter: Converter, ways: Ways, duty: float, start: NDArray[np.float64] | None) -> TriedOrbit:
    """Find the orbit of one item: stepped from beside a simpler stage's where that is kept, else followed."""
    states = network(converter, configurations=(ON, OFF)).states
    if converter.topology.simpler is not None and start is not None:
        try:
            near = stepped_at(converter, duty, dict(zip(states, start, strict=True)), SETTLING, held=_shared(converter))
        except ConvergenceError:
            kept = {}
        else:
            kept = tried(converter, near)
        if kept and kept[0].kept:
            return kept[0]
    solved = tried(converter, ways.followed(converter, duty, start), steps=NEWTON_STEPS).get(0)
    if solved is None or not solved.kept:
        raise ConvergenceError(_not_kept(converter, solved))
    return solved


def _not_kept(converter: Converter, solved: TriedOrbit | None) -> str:
    """Say what is wrong with the orbit that following one item led to."""
    told = f"no operating point at {float(converter.input_voltage[0]):.4g} V, {_load(converter):.3g} A"
    if solved is None:
        return f"{told}: Newton's method does not close the orbit that the converter was followed to"
    if solved.duty > converter.max_duty:
        return f"{told}: it needs a duty of {solved.duty:.4g}, above max_duty of {converter.max_duty:g}"
    return (
        f"{told}: at the duty of {solved.duty:.4g} that gives the output, it falls with duty, or the rectifiers do not "
        "keep their order"
    )


def _load(converter: Converter) -> float:
    """Average load current of a batch of one [A]."""
    return float(np.broadcast_to(np.asarray(converter.load_current, float), (1,))[0])


def _shared(converter: Converter) -> tuple[str, ...]:
    """List the states that a stage has in common with the simpler one from which its search begins."""
    simpler = converter.topology.simpler
    return () if simpler is None else network(replace(converter, topology=simpler), configurations=(ON, OFF)).states
