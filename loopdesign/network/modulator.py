"""The comparator that ends the on-time: voltage mode and peak current mode.

The clock turns the switch on. The comparator turns it off where the threshold function

    g(theta) = sensed + ramp theta - v(control)

rises through zero; ``theta`` is time since the clock in periods. Natural sampling. Turn-off delay and blanking act on
the edge and not on this function; the orbit and the stepping know them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.batch import take

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.circuit import SwitchedNetwork


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageMode:
    """Compare the control voltage with a ramp from 0 to ``ramp`` [V] over one period."""

    ramp: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakCurrentMode:
    """Compare the control voltage with sensed switch current plus a compensating ramp.

    Attributes
    ----------
    sense_gain
        Volts at the comparator per ampere in the switch [V/A].
    slope
        Compensating ramp ``Se`` at the comparator [V/s].
    """

    sense_gain: float | NDArray[np.float64]
    slope: float | NDArray[np.float64]


Modulator = VoltageMode | PeakCurrentMode


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """Threshold function in the normalised states of the on-interval.

    ``g = row_state x + row_input u + ramp theta`` [V]; shapes (B,n), (B,p), (B,). ``sensed_state`` (B,n) and
    ``sensed_input`` (B,p) are the sensed signal alone (zero in voltage mode).
    """

    row_state: NDArray[np.float64]
    row_input: NDArray[np.float64]
    ramp: NDArray[np.float64]
    sensed_state: NDArray[np.float64]
    sensed_input: NDArray[np.float64]

    def take(self, items: NDArray[np.intp]) -> Threshold:
        """Keep some items of the batch, in the order given."""
        return take(self, items, len(self.ramp))


def threshold(
    modulator: Modulator, network: SwitchedNetwork, configuration: int = 0, *, sensed: str = "i(switch)"
) -> Threshold:
    """Write the comparator's threshold for a network with probes of the sensed current and ``v(control)``.

    Parameters
    ----------
    modulator
        Voltage mode or peak current mode.
    network
        Switched network.
    configuration
        One of its configurations in which the switch conducts.
    sensed
        Probe of the current that the comparator sees.

    Returns
    -------
    Threshold
        Rows over the batch.
    """
    on = network.configurations[configuration]
    control = network.output_index("v(control)")
    if isinstance(modulator, VoltageMode):
        gain = np.zeros(len(network.period))
        ramp = np.broadcast_to(np.asarray(modulator.ramp, float), network.period.shape)
    else:
        gain = np.broadcast_to(np.asarray(modulator.sense_gain, float), network.period.shape)
        ramp = np.asarray(modulator.slope, float) * network.period
    switch = network.output_index(sensed)
    sensed_state = gain[:, None] * on.C[:, switch]
    sensed_input = gain[:, None] * on.D[:, switch]
    return Threshold(
        row_state=sensed_state - on.C[:, control],
        row_input=sensed_input - on.D[:, control],
        ramp=ramp,
        sensed_state=sensed_state,
        sensed_input=sensed_input,
    )
