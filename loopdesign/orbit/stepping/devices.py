"""Records of stepping in time: limits of the controller, device states, guards, and what a cycle did."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from loopdesign.network.elements import Coupling
from loopdesign.orbit.stepping.motion import Piece

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from loopdesign.network.circuit import Configuration
    from loopdesign.network.elements import Element

Ended = Literal["comparator", "current limit", "largest duty", "minimum on-time", "skipped"]
Action = Literal["trip", "current limit", "diode off", "diode on", "limit", "clamp", "load"]
OPPOSITE: Mapping[Action, Action] = {"diode on": "diode off", "diode off": "diode on"}
"""Edges that undo each other."""
ROUNDING = 1e-12
"""Rounding of an instant [periods]."""
NOTHING = 1e-9
"""Control voltage [V] that is zero but for rounding."""
TRIPS = ("trip", "current limit")
"""Actions of the comparators that end the on-time; blanking hides them, and they come last among the guards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlLimits:
    """What bounds the controller.

    Attributes
    ----------
    output_current
        Largest output current of a transconductance amplifier [A]; None has no limit.
    lowest, highest
        Clamp of the control pin [V]; None has no clamp.
    min_on_time
        Shortest on-time [s].
    current_limit
        Sensed signal at which the on-time ends whatever the control voltage [V]; None has no limit.
    """

    output_current: float | None = None
    lowest: float | None = None
    highest: float | None = None
    min_on_time: float = 0.0
    current_limit: float | None = None


class Devices(NamedTuple):
    """State of every device.

    ``diode`` holds the conducting rectifiers as bits, of a single one simply whether it conducts; ``amplifier`` and
    ``clamp`` are -1, 0 or 1: at the lower limit, free, at the upper. ``load`` is 0 below its knee.
    """

    switch: bool
    diode: int
    amplifier: int = 0
    clamp: int = 0
    load: int = 1

    def set(self, *, switch: bool, diode: int) -> Devices:
        """Switch and rectifiers, as bits [unitless], as said; what belongs to controller and load as it is."""
        return Devices(switch, diode, self.amplifier, self.clamp, self.load)


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Motion between two edges of a cycle: begin and length [periods], devices, state (n,) at its begin.

    ``guard`` is the one that ended it, by index; -1 where an instant of the clock did.
    """

    begin: float
    length: float
    devices: Devices
    x: NDArray[np.float64]
    guard: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """One clock period.

    Attributes
    ----------
    x, devices
        Normalised state (n,) and devices at its end.
    clocked
        Devices just after its clock.
    mean, lowest, highest
        Output over the period [V]; lowest and highest are of samples and edges.
    duty
        On-time [periods].
    ended
        What ended the on-time.
    idle
        Whether the rectifier stopped within the period or did not start, or the pulse was skipped.
    limited
        Whether the amplifier's limit or a clamp was at work.
    """

    x: NDArray[np.float64]
    devices: Devices
    clocked: Devices
    mean: float
    lowest: float
    highest: float
    duty: float
    ended: Ended
    idle: bool
    limited: bool


class Guard(NamedTuple):
    """A row over states and inputs that trips where it rises through zero, and what then happens."""

    action: Action
    value: int
    state: NDArray[np.float64]
    inputs: NDArray[np.float64]
    constant: float = 0.0
    ramp: float = 0.0


class Setting:
    """One set of devices: its linear piece, its guards, and how both follow the inputs."""

    def __init__(
        self, c: Configuration, guards: list[Guard], out: int, u: NDArray[np.float64], yielding: NDArray[np.float64]
    ) -> None:
        self.guards = guards
        self.c = c
        self.yielding = yielding
        self.constrained = len(c.constraint[0]) > 0
        self.rectifying = [k for k, g in enumerate(guards) if g.action in {"diode on", "diode off"}]
        self.constants = np.array([*(g.constant for g in guards), 0.0])
        self.through = np.array([*(g.inputs for g in guards), c.D[0, out]])
        rows = np.array([*(g.state for g in guards), c.C[0, out]])
        ramps = np.array([*(g.ramp for g in guards), 0.0])
        self.piece = Piece(c.A[0], c.B[0] @ u, rows, self.through @ u + self.constants, ramps)
        self.follow(u)

    def follow(self, u: NDArray[np.float64]) -> None:
        """Take over changed inputs (p,) [V], [A]."""
        self.piece.set_drive(self.c.B[0] @ u, self.through @ u + self.constants)
        self.bound = self.c.constraint_input[0] @ u

    def project(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Bring a normalised state (n,) [unitless] onto a constraint: currents jump as a voltage impulse makes them."""
        K = self.c.constraint[0]
        if not len(K):
            return x
        moved = self.yielding @ K.T
        return x - moved @ np.linalg.solve(K @ moved, K @ x + self.bound)

    @cached_property
    def projection(self) -> NDArray[np.float64]:
        """Derivative of a projected state by the state (n,n) [unitless]."""
        K = self.c.constraint[0]
        moved = self.yielding @ K.T
        return np.eye(len(self.yielding)) - (moved @ np.linalg.solve(K @ moved, K) if len(K) else 0.0)

    def project_many(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Project many states (N,n) [unitless]."""
        K = self.c.constraint[0]
        if not len(K):
            return x
        moved = self.yielding @ K.T
        return x - np.linalg.solve(K @ moved, (x @ K.T + self.bound).T).T @ moved.T


def yielding(elements: tuple[Element, ...], states: Sequence[str]) -> NDArray[np.float64]:
    """Find how normalised states yield to an impulse: the inverse of their energies, which couplings join.

    Parameters
    ----------
    elements : tuple of Element
        The network.
    states : sequence of str
        Its states by name.

    Returns
    -------
    ndarray (n,n)
        Inverse of twice the stored energy as a quadratic form of the normalised states [unitless].
    """
    energy = np.eye(len(states))
    for part in elements:
        if isinstance(part, Coupling):
            j, k = (states.index(f"i({name})") for name in (part.first, part.second))
            energy[j, k] = energy[k, j] = float(np.ravel(part.coefficient)[0])
    inverse: NDArray[np.float64] = np.linalg.inv(energy).astype(np.float64)
    return inverse
