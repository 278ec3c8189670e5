"""Duty and sequence of stages with several rectifiers, whose sequences are many and are not guessed.

One operating point is followed edge by edge; its sequence begins the solution of all others, and wherever it is kept
there it holds. What is left over begins from the nearest ones found, and is followed itself where that fails.

Where the topology says what stage it is without some of its devices, that one is solved first, all points at once: its
duties and states are near enough that a few cycles stepped from there show the sequence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.batch import take
from loopdesign.network.converter import network
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.periodic import newton, slope_over_duty
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.reach import SHORTEST_ON, continuous
from loopdesign.orbit.search.stepped import stepped_at
from loopdesign.orbit.sequence import joined_sequences

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.network.topologies.base import Topology
    from loopdesign.orbit.problem import OrbitProblem
    from loopdesign.orbit.sequence import Sequence

DUTIES = 80
"""Duties at which the averaged output is looked at."""
LOW = 0.15
"""Share of the largest duty to follow from where the averaged output tells nothing: an output falls slowly."""
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
    size = len(converter.input_voltage)
    placed, starts = _placed(converter, ways)
    found = _kept(converter, placed)
    line, load = (np.log(np.maximum(v, 1e-12)) for v in (converter.input_voltage, _load(converter)))
    order = [int(k) for k in np.argsort(-load, kind="stable")]
    fresh = list(found)
    while len(found) < size:
        if not fresh:
            item = next(k for k in order if k not in found)
            one = take(converter, np.array([item]), size)
            found[item] = _single(one, ways, float(placed.ends[item, 0]), starts[item])
            fresh = [item]
        rest = np.array([k for k in range(size) if k not in found])
        if len(rest):
            kept = _kept(take(converter, rest, size), _nearest(found, fresh, rest, line, load))
            fresh = [int(rest[k]) for k in kept]
            found |= {int(rest[k]): sequence for k, sequence in kept.items()}
    return joined_sequences([found[k] for k in range(size)])


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


def _single(converter: Converter, ways: Ways, duty: float, start: NDArray[np.float64] | None) -> Sequence:
    """Find the sequence of one item: stepped from beside a simpler stage's where that is kept, else followed."""
    if converter.topology.simpler is not None and start is not None:
        states = network(converter, configurations=(ON, OFF)).states
        try:
            near = stepped_at(converter, duty, dict(zip(states, start, strict=True)), SETTLING, held=_shared(converter))
        except ConvergenceError:
            kept = {}
        else:
            kept = _kept(converter, near)
        if kept:
            return kept[0]
    return ways.followed(converter, duty, start)


def _shared(converter: Converter) -> tuple[str, ...]:
    """List the states that a stage has in common with the simpler one from which its search begins."""
    simpler = converter.topology.simpler
    return () if simpler is None else network(replace(converter, topology=simpler), configurations=(ON, OFF)).states


def _load(converter: Converter) -> NDArray[np.float64]:
    """Load current (B,) [A]."""
    return np.broadcast_to(np.asarray(converter.load_current, float), converter.input_voltage.shape)


def _nearest(
    found: dict[int, Sequence],
    fresh: list[int],
    items: NDArray[np.intp],
    line: NDArray[np.float64],
    load: NDArray[np.float64],
) -> Sequence:
    """Join, for every item, the sequence of the nearest of the freshly found ones."""
    places = [min(fresh, key=lambda f: abs(line[f] - line[k]) + abs(load[f] - load[k])) for k in items]
    return joined_sequences([found[p] for p in places])


def _kept(converter: Converter, guess: Sequence) -> dict[int, Sequence]:
    """Solve from a guess; return the sequences, by item, that the rectifiers keep on the rising side of the output."""
    solved: dict[int, Sequence] = {}
    items = np.arange(len(guess))
    while len(items):
        part = guess.take(items)
        used = {int(k) for k in np.unique(part.configuration)}
        problem = pose(take(converter, items, len(guess)), configurations=tuple({ON, OFF, *used}))
        stepper = Stepper(problem)
        try:
            point = newton(problem, stepper, part)
        except ConvergenceError as error:
            items = np.delete(items, list(error.items)) if len(error.items) < len(items) else items[:0]
            continue
        except BREAKDOWN:
            break
        bad = rectifier_breaks(stepper, point.sequence, augmented(point)) | (slope_over_duty(point, stepper) <= 0.0)
        bad |= point.duty > problem.max_duty
        solved = {int(items[k]): point.sequence.take(np.array([k])) for k in np.flatnonzero(~bad)}
        break
    return solved
