"""The whole network of a converter: source, input filter, power stage, load, and what drives the comparator.

With the loop open the control voltage is a source of its own. With the loop closed the compensation network joins the
netlist, an injection source sits between output and divider, and the reference is trimmed so that the average output
is the target.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.network.circuit import SwitchedNetwork, derive
from loopdesign.network.elements import Amplifier, CurrentSource, Element, Resistor, VoltageSource
from loopdesign.network.topologies.base import OUTPUT, SUPPLY, StageValues, Topology

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.modulator import Modulator

LoadKind = Literal["resistive", "current", "power"]
PROBES = ("v(out)", "i(switch)", "i(diode)", "v(control)", "i(line)")
SENSE = "sense"
"""Node on the divider side of the injection source; ``out`` is the output side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter:
    """A power stage at a batch of operating points, all of one kind.

    Attributes
    ----------
    topology, stage
        Topology and its part values; values scalar or (B,).
    period
        Switching period [s].
    input_voltage, output_voltage, load_current
        (B,) input [V], target average output [V], load current at that output [A].
    load
        ``resistive``, ``current`` or ``power``.
    synchronous
        True where the rectifier conducts whenever the switch does not.
    modulator
        Voltage mode or peak current mode.
    max_duty
        Largest duty [unitless].
    source
        Elements between node ``line`` and node ``supply``; empty joins the two.
    compensation
        Netlist from node ``sense`` to node ``control``; None leaves the loop open.
    """

    topology: Topology
    stage: StageValues
    period: float
    input_voltage: NDArray[np.float64]
    output_voltage: NDArray[np.float64]
    load_current: NDArray[np.float64]
    load: LoadKind
    synchronous: bool
    modulator: Modulator
    max_duty: float
    source: tuple[Element, ...] = ()
    compensation: tuple[Element, ...] | None = None

    @property
    def trim(self) -> str:
        """Input left free at the operating point."""
        return "control" if self.compensation is None else "reference"

    def closed(self, compensation: tuple[Element, ...]) -> Converter:
        """Close the loop through a compensation network."""
        return replace(self, compensation=compensation)


def netlist(converter: Converter) -> tuple[Element, ...]:
    """List every element of the converter's network."""
    line = "line" if converter.source else SUPPLY
    parts: list[Element] = [VoltageSource(name="line", a=line, b="0"), *converter.source]
    parts += converter.topology.netlist(converter.stage)
    parts += _load(converter)
    if converter.compensation is None:
        parts.append(VoltageSource(name="control", a="control", b="0"))
    else:
        # the load current is all that leaves the stage, the divider's microamperes included: hence the buffer
        parts.append(VoltageSource(name="injection", a=OUTPUT, b="divider_side"))
        parts.append(Amplifier(name="sensing", a=SENSE, b="0", plus="divider_side", minus="0", gain=1.0))
        parts += converter.compensation
    return tuple(parts)


def _load(converter: Converter) -> list[Element]:
    """Load elements; the current source is always there, as the input for load steps and output impedance."""
    sink = CurrentSource(name="load", a=OUTPUT, b="0")
    with np.errstate(divide="ignore"):
        resistance = converter.output_voltage / np.asarray(converter.load_current, float)
    if converter.load == "current":
        return [sink]
    if converter.load == "power":
        resistance = -resistance
    return [sink, Resistor(name="load_resistance", a=OUTPUT, b="0", resistance=resistance)]


def sink_current(converter: Converter) -> NDArray[np.float64]:
    """Return the current [A] of the load's sink at the operating point: all, none or twice the load current."""
    factor = {"resistive": 0.0, "current": 1.0, "power": 2.0}[converter.load]
    return factor * np.asarray(converter.load_current, float)


def network(converter: Converter, probes: tuple[str, ...] = PROBES) -> SwitchedNetwork:
    """Derive the switched network: on, off and idle intervals.

    Parameters
    ----------
    converter
        What to derive.
    probes
        Outputs; the standard ones first.

    Returns
    -------
    SwitchedNetwork
        With three configurations; idle equals off for a synchronous rectifier.

    Raises
    ------
    CircuitError
        For an ideal capacitor loop or a floating node.
    """
    rows = (*probes, "v(sense)") if converter.compensation is not None else probes
    on, off = frozenset({"switch"}), frozenset({"diode"})
    idle = off if converter.synchronous else frozenset[str]()
    return derive(
        netlist(converter), (on, off, idle), rows, period=np.full(len(converter.input_voltage), converter.period)
    )


def dc_inputs(converter: Converter, switched: SwitchedNetwork) -> NDArray[np.float64]:
    """Bias of every input (B,p); the trim input is left at zero."""
    values = {
        "line": converter.input_voltage,
        "load": sink_current(converter),
        "diode": converter.stage.diode_drop,
    }
    inputs = np.zeros((len(converter.input_voltage), len(switched.inputs)))
    for i, name in enumerate(switched.inputs):
        inputs[:, i] = values.get(name, 0.0)
    return inputs
