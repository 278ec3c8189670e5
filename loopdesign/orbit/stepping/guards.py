"""Guards of a motion on probes of its network, and the devices that clamp the control voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.network.elements import GROUND, Amplifier, Diode, Element
from loopdesign.orbit.stepping.devices import Action, ControlLimits, Guard

if TYPE_CHECKING:
    from loopdesign.network.circuit import SwitchedNetwork

CLAMP_RESISTANCE = 1.0
"""On-resistance of a control-pin clamp [ohm]: a millivolt at the most an amplifier delivers."""


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
