"""What is solved for, and what comes out: the periodic problem of a converter, and its operating point."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.converter import PROBES, Converter, dc_inputs, network
from loopdesign.network.modulator import threshold
from loopdesign.network.places import IDLE, OFF, ON, SwitchingDevices, closed_at
from loopdesign.orbit.sequence import Edge, Sequence

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.network.circuit import SwitchedNetwork
    from loopdesign.network.modulator import Threshold


@dataclass(frozen=True, slots=True, kw_only=True)
class OrbitProblem:
    """One batch of periodic boundary value problems.

    Attributes
    ----------
    network
        Configurations in the places of `loopdesign.network.converter`.
    thresholds
        Comparator threshold in each configuration in which the switch conducts.
    inputs
        (B,p) dc values of the inputs; the trim input's entry is ignored.
    trim
        Name of the free input: ``control`` or ``reference``.
    target
        (B,) average of what the feedback senses [V].
    diode
        True where the rectifier is a diode, which opens at zero current.
    max_duty
        Largest duty [unitless].
    delay
        Turn-off delay [periods].
    devices
        Switches and rectifiers of the stage.
    """

    network: SwitchedNetwork
    thresholds: Mapping[int, Threshold]
    inputs: NDArray[np.float64]
    trim: str
    target: NDArray[np.float64]
    diode: bool
    max_duty: float
    delay: float = 0.0
    devices: SwitchingDevices = field(default_factory=SwitchingDevices)

    def __len__(self) -> int:
        """Count the items."""
        return len(self.target)

    @property
    def threshold(self) -> Threshold:
        """Comparator threshold of the ordinary on-interval."""
        return self.thresholds[ON]

    def take(self, items: NDArray[np.intp]) -> OrbitProblem:
        """Keep some items of the batch, in the order given.

        Parameters
        ----------
        items : ndarray (K,)
            Which items to keep, by index [unitless].

        Returns
        -------
        OrbitProblem
            Those items.
        """
        return OrbitProblem(
            network=self.network.take(items),
            thresholds={k: t.take(items) for k, t in self.thresholds.items()},
            inputs=self.inputs[items],
            trim=self.trim,
            target=self.target[items],
            diode=self.diode,
            max_duty=self.max_duty,
            delay=self.delay,
            devices=self.devices,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingPoint:
    """Periodic operating point of a batch.

    Attributes
    ----------
    problem
        What was solved.
    inputs
        (B,p) dc inputs, the trim input resolved.
    sequence
        Intervals and edges of every item.
    states
        (B,K+1,n) normalised states at the clock and at the end of each interval.
    """

    problem: OrbitProblem
    inputs: NDArray[np.float64]
    sequence: Sequence
    states: NDArray[np.float64]
    transitions: NDArray[np.float64] | None = None
    """(K,B,n,n) transition matrices of the intervals, where they are known already."""
    opening: NDArray[np.intp] = field(init=False)
    """(B,) the last interval in which the switch conducts."""

    def __post_init__(self) -> None:
        """Find where the switch opens."""
        on = closed_at(self.sequence.configuration) & (self.sequence.lengths > 0.0)
        last = on.shape[1] - 1 - np.argmax(on[:, ::-1], axis=1)
        object.__setattr__(self, "opening", np.where(on.any(axis=1), last, 0))

    def __len__(self) -> int:
        """Count the items."""
        return len(self.inputs)

    @property
    def network(self) -> SwitchedNetwork:
        """Switched network of the problem."""
        return self.problem.network

    @property
    def lengths(self) -> NDArray[np.float64]:
        """(B,K) interval lengths [periods]."""
        return self.sequence.lengths

    @property
    def duty(self) -> NDArray[np.float64]:
        """(B,) end of the on-time [periods]."""
        return self.sequence.ends[np.arange(len(self)), self.opening]

    @property
    def conduction_end(self) -> NDArray[np.float64]:
        """(B,) first end of the rectifier's conduction after the switch opened; one where it lasts to the clock."""
        after = np.arange(self.sequence.ends.shape[1])[None, :] > self.opening[:, None]
        ends = after & (self.sequence.edge == Edge.RECTIFIER_ENDS)
        first = np.argmax(ends, axis=1)
        return np.where(ends.any(axis=1), self.sequence.ends[np.arange(len(self)), first], 1.0)

    @property
    def at_conduction_end(self) -> NDArray[np.float64]:
        """(B,n) normalised state at ``conduction_end``."""
        last = np.argmax(self.sequence.ends >= self.conduction_end[:, None], axis=1)
        return self.states[np.arange(len(self)), last + 1]

    @property
    def discontinuous(self) -> NDArray[np.bool_]:
        """(B,) whether a rectifier that carries the off-time stops within it: discontinuous conduction."""
        if self.problem.devices.plain:
            return np.asarray((self.sequence.edge == Edge.RECTIFIER_ENDS).any(axis=1))
        resting = [k for k in range(len(self.network.configurations)) if self.problem.devices.rests(k)]
        rests = np.isin(self.sequence.configuration, resting) & (self.sequence.lengths > 0.0)
        return np.asarray(rests.any(axis=1))

    @property
    def ordinary(self) -> NDArray[np.bool_]:
        """(B,) whether the sequence is on, off, or on, off, idle, with or without a turn-off delay.

        With several rectifiers only the former is: they stop one after the other.
        """
        if not self.problem.devices.plain:
            return np.asarray((self.sequence.configuration <= OFF).all(axis=1))
        starts = (self.sequence.edge == Edge.RECTIFIER_STARTS).any(axis=1)
        return np.asarray(~starts & ((self.sequence.edge == Edge.RECTIFIER_ENDS).sum(axis=1) <= 1))

    @property
    def start(self) -> NDArray[np.float64]:
        """(B,n) normalised state at the clock."""
        return self.states[:, 0]

    @property
    def at_duty(self) -> NDArray[np.float64]:
        """(B,n) normalised state where the switch opens."""
        return self.states[np.arange(len(self)), self.opening + 1]

    @property
    def trip(self) -> NDArray[np.intp]:
        """(B,) interval that the comparator ends, or the opening where none does."""
        tripped = self.sequence.edge == Edge.COMPARATOR
        return np.where(tripped.any(axis=1), np.argmax(tripped, axis=1), self.opening)

    @property
    def trim(self) -> NDArray[np.float64]:
        """(B,) value of the free input [V]: control voltage or reference."""
        return self.inputs[:, self.network.input_index(self.problem.trim)]

    def take(self, items: NDArray[np.intp]) -> OperatingPoint:
        """Keep some items of the batch, in the order given.

        Parameters
        ----------
        items : ndarray (K,)
            Which items to keep, by index [unitless].

        Returns
        -------
        OperatingPoint
            Those items.
        """
        sequence = self.sequence.take(items)
        return OperatingPoint(
            problem=self.problem.take(items),
            inputs=self.inputs[items],
            sequence=sequence,
            states=self.states[items][:, : sequence.ends.shape[1] + 1],
            transitions=None if self.transitions is None else self.transitions[: sequence.ends.shape[1], items],
        )


