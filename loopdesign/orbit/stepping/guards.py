"""Guards of a motion on probes of its network, and the devices that clamp the control voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.elements import GROUND, Amplifier, Diode, Element
from loopdesign.network.modulator import threshold
from loopdesign.orbit.stepping.devices import Action, ControlLimits, Guard

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from loopdesign.network.circuit import SwitchedNetwork
    from loopdesign.network.converter import Converter
    from loopdesign.network.elements import Transconductor
    from loopdesign.orbit.stepping.devices import Devices
    from loopdesign.orbit.stepping.knee import LoadKnee

CLAMP_RESISTANCE = 1.0
"""On-resistance of a control-pin clamp [ohm]: a millivolt at the most an amplifier delivers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watchman:
    """What guards of a converter are made of.

    Attributes
    ----------
    converter
        Batch of one.
    limits
        What bounds the controller.
    amplifier
        The amplifier, where its output current is limited.
    clamps, clamp_node
        Clamp devices by side, and the node they act on.
    probes
        Probes of the netlist by the names every network shows.
    knee
        Below which voltage the load draws less.
    """

    converter: Converter
    limits: ControlLimits
    amplifier: Transconductor | None
    clamps: Mapping[int, Diode]
    clamp_node: str
    probes: Mapping[str, str]
    knee: LoadKnee | None = None

    def guards(self, network: SwitchedNetwork, devices: Devices) -> list[Guard]:
        """List what may end a motion; the comparators come last, so that they can be left out.

        Parameters
        ----------
        network : SwitchedNetwork
            Network of the set of devices.
        devices : Devices
            The set.

        Returns
        -------
        list of Guard
            Controller, rectifiers, comparators.
        """
        return [
            *self._controller_guards(network, devices),
            *self._load_guards(network, devices),
            *self._rectifier_guards(network, devices),
            *self._comparator_guards(network, devices),
        ]

    def _controller_guards(self, network: SwitchedNetwork, devices: Devices) -> Iterator[Guard]:
        """Limits of the error amplifier."""
        if self.amplifier is not None:
            gm, most = float(np.ravel(self.amplifier.gm)[0]), self.limits.output_current or 0.0
            if devices.amplifier:
                yield guard_on(network, "limit", 0, -devices.amplifier * gm, "v(reference,feedback)", most)
            else:
                yield guard_on(network, "limit", 1, gm, "v(reference,feedback)", -most)
                yield guard_on(network, "limit", -1, -gm, "v(reference,feedback)", -most)
        if devices.clamp:
            yield guard_on(network, "clamp", 0, -1.0, f"i({self.clamps[devices.clamp].name})", 0.0)
            return
        for side, bound in ((1, self.limits.highest), (-1, self.limits.lowest)):
            if side in self.clamps and bound is not None:
                yield guard_on(network, "clamp", side, side, f"v({self.clamp_node})", -side * bound)

    def _load_guards(self, network: SwitchedNetwork, devices: Devices) -> Iterator[Guard]:
        """Knee of the load, from either side."""
        if self.knee is not None:
            sign = -1.0 if devices.load else 1.0
            probe = self.probes["v(out)"]
            yield guard_on(network, "load", 1 - devices.load, sign, probe, -sign * self.knee.threshold)

    def _rectifier_guards(self, network: SwitchedNetwork, devices: Devices) -> Iterator[Guard]:
        """End and start of every rectifier's conduction; a synchronous one only follows the switch."""
        stage = self.converter.topology.devices
        if self.converter.synchronous:
            return
        for number, name in enumerate(stage.rectifiers):
            if devices.diode >> number & 1:
                yield guard_on(network, "diode off", number, -1.0, f"i({name})", 0.0)
                continue
            c, k = network.configurations[0], network.output_index(self.probes[stage.forward(number)])
            row = c.D[0, k].copy()
            row[network.input_index(name)] -= 1.0
            yield Guard("diode on", number, c.C[0, k], row)

    def _comparator_guards(self, network: SwitchedNetwork, devices: Devices) -> Iterator[Guard]:
        """List what ends the on-time."""
        if not devices.switch:
            return
        th = threshold(self.converter.modulator, network, sensed=self.probes["i(switch)"])
        if self.limits.current_limit is not None:
            yield Guard("current limit", 0, th.sensed_state[0], th.sensed_input[0], -self.limits.current_limit)
        yield Guard("trip", 0, th.row_state[0], th.row_input[0], 0.0, float(th.ramp[0]))


def guard_on(network: SwitchedNetwork, action: Action, value: int, sign: float, probe: str, constant: float) -> Guard:
    """Guard on a probe of the network, times a sign, plus a constant.

    Parameters
    ----------
    network : SwitchedNetwork
        Network of the set of devices.
    action : str
        What happens where the guard trips.
    value : int
        Which side or which rectifier it concerns [unitless].
    sign : float
        Factor on the probe [unitless, or S].
    probe : str
        Name of an output of the network.
    constant : float
        What is added [V], [A].

    Returns
    -------
    Guard
        Trips where it rises through zero.
    """
    c, k = network.configurations[0], network.output_index(probe)
    return Guard(action, value, sign * c.C[0, k], sign * c.D[0, k], constant)


def clamp_devices(elements: tuple[Element, ...], limits: ControlLimits) -> dict[int, Diode]:
    """List clamp devices by side, at the control pin or inside an operational amplifier.

    Parameters
    ----------
    elements : tuple of Element
        The closed loop.
    limits : ControlLimits
        What bounds the controller.

    Returns
    -------
    dict of int to Diode
        1 for the highest control voltage, -1 for the lowest [unitless].
    """
    node = clamp_node(elements)
    found = {}
    if limits.highest is not None:
        found[1] = Diode(name="clamp high", a=node, b=GROUND, resistance=CLAMP_RESISTANCE)
    if limits.lowest is not None:
        found[-1] = Diode(name="clamp low", a=GROUND, b=node, resistance=CLAMP_RESISTANCE)
    return found


def clamp_node(elements: tuple[Element, ...]) -> str:
    """Name the node a clamp acts on: ahead of the buffer of an operational amplifier that drives the control pin.

    Parameters
    ----------
    elements : tuple of Element
        The closed loop.

    Returns
    -------
    str
        The node.
    """
    buffered = any(isinstance(e, Amplifier) and e.name == "amplifier buffer" and e.a == "control" for e in elements)
    return "amplifier" if buffered else "control"
