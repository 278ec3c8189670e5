"""Operating point of a converter, loop open or closed: the orbit of the averaged guess, of a guess, or of a search.

The power stage knows of the loop only by its edges: whatever regulates it, and whatever the kind of load, the same
average output at the same average load current takes the same edges. They are found with the loop open and a resistor
for the load, and Newton's method on the whole network settles the rest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.errors import ConvergenceError, UnreachableOutputError
from loopdesign.network.batch import occurring, take
from loopdesign.network.converter import PROBES, Converter
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import IDLE, OFF, ON
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.periodic import newton, settled
from loopdesign.orbit.problem import OperatingPoint, pose, posed_on
from loopdesign.orbit.search.duty import found_sequence, ways
from loopdesign.orbit.search.reach import ordinary
from loopdesign.orbit.sequence import Edge, Sequence, joined_sequences

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.circuit import Configuration, SwitchedNetwork
    from loopdesign.orbit.problem import OrbitProblem

Guess: TypeAlias = Sequence
"""Where the solution of an operating point begins: the sequence of another."""
BESIDE_THE_CLOCK = 0.02
"""Part of the off-time that is taken as idle first where conduction turns out to be discontinuous."""
ROUNDING = 1e-9
"""Share of a duty or an output that is rounding."""
SHARES = (0.99, 0.97, 0.94, 0.9, 0.8, 0.7, 0.5)
"""Shares of an output among which one within reach is looked for."""
OWN_LOAD = {"power": "a load of constant power", "current": "a current sink"}
"""Loads whose current over the ripple is another than a resistor's, in words."""


def operating_point(
    converter: Converter, guess: Guess | None = None, probes: tuple[str, ...] = PROBES, *, lean: bool = False
) -> OperatingPoint:
    """Solve the operating point of a converter, loop open or closed.

    Parameters
    ----------
    converter
        A batch of operating points.
    guess
        Sequence to begin from; searched for where absent, and where the rectifier does not keep it.
    probes
        Outputs of the network, the standard ones first.
    lean
        Derive no more configurations than the sequences contain; the idle one is the dearest.

    Returns
    -------
    OperatingPoint
        Exact periodic operating point.

    Raises
    ------
    UnreachableOutputError
        Where losses or the largest duty keep the output below its target.
    ConvergenceError
        Where there is none, or none that repeats itself from period to period.
    """
    delay = converter.turn_off_delay / converter.period
    if guess is None:
        guess = delayed(found_sequence(converter.plain()), delay)
    if not converter.topology.devices.plain:
        point, broken = _among_several(converter, guess, probes)
    else:
        point, broken = _with_one(converter, guess, probes, () if lean else (IDLE,))
    if len(broken):
        point = _merged(converter, point, broken, _searched(take(converter, broken, len(point)), probes))
        broken = broken[_broken(point.take(broken))]
    if len(broken):
        vin, load = float(converter.input_voltage[broken[0]]), float(converter.load_current[broken[0]])
        raise ConvergenceError(
            f"no operating point at {vin:.4g} V, {load:.3g} A: the rectifier does not conduct the same way in every "
            "period",
            items=tuple(int(k) for k in broken),
        )
    return point


def within_the_largest_duty(converter: Converter, point: OperatingPoint) -> tuple[Converter, OperatingPoint]:
    """Hand on operating points; refuse one whose own load needs more than the largest duty.

    Edges are found with a resistor for the load, within the largest duty. A load that draws its current otherwise over
    the ripple needs a little more or less of it.

    Parameters
    ----------
    converter
        A batch of operating points, loop open.
    point
        The same, solved.

    Returns
    -------
    Converter, OperatingPoint
        Both as they are.

    Raises
    ------
    UnreachableOutputError
        Naming the first that lies beyond, with the highest output at its load current.
    ConvergenceError
        The same, where half of its output is out of reach as well.
    """
    beyond = np.flatnonzero(point.duty > converter.max_duty * (1.0 + ROUNDING))
    if not len(beyond):
        return converter, point
    one, guess = take(converter, beyond[:1], len(point)), point.sequence.take(beyond[:1])
    vin, load, target = (float(v[0]) for v in (one.input_voltage, one.load_current, one.output_voltage))

    def within(share: float) -> bool:
        try:
            solved = operating_point(replace(one, output_voltage=one.output_voltage * share), guess)
        except (UnreachableOutputError, ConvergenceError, *BREAKDOWN):
            return False
        return float(solved.duty[0]) <= one.max_duty

    told = (
        f"at {vin:.4g} V input and {load:.4g} A: {OWN_LOAD.get(one.load, 'its load')} needs a duty of "
        f"{float(point.duty[beyond[0]]):.6g} (largest duty allowed {one.max_duty:g})"
    )
    low, high = next((share for share in SHARES if within(share)), 0.0), 1.0
    if not low:
        raise ConvergenceError(f"no operating point {told}", items=(int(beyond[0]),))
    while high - low > ROUNDING:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if within(middle) else (low, middle)
    raise UnreachableOutputError(
        f"the output of {target:.4g} V is out of reach {told}; the highest reachable output is {target * low:.5g} V",
        input_voltage=vin, load_current=load, target=target, highest_output=target * low, duty=one.max_duty,
    )  # fmt: skip


