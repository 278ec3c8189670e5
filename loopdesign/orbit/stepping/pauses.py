"""Clock periods whose pulses are skipped, passed many at a time.

While the comparator is tripped at every clock and no rectifier conducts, the network is one linear network over many
periods. Its states at the clocks, and at samples between them, follow by doubling; the pause is over at the first clock
at which the comparator is not tripped, and a period in which any device comes near its threshold is left to the
stepping from edge to edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.linear_algebra import expm
from loopdesign.orbit.stepping.sampling import even_samples

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Devices

FIRST, LONGEST = 32, 4096
"""Periods that are looked at first, and at most."""
NEAR = 2.0
"""Times the change between samples by which a guard must stay away from zero for a period to be passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """Periods without a pulse: how many, the states (periods+1,n) at their clocks, output and control voltage [V]."""

    periods: int
    clocks: NDArray[np.float64]
    mean: float
    lowest: float
    highest: float
    control: float

    @property
    def x(self) -> NDArray[np.float64]:
        """State (n,) at the end [unitless]."""
        end: NDArray[np.float64] = self.clocks[-1]
        return end


class Pauses:
    """Passes pauses of one stepper; inputs must not change meanwhile.

    Parameters
    ----------
    stepper
        The converter.
    """

    def __init__(self, stepper: CycleStepper) -> None:
        self.stepper = stepper
        self.look = FIRST
        self._known: dict[Devices, _Idle] = {}

    def passed(self, x: NDArray[np.float64], devices: Devices) -> Pause | None:
        """Pass as many skipped periods as there are, from a state just before a clock.

        Parameters
        ----------
        x
            Normalised state (n,) [unitless].
        devices
            Which devices conduct.

        Returns
        -------
        Pause or None
            None where the next period has to be stepped.
        """
        if devices.switch or devices.diode or self.stepper.armed_at or self.stepper.commutes:
            return None
        idle = self._known.get(devices)
        if idle is None:
            idle = self._known[devices] = _Idle(self.stepper, devices)
        pause = idle.passed(x, self.look)
        if pause is None:
            self.look = FIRST
        else:
            self.look = min(2 * self.look, LONGEST) if pause.periods == self.look else FIRST
        return pause


class _Idle:
    """The network without a conducting switch or rectifier: maps over a period and over parts of it."""

    def __init__(self, stepper: CycleStepper, devices: Devices) -> None:
        setting = stepper.setting(devices)
        piece, n = setting.piece, len(setting.piece.A)
        flow = np.zeros((n + 1, n + 1))
        flow[:n, :n], flow[:n, n] = piece.A, piece.b
        self.delayed = stepper.delay > 0.0
        even = even_samples(np.linalg.eigvals(piece.A).astype(complex))
        self.parts = expm(flow * (np.arange(even) / even)[:, None, None])
        self.power = [expm(flow)]
        on = stepper.setting(devices.set(switch=True, diode=stepper.stage.while_closed)).piece
        comparators = slice(on.count - 1 - stepper.comparators, on.count - 1)
        self.tripped = np.column_stack([on.rows[comparators], on.offsets[comparators]])
        self.guards = np.column_stack([piece.rows[:-1], piece.offsets[:-1]])
        self.output = np.append(piece.rows[-1], piece.offsets[-1])
        k = stepper.network.output_index(stepper.logical["v(control)"])
        self.control = np.append(setting.c.C[0, k], setting.c.D[0, k] @ stepper.drive(devices))

    def clocks(self, x: NDArray[np.float64], count: int) -> NDArray[np.float64]:
        """States with their constant (n+1,K+1) at the clocks."""
        states, step = np.append(x, 1.0)[:, None], 0
        while states.shape[1] <= count:
            if step == len(self.power):
                self.power.append(self.power[-1] @ self.power[-1])
            states = np.concatenate([states, self.power[step] @ states], axis=1)
            step += 1
        return states[:, : count + 1]

    def passed(self, x: NDArray[np.float64], count: int) -> Pause | None:
        """Pass at most ``count`` periods; None where the first has a pulse or a device near its threshold."""
        states = self.clocks(x, count)
        skipped = (self.tripped @ states[:, :-1]).max(axis=0) >= 0.0
        if self.delayed:  # a delay leaves a pulse unless the control voltage asks for none
            skipped &= self.control @ states[:, :-1] <= 0.0
        number = int(np.argmin(skipped)) if not skipped.all() else count
        if not number:
            return None
        inside = (self.parts @ states[:, :number]).transpose(1, 2, 0).reshape(len(states), -1)
        along = np.concatenate([inside, states[:, number : number + 1]], axis=1)
        if len(self.guards):
            value = self.guards @ along
            change = np.abs(np.diff(value, axis=1))
            near = value[:, 1:] + NEAR * change > 0.0
            near |= value[:, :-1] + NEAR * change > 0.0
            bad = np.flatnonzero(near.any(axis=0))
            number = number if not len(bad) else int(bad[0]) // len(self.parts)
            if not number:
                return None
            along = along[:, : number * len(self.parts) + 1]
        output, control = self.output @ along, self.control @ along
        weight = np.ones(len(output))
        weight[0] = weight[-1] = 0.5
        weight /= len(output) - 1
        return Pause(
            periods=number, clocks=states[:-1, : number + 1].T.copy(), mean=float(weight @ output),
            lowest=float(output.min()), highest=float(output.max()), control=float(weight @ control),
        )  # fmt: skip