def pose(
    converter: Converter, probes: tuple[str, ...] = PROBES, *, configurations: tuple[int, ...] = (ON, OFF, IDLE)
) -> OrbitProblem:
    """Pose the periodic problem of a converter.

    Parameters
    ----------
    converter
        A batch of operating points.
    probes
        Outputs of the network, the standard ones first.
    configurations
        Sets of conducting devices to derive, by index [unitless]; what a sequence does not contain need not be derived.

    Returns
    -------
    OrbitProblem
        Loop open or closed, as the converter has it.
    """
    return posed_on(converter, network(converter, probes, configurations=configurations))


def posed_on(converter: Converter, switched: SwitchedNetwork) -> OrbitProblem:
    """Pose the periodic problem of a converter on a network already derived.

    Parameters
    ----------
    converter : Converter
        A batch of operating points (B,).
    switched : SwitchedNetwork
        Its network.

    Returns
    -------
    OrbitProblem
        Loop open or closed, as the converter has it.
    """
    places = [k for k in range(len(switched.configurations)) if closed_at(k)]
    return OrbitProblem(
        network=switched,
        thresholds={k: threshold(converter.modulator, switched, k) for k in places},
        inputs=dc_inputs(converter, switched),
        trim=converter.trim,
        target=converter.regulated_level,
        diode=not converter.synchronous,
        max_duty=converter.max_duty,
        delay=converter.turn_off_delay / converter.period,
        devices=converter.topology.devices,
    )