def _with_one(
    converter: Converter, guess: Guess, probes: tuple[str, ...], spare: tuple[int, ...]
) -> tuple[OperatingPoint, NDArray[np.intp]]:
    """Solve a stage with one rectifier; where that does not keep the sequence, try the other ordinary one."""
    try:
        point = _solved(converter, guess, probes, spare)
    except ConvergenceError as error:
        lost = np.array(error.items, np.intp)
        found = found_sequence(take(converter, lost, len(guess)).plain())
        found = delayed(found, converter.turn_off_delay / converter.period)
        point = _solved(converter, guess.with_items(lost, found), probes, spare)
    broken = _broken(point)
    if len(broken) and not converter.synchronous:
        mended = _other_mode(take(converter, broken, len(point)), point.take(broken), probes)
        if mended is not None:
            point = _merged(converter, point, broken, mended)
            broken = broken[_broken(mended)]
    return point, broken


def _among_several(
    converter: Converter, guess: Guess, probes: tuple[str, ...]
) -> tuple[OperatingPoint, NDArray[np.intp]]:
    """Solve a stage with several rectifiers; what they do not keep begins from what they keep of the others."""
    from loopdesign.orbit.search.mending import observed  # noqa: PLC0415  (few stages need it)
    from loopdesign.orbit.search.several import found_beside  # noqa: PLC0415
    from loopdesign.orbit.search.trial import TRIAL_STEPS, orbits_of  # noqa: PLC0415

    delay = converter.turn_off_delay / converter.period
    problem = _posed(converter, guess, probes)
    point, found = settled(problem, Stepper(problem), guess, steps=TRIAL_STEPS)
    kept, solved = found.copy(), np.flatnonzero(found)
    if len(solved):
        kept[solved[_broken(point.take(solved))]] = False
    broken = np.flatnonzero(~kept)
    if len(broken):
        free = replace(point, sequence=undelayed(point.sequence)) if delay else point
        orbits, unkept = orbits_of(free, kept, range(len(point))), np.flatnonzero(found & ~kept)
        told = zip(unkept.tolist(), observed(free.take(unkept)) if len(unkept) else (), strict=True)
        sequence = found_beside(
            converter.plain(), {int(k): orbits[int(k)] for k in solved}, ways(),
            shown={k: s for k, s in told if s is not None},
            without={int(k): free.sequence.take(np.array([k])) for k in np.flatnonzero(~found)},
        ).take(broken)  # fmt: skip
        sequence, part = delayed(sequence, delay), problem.take(broken)
        if not set(occurring(sequence.configuration)) <= {ON, OFF, *occurring(guess.configuration)}:
            part = _posed(take(converter, broken, len(point)), sequence, probes)
        mended = newton(part, Stepper(part), sequence)
        point = _merged(converter, point, broken, mended)
        broken = broken[_broken(mended)]
    return point, broken


def _posed(converter: Converter, guess: Guess, probes: tuple[str, ...], spare: tuple[int, ...] = ()) -> OrbitProblem:
    """Pose the problem with no more configurations than a guess contains, and the spare ones."""
    used = occurring(guess.configuration)
    return pose(converter, probes, configurations=tuple({ON, OFF, *used, *spare}))


def _solved(converter: Converter, guess: Guess, probes: tuple[str, ...], spare: tuple[int, ...] = ()) -> OperatingPoint:
    problem = _posed(converter, guess, probes, spare)
    return newton(problem, Stepper(problem), guess)


def _broken(point: OperatingPoint) -> NDArray[np.intp]:
    """Items whose rectifier does not keep their sequence."""
    return np.flatnonzero(rectifier_breaks(Stepper(point.problem), point.sequence, augmented(point)))


