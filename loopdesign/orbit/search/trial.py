"""Sequences tried on many items at once: solved by Newton's method, and kept where the rectifiers keep them.

An item that keeps neither what was tried on it nor what that shows instead (`mending`) begins from its neighbours: the
sequences that they keep are tried, the nearest first, on all such items together. Only where none of them holds, the
converter is stepped a few cycles from the orbit found last, for one item; what that shows is tried on the others again.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.batch import occurring, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import OFF, ON, closed_at
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.periodic import settled, slope_over_duty
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.stepped import stepped_at
from loopdesign.orbit.sequence import joined_sequences

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint, OrbitProblem
    from loopdesign.orbit.sequence import Sequence

TRIAL_STEPS = 8
"""Steps of Newton's method after which a sequence tried counts as wrong; a right one takes four to seven."""
SHORT = 0.03
"""Interval [periods] that may have no length once the states have settled."""
PATIENCE = (6, 6, 12)
"""Cycles stepped from an orbit near an item's own, one attempt after the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedOrbit:
    """An orbit of one item.

    Attributes
    ----------
    sequence
        Its intervals and edges, a batch of one [periods].
    duty
        Its duty [unitless].
    start
        Normalised states at the clock, by name [unitless].
    kept
        Whether the rectifiers keep it, on the rising side of the output and within the largest duty.
    """

    sequence: Sequence
    duty: float
    start: Mapping[str, float]
    kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tries:
    """Solutions of sequences tried on a batch.

    Attributes
    ----------
    point
        The solutions (K,).
    items
        (K,) which items of the batch have one.
    kept
        (K,) whether the rectifiers keep it, on the rising side of the output and within the largest duty.
    """

    point: OperatingPoint
    items: NDArray[np.intp]
    kept: NDArray[np.bool_]


def orbits_of(point: OperatingPoint, kept: NDArray[np.bool_], items: Iterable[int]) -> dict[int, TriedOrbit]:
    """Take a batch of operating points apart.

    Parameters
    ----------
    point : OperatingPoint
        Solved (B,).
    kept : ndarray (B,)
        Which of them are kept [unitless].
    items : iterable of int
        Number that each is known by (B,) [unitless].

    Returns
    -------
    dict of int to TriedOrbit
        By that number.
    """
    names, duty = point.network.states, point.duty
    return {
        int(item): TriedOrbit(
            sequence=point.sequence.take(np.array([k])),
            duty=float(duty[k]),
            start=dict(zip(names, point.start[k].tolist(), strict=True)),
            kept=bool(kept[k]),
        )
        for k, item in enumerate(items)
    }


def tried(
    converter: Converter, guess: Sequence, items: NDArray[np.intp] | None = None, *, steps: int = TRIAL_STEPS
) -> dict[int, TriedOrbit]:
    """Try a sequence on every item, all at once.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open and its load resistive.
    guess : Sequence
        Intervals and edges to begin from (K,) [periods].
    items : ndarray (K,)
        Items of the batch it is tried on, by index [unitless]; all where absent.
    steps : int
        Most steps of Newton's method [unitless].

    Returns
    -------
    dict of int to TriedOrbit
        Orbits of the items whose equations have a solution with that sequence, by index.
    """
    size = len(converter.input_voltage)
    items = np.arange(size) if items is None else items
    used = tuple(occurring(guess.configuration))
    some = converter if len(items) == size else take(converter, items, size)
    try:
        tries = tries_on(pose(some, configurations=tuple({ON, OFF, *used})), guess, steps)
    except BREAKDOWN:  # a single item may be the reason
        halves = np.array_split(np.arange(len(items)), 2) if len(items) > 1 else []
        return {
            k: o for half in halves for k, o in tried(converter, guess.take(half), items[half], steps=steps).items()
        }
    return orbits_of(tries.point, tries.kept, items[tries.items])


def tries_on(problem: OrbitProblem, guess: Sequence, steps: int = TRIAL_STEPS) -> Tries:
    """Try sequences on the items of a problem.

    Parameters
    ----------
    problem : OrbitProblem
        With the loop open and a resistive load (B,).
    guess : Sequence
        Intervals and edges to begin from (B,) [periods].
    steps : int
        Most steps of Newton's method [unitless].

    Returns
    -------
    Tries
        What has a solution.

    Raises
    ------
    LinAlgError, FloatingPointError
        Where the arithmetic of an item breaks down.
    """
    point, found = settled(problem, Stepper(problem), guess, steps=steps)
    items = np.flatnonzero(found)
    if len(items) < len(found):
        point = point.take(items)
    kept = np.ones(len(items), bool)
    if len(items):
        stepper = Stepper(point.problem)
        kept &= ~rectifier_breaks(stepper, point.sequence, augmented(point)) & (point.duty <= problem.max_duty)
        kept &= slope_over_duty(point, stepper) > 0.0
    return Tries(point=point, items=items, kept=kept)


def tried_on_others(
    converter: Converter, orbits: dict[int, TriedOrbit], fresh: Iterable[int], pending: list[int]
) -> list[int]:
    """Try sequences that some items keep on the items that have none, the nearest first.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open and its load resistive.
    orbits : dict of int to TriedOrbit
        Orbits by item [unitless]; what is kept is added, and what has a solution only where the item had none.
    fresh : iterable of int
        Items whose sequences are tried [unitless].
    pending : list of int
        Items they are tried on [unitless].

    Returns
    -------
    list of int
        Items of the latter that keep one of them.
    """
    structures: dict[tuple[bytes, bytes], list[int]] = {}
    for k in fresh:
        s = orbits[k].sequence.trimmed()
        structures.setdefault((s.configuration.tobytes(), s.edge.tobytes()), []).append(k)
    apart = _distances(converter)
    ranked = {item: sorted(_nearest_of_each(apart, item, structures.values())) for item in pending}
    left = list(pending)
    for rank in range(len(structures)):
        if not left:
            break
        guess = joined_sequences([orbits[ranked[item][rank][-1]].sequence for item in left])
        for item, orbit in tried(converter, guess, np.array(left)).items():
            if orbit.kept or item not in orbits:
                orbits[item] = orbit
        left = [item for item in left if item not in orbits or not orbits[item].kept]
    return [item for item in pending if item not in left]


def _nearest_of_each(
    apart: NDArray[np.float64], item: int, groups: Iterable[list[int]]
) -> list[tuple[float, int, int]]:
    """List of each group the member nearest to an item: how far it is, how common the group (negative), and which."""
    nearest = [(group, min(group, key=lambda k: float(apart[item, k]))) for group in groups]
    return [(float(apart[item, k]), -len(group), k) for group, k in nearest]


def _distances(converter: Converter) -> NDArray[np.float64]:
    """Distances (B,B) between operating points: logarithms of line and load."""
    load = np.broadcast_to(np.asarray(converter.load_current, float), converter.input_voltage.shape)
    places = np.log(np.maximum(np.stack([converter.input_voltage, load], axis=1), 1e-12))
    return np.asarray(np.abs(places[:, None] - places[None]).sum(axis=2))


def nearest_kept(converter: Converter, orbits: Mapping[int, TriedOrbit], item: int) -> TriedOrbit | None:
    """Find the kept orbit nearest to an item.

    Parameters
    ----------
    converter : Converter
        A batch (B,).
    orbits : mapping of int to TriedOrbit
        Orbits by item [unitless].
    item : int
        Which item [unitless].

    Returns
    -------
    TriedOrbit or None
        None where none is kept.
    """
    kept = [k for k, orbit in orbits.items() if orbit.kept]
    apart = _distances(converter)[item]
    return orbits[min(kept, key=lambda k: float(apart[k]))] if kept else None


def walked(converter: Converter, begin: TriedOrbit) -> TriedOrbit | None:
    """Step one item from an orbit near its own, solve the sequence seen, and go on from there until it is kept.

    Where that leads back to a sequence seen before, or to one without a solution, more cycles are stepped.

    Parameters
    ----------
    converter : Converter
        A batch of one, its loop open and its load resistive.
    begin : TriedOrbit
        Where to begin.

    Returns
    -------
    TriedOrbit or None
        An orbit that is kept; None where the steps lead to none.
    """
    seen = [begin.sequence]
    for cycles in PATIENCE:
        try:
            sequence = stepped_at(converter, float(np.clip(begin.duty, 1e-3, converter.max_duty)), begin.start, cycles)
        except (ConvergenceError, *BREAKDOWN):
            return None
        for candidate in (sequence, *_at_once(sequence)):
            if any(bool(candidate.same_structure(s).all()) for s in seen):
                continue
            seen.append(candidate)
            found = tried(converter, candidate)
            if found and found[0].kept:
                return found[0]
            begin = found.get(0, begin)
    return None


def _at_once(sequence: Sequence) -> list[Sequence]:
    """Let rectifiers change over at one instant that do so shortly after each other, such as those of like outputs."""
    short = np.flatnonzero(sequence.lengths[0, 1:-1] < SHORT) + 1
    between = [
        k
        for k in short
        if closed_at(int(sequence.configuration[0, k - 1])) == closed_at(int(sequence.configuration[0, k + 1]))
    ]
    if not between:
        return []
    left = np.delete(np.arange(sequence.ends.shape[1]), between)
    return [replace(sequence, **{f.name: getattr(sequence, f.name)[:, left] for f in fields(sequence)})]
