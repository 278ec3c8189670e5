"""Error amplifier, divider and network as one linear system, from the same netlist that closes the exact loop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.compensation.response import compensator_response
from loopdesign.models.state_space import LinearSystem
from loopdesign.network.circuit import derive
from loopdesign.network.elements import GROUND, VoltageSource

if TYPE_CHECKING:
    import control
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from loopdesign.compensation.compensator import Divider, ErrorAmplifier, NetworkParts

TIME_UNIT = 1e-5
"""Unit of time [s] in which the netlist is derived; near the network's own times, and it drops out of the result."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compensator:
    """Describe everything between the sensed output and the comparator, with nominal parts.

    Attributes
    ----------
    amplifier : TransconductanceAmplifier, OperationalAmplifier or ShuntOptocoupler
        Error amplifier.
    divider : Divider
        Divider with its feed-forward capacitor.
    network_parts : NetworkParts
        Compensation network.
    """

    amplifier: ErrorAmplifier
    divider: Divider
    network_parts: NetworkParts

    def response(self, frequencies_hz: ArrayLike) -> NDArray[np.complex128]:
        """Evaluate C = -v(control)/v(sense) in closed form.

        Parameters
        ----------
        frequencies_hz : array_like (F,)
            Frequencies [Hz].

        Returns
        -------
        ndarray (F,)
            Response [unitless].
        """
        return compensator_response(self.amplifier, self.divider, self.network_parts, frequencies_hz)

    def system(self) -> LinearSystem:
        """Derive the state space from ``v(sense)`` to ``-v(control)``.

        Returns
        -------
        LinearSystem
            Its states are the voltages of the network's capacitors [V].

        Raises
        ------
        CircuitError
            Where capacitors form a loop without resistance.
        """
        netlist = (
            VoltageSource(name="sense", a="sense", b=GROUND),
            *compensator_netlist(self.amplifier, self.divider, self.network_parts),
        )
        network = derive(netlist, (frozenset(),), ("v(control)",), period=TIME_UNIT)
        only, scale = network.configurations[0], network.state_scale[0]
        source = network.input_index("sense")
        return LinearSystem(
            A=only.A[0] / scale[:, None] * scale[None, :] / TIME_UNIT,
            B=only.B[0, :, source] / scale / TIME_UNIT,
            C=-only.C[0, 0] * scale,
            D=-float(only.D[0, 0, source]),
            states=network.states,
            input="v(sense)",
            output="-v(control)",
        )

    def to_control(self) -> control.StateSpace:
        """Convert to a state space of python-control, from ``v(sense)`` to ``-v(control)``.

        Returns
        -------
        control.StateSpace
            One input and one output.
        """
        return self.system().to_control()