def _other_mode(converter: Converter, point: OperatingPoint, probes: tuple[str, ...]) -> OperatingPoint | None:
    """Try the other one of the two ordinary sequences; None where Newton's method finds nothing there."""
    sequence = point.sequence
    opening = np.argmax(sequence.edge == Edge.COMPARATOR, axis=1)
    delay = converter.turn_off_delay / converter.period
    duty = np.clip(sequence.ends[np.arange(len(sequence)), opening] + delay, 1e-4, converter.max_duty)
    continuous = ~(sequence.edge == Edge.RECTIFIER_ENDS).any(axis=1)
    other = ordinary(duty, 1.0 - BESIDE_THE_CLOCK * (1.0 - duty), continuous)
    try:
        return _solved(converter, delayed(other, delay), probes)
    except (ConvergenceError, *BREAKDOWN):
        return None


def _searched(converter: Converter, probes: tuple[str, ...]) -> OperatingPoint:
    """Search from nothing."""
    return _solved(
        converter, delayed(found_sequence(converter.plain()), converter.turn_off_delay / converter.period), probes
    )


def delayed(sequence: Sequence, delay: float) -> Sequence:
    """Put the trip of the comparator ahead of the opening of the switch by a delay [periods].

    Parameters
    ----------
    sequence : Sequence
        Intervals and edges (B, K) [periods].
    delay : float
        From the trip to the opening [periods].

    Returns
    -------
    Sequence
        With one more interval.
    """
    if not delay:
        return sequence
    return joined_sequences([_one_delayed(sequence.take(np.array([k])), delay) for k in range(len(sequence))])


def _one_delayed(sequence: Sequence, delay: float) -> Sequence:
    opening = int(np.argmax(sequence.edge[0] == Edge.COMPARATOR))
    trip = max(float(sequence.ends[0, opening]) - delay, 1e-3 * float(sequence.ends[0, opening]))
    place = int(np.searchsorted(sequence.ends[0], trip))
    edge = sequence.edge[0].copy()
    edge[opening] = Edge.DELAYED
    return Sequence(
        configuration=np.insert(sequence.configuration[0], place, sequence.configuration[0, place])[None],
        edge=np.insert(edge, place, int(Edge.COMPARATOR))[None],
        ends=np.insert(sequence.ends[0], place, trip)[None],
    )


def undelayed(sequence: Sequence) -> Sequence:
    """Let the comparator open the switch where a delay after its trip does.

    Parameters
    ----------
    sequence : Sequence
        Intervals and edges (B, K) [periods].

    Returns
    -------
    Sequence
        With one interval less in each item that has a delayed edge.
    """
    if not (sequence.edge == Edge.DELAYED).any():
        return sequence
    return joined_sequences([_one_undelayed(sequence.take(np.array([k]))) for k in range(len(sequence))])


def _one_undelayed(sequence: Sequence) -> Sequence:
    late = sequence.edge[0] == Edge.DELAYED
    if not late.any():
        return sequence
    trip = int(np.argmax(sequence.edge[0] == Edge.COMPARATOR))
    edge = np.where(late, int(Edge.COMPARATOR), sequence.edge[0])
    return Sequence(
        configuration=np.delete(sequence.configuration[0], trip)[None],
        edge=np.delete(edge, trip)[None],
        ends=np.delete(sequence.ends[0], trip)[None],
    )


def _merged(
    converter: Converter, point: OperatingPoint, items: NDArray[np.intp], part: OperatingPoint
) -> OperatingPoint:
    """Put solved items back into their places in the batch."""
    problem = posed_on(converter, _widened(point.network, items, part.network))
    sequence = point.sequence.with_items(items, part.sequence)
    count = sequence.ends.shape[1] + 1
    inputs, states = point.inputs.copy(), _padded(point.states, count).copy()
    inputs[items], states[items] = part.inputs, _padded(part.states, count)
    return OperatingPoint(problem=problem, inputs=inputs, sequence=sequence, states=states)


def _padded(states: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """States (B,count,n): the last repeated behind a shorter sequence, or a longer tail of repeats cut."""
    more = count - states.shape[1]
    return np.pad(states, ((0, 0), (0, more), (0, 0)), mode="edge") if more > 0 else states[:, :count]


def _widened(whole: SwitchedNetwork, items: NDArray[np.intp], part: SwitchedNetwork) -> SwitchedNetwork:
    """Take over configurations of some items; the others have the off-interval in the places they do not use."""
    count = max(len(whole.configurations), len(part.configurations))
    widened = []
    for k in range(count):
        base = whole.configurations[k] if k < len(whole.configurations) else whole.configurations[OFF]
        given = part.configurations[k] if k < len(part.configurations) else None
        widened.append(base if given is None else _replaced(base, items, given))
    return replace(whole, configurations=tuple(widened))


def _replaced(base: Configuration, items: NDArray[np.intp], given: Configuration) -> Configuration:
    fields = {}
    for name in ("A", "B", "C", "D"):
        values = getattr(base, name).copy()
        values[items] = getattr(given, name)
        fields[name] = values
    return replace(base, **fields)
