"""A run of cycles whose inputs follow a profile, and the largest currents on its way.

Currents are read at every edge; the cycles with the largest are then sampled densely, so that a peak between edges is
seen as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.stepping.abreast.row import run_periods
from loopdesign.orbit.stepping.energy import Ledger

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Cycle, Devices, Segment
    from loopdesign.orbit.stepping.energy import Energy

LIMITS = frozenset({"largest duty", "current limit"})
"""Ends of an on-time that asks for more than it gets."""
CALM = 100
"""Cycles over which a run must stay in place before it is over."""
NARROW = 0.05
"""Share of the settling band that counts as in place."""
QUIET = 1e-4
"""Change of the state over one cycle, relative to its size, that counts as at rest."""
STUCK = 1000
"""Cycles after which a run whose every pulse a limit ends, its output still, is stuck for good."""
CLOSER = 3
"""Cycles that are sampled densely for each current."""
DENSE = 33
"""Samples of each of their intervals."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A run with its inputs on a profile.

    Attributes
    ----------
    period
        Switching period [s].
    mean, lowest, highest
        (N,) output of each cycle [V].
    control
        (N,) control voltage at the end of each cycle [V].
    ended
        What ended each on-time (N).
    limited
        (N,) whether amplifier limit or clamp were at work.
    sensed
        (N,) largest size of the first current watched at the edges of each cycle [A].
    peaks
        Largest size of each current on the way by probe [A].
    energy
        Where the energy went.
    rested
        Whether the run came to rest before its last cycle allowed.
    """

    period: float
    mean: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    control: NDArray[np.float64]
    ended: tuple[str, ...]
    limited: NDArray[np.bool_]
    sensed: NDArray[np.float64]
    peaks: Mapping[str, float]
    energy: Energy
    rested: bool


def recorded_run(
    stepper: CycleStepper,
    begin: tuple[NDArray[np.float64], Devices],
    profile: Mapping[int, Mapping[str, float]],
    *,
    probes: tuple[str, ...],
    target: float,
    band: float,
    least: int,
    most: int,
) -> Record:
    """Step cycle after cycle with inputs that follow a profile, until the output rests at its target.

    Parameters
    ----------
    stepper : CycleStepper
        The closed loop.
    begin : tuple of ndarray (n,) and Devices
        Normalised state [unitless] and devices before the first clock.
    profile : mapping of int
        From the number of a cycle to the inputs that change with it, by name [V], [A].
    probes : tuple of str
        Currents whose peaks are kept.
    target : float
        Where the output is to rest [V].
    band : float
        Half width of the settling band [V].
    least, most : int
        Fewest and most cycles [unitless].

    Returns
    -------
    Record
        What happened.
    """
    x = begin[0]
    done: list[Cycle] = []
    edges, ledger = _Edges(stepper, probes), Ledger(stepper.converter)
    calm = 0
    for k, (cycle, trace) in enumerate(_cycles(stepper, begin, profile, most, edges, ledger)):
        edges.add(k, trace, cycle)
        ledger.add(trace, cycle.x)
        last, x = x, cycle.x
        done.append(cycle)
        there = abs(cycle.mean - target) <= NARROW * band and _rests(x, last)
        calm = calm + 1 if there else 0
        if k + 1 >= least and (calm >= CALM or _stuck(done, target, band)):
            break
    return Record(
        period=float(stepper.converter.period),
        mean=np.array([c.mean for c in done]),
        lowest=np.array([c.lowest for c in done]),
        highest=np.array([c.highest for c in done]),
        control=_control(stepper, done),
        ended=tuple(c.ended for c in done),
        limited=np.array([c.limited for c in done]),
        peaks=edges.peaks(),
        sensed=np.array([edges.sensed.get(k, 0.0) for k in range(len(done))]),
        energy=ledger.balance(stepper),
        rested=calm >= CALM,
    )


def _cycles(
    stepper: CycleStepper,
    begin: tuple[NDArray[np.float64], Devices],
    profile: Mapping[int, Mapping[str, float]],
    most: int,
    edges: _Edges,
    ledger: Ledger,
) -> Iterator[tuple[Cycle, list[Segment]]]:
    """Step cycle after cycle; what has been recorded is settled before the line changes."""
    x, devices = begin
    turns = sorted({0, *(k for k in profile if k < most)})
    for first, end in pairwise([*turns, most]):
        changes = profile.get(first, {})
        if "line" in changes:
            edges.settle()
            ledger.settle(stepper)
        if changes:
            stepper.set_inputs(**changes)
        for cycle, trace in run_periods(stepper, x, devices, end - first, traced=True):
            x, devices = cycle.x, cycle.devices
            yield cycle, trace


def _rests(x: NDArray[np.float64], last: NDArray[np.float64]) -> bool:
    """Whether a state has hardly moved over a cycle."""
    return float(np.abs(x - last).max()) <= QUIET * float(np.abs(x).max())


def _control(stepper: CycleStepper, done: list[Cycle]) -> NDArray[np.float64]:
    """Control voltage (N,) at the end of every cycle [V]."""
    control = np.empty(len(done))
    for devices in {c.devices for c in done}:
        where = np.array([c.devices == devices for c in done])
        states = np.array([c.x for c in done])[where]
        control[where] = stepper.watch(devices, states, ("v(control)",))[:, 0]
    return control


def _stuck(done: list[Cycle], target: float, band: float) -> bool:
    """Whether the output stands still below its target while limits, and not the control voltage, end every pulse."""
    if len(done) < STUCK or len(done) % CALM:
        return False
    last = done[-STUCK:]
    moved = max(c.mean for c in last) - min(c.mean for c in last)
    return last[-1].mean < target - band and moved < NARROW * band and all(c.ended in LIMITS for c in last)


class _Edges:
    """Largest currents at the edges of every cycle, and the motions of the cycles that have them."""

    def __init__(self, stepper: CycleStepper, probes: tuple[str, ...]) -> None:
        self.stepper, self.probes = stepper, probes
        self.found = np.zeros(len(probes))
        self.waiting: dict[Devices, tuple[list[NDArray[np.float64]], list[int]]] = {}
        self.traces: dict[int, list[Segment]] = {}
        self.sensed: dict[int, float] = {}

    def add(self, k: int, trace: list[Segment], cycle: Cycle) -> None:
        """Take the motions of a cycle."""
        ends = [*(s.x for s in trace[1:]), cycle.x]
        for segment, end in zip(trace, ends, strict=True):
            if segment.length > 0.0:
                states, cycles = self.waiting.setdefault(segment.devices, ([], []))
                states += (segment.x, end)
                cycles += (k, k)
        self.traces[k] = trace

    def settle(self) -> None:
        """Read what has been waiting, with the inputs as they are."""
        close: set[int] = set()
        for kind, (states, cycles) in self.waiting.items():
            size = np.abs(self.stepper.watch(kind, np.array(states), self.probes))
            self.found = np.maximum(self.found, size.max(axis=0))
            for k, value in zip(cycles, size[:, 0].tolist(), strict=True):
                self.sensed[k] = max(self.sensed.get(k, 0.0), value)
            close |= {cycles[int(j)] for j in np.argsort(-size, axis=0)[:CLOSER].ravel()}
        for k in close:
            for segment in self.traces[k]:
                if segment.length > 0.0:
                    dense = np.abs(self.stepper.dense(segment, DENSE, self.probes)[1])
                    self.found = np.maximum(self.found, dense.max(axis=0))
        self.waiting, self.traces = {}, {}

    def peaks(self) -> dict[str, float]:
        """Return the largest size of each current by probe [A]."""
        self.settle()
        return dict(zip(self.probes, (float(v) for v in self.found), strict=True))
