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
from loopdesign.network.elements import GROUND, Amplifier, CurrentSource, Diode, Element, Resistor, VoltageSource
from loopdesign.network.places import IDLE, OFF, ON
from loopdesign.network.topologies.base import OUTPUT, SUPPLY, StageValues, Topology, Value

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.modulator import Modulator

LoadKind = Literal["resistive", "current", "power", "voltage"]
SensePlace = Literal["after", "before"]
PROBES = ("v(out)", "v(regulated)", "i(switch)", "i(diode)", "v(control)", "i(line)", "v(forward)")
"""What every network shows: ``v(out)`` is the voltage across the load, ``v(regulated)`` what the feedback senses,
``v(forward)`` the voltage across the rectifier in its forward direction."""
SENSE = "sense"
"""Node on the feedback's side of the injection source."""
LOAD = "load"
"""Node of the load where an output filter stands between it and the output bank."""
SHUNT = "shunt"
"""Ground end of the load where a resistor there senses its current."""


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
    output_filter
        Elements between node ``out`` (the bank) and node ``load``; empty joins the two.
    filter_resistance
        Its dc resistance [ohm].
    sense
        Whether the feedback senses behind the output filter or on the bank; ``output_voltage`` is the average there.
    load_drop, load_resistance
        Drop [V] and resistance [ohm] in series of a ``voltage`` load.
    current_sense
        Resistance [ohm] at the ground end of the load whose voltage is regulated; None where the output voltage is.
    turn_off_delay
        From the comparator's trip to the opening of the switch [s].
    blanking
        Time after the clock for which the comparator is ignored [s].
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
    output_filter: tuple[Element, ...] = ()
    filter_resistance: Value = 0.0
    sense: SensePlace = "after"
    load_drop: Value = 0.0
    load_resistance: Value = 0.0
    current_sense: Value | None = None
    turn_off_delay: float = 0.0
    blanking: float = 0.0

    @property
    def trim(self) -> str:
        """Input left free at the operating point."""
        return "control" if self.compensation is None else "reference"

    @property
    def load_node(self) -> str:
        """Node the load draws its current from."""
        return LOAD if self.output_filter else OUTPUT

    @property
    def load_return(self) -> str:
        """Node the load's current returns to."""
        return GROUND if self.current_sense is None else SHUNT

    @property
    def regulated_node(self) -> str:
        """Node whose average the feedback holds."""
        if self.current_sense is not None:
            return SHUNT
        return self.load_node if self.sense == "after" else OUTPUT

    @property
    def regulated_level(self) -> NDArray[np.float64]:
        """(B,) average that the feedback holds at its node [V]."""
        if self.current_sense is not None:
            return np.asarray(self.load_current, float) * self.current_sense
        return np.asarray(self.output_voltage, float)

    @property
    def load_voltage(self) -> NDArray[np.float64]:
        """(B,) average voltage across the load [V]."""
        if self.sense == "before" and self.current_sense is None:
            return self.output_voltage - self.load_current * np.asarray(self.filter_resistance, float)
        return np.asarray(self.output_voltage, float)

    def plain(self) -> Converter:
        """Leave the loop open, and take a resistor for a load that is no resistance: the same point on safe ground."""
        load: LoadKind = "voltage" if self.load == "voltage" else "resistive"
        return replace(self, load=load, compensation=None, turn_off_delay=0.0, blanking=0.0)

    def closed(self, compensation: tuple[Element, ...]) -> Converter:
        """Close the loop through a compensation network."""
        return replace(self, compensation=compensation)


def netlist(converter: Converter) -> tuple[Element, ...]:
    """List every element of the converter's network."""
    line = "line" if converter.source else SUPPLY
    parts: list[Element] = [VoltageSource(name="line", a=line, b=GROUND), *converter.source]
    parts += converter.topology.netlist(converter.stage)
    parts += converter.output_filter
    parts += _load(converter)
    if converter.compensation is None:
        parts.append(VoltageSource(name="control", a="control", b=GROUND))
    else:
        # the load current is all that leaves the stage, the divider's microamperes included: hence the buffer
        parts.append(VoltageSource(name="injection", a=converter.regulated_node, b="divider_side"))
        parts.append(Amplifier(name="sensing", a=SENSE, b=GROUND, plus="divider_side", minus=GROUND, gain=1.0))
        parts += converter.compensation
    return tuple(parts)


def _load(converter: Converter) -> list[Element]:
    """Load elements; the current source is always there, as the input for load steps and output impedance."""
    a, b = converter.load_node, converter.load_return
    parts: list[Element] = [CurrentSource(name="load", a=a, b=b)]
    if converter.current_sense is not None:
        parts.append(Resistor(name="current_sense", a=SHUNT, b=GROUND, resistance=converter.current_sense))
    if converter.load == "voltage":
        parts.append(VoltageSource(name="load_drop", a=a, b="string"))
        parts.append(Resistor(name="load_resistance", a="string", b=b, resistance=converter.load_resistance))
    elif converter.load != "current":
        with np.errstate(divide="ignore"):
            resistance = converter.load_voltage / np.asarray(converter.load_current, float)
        resistance = -resistance if converter.load == "power" else resistance
        parts.append(Resistor(name="load_resistance", a=a, b=b, resistance=resistance))
    return parts


def sink_current(converter: Converter) -> NDArray[np.float64]:
    """Return the current [A] of the load's sink at the operating point: all, none or twice the load current."""
    factor = {"resistive": 0.0, "current": 1.0, "power": 2.0, "voltage": 0.0}[converter.load]
    return factor * np.asarray(converter.load_current, float)


def network(
    converter: Converter, probes: tuple[str, ...] = PROBES, *, configurations: tuple[int, ...] = (ON, OFF, IDLE)
) -> SwitchedNetwork:
    """Derive the switched network.

    Parameters
    ----------
    converter
        What to derive.
    probes
        Outputs; the standard ones first.
    configurations
        Which to derive, by their places; they keep these places, and one that is left out stands as the off-interval.
        With synchronous rectifiers nothing but on and off exists.

    Returns
    -------
    SwitchedNetwork
        Its configurations in these places.

    Raises
    ------
    CircuitError
        For an ideal capacitor loop or a floating node.
    """
    devices = converter.topology.devices
    shown = (*devices.probes, *(output_probe(name) for name in converter.topology.outputs))
    rows = (*probes, *(p for p in shown if p not in probes))
    rows = (*rows, "v(sense)") if converter.compensation is not None else rows
    elements = netlist(converter)
    physical = [physical_probe(converter, elements, p) for p in rows]
    wanted = sorted(set(configurations) & {ON, OFF}) if converter.synchronous else sorted(set(configurations))
    period = np.full(len(converter.input_voltage), converter.period)
    derived = derive(
        elements, [devices.conducting(k) for k in wanted], physical, period=period, series=not devices.plain
    )
    place = dict(zip(wanted, derived.configurations, strict=True))
    count = max(2, *(k + 1 for k in wanted))
    return replace(derived, outputs=rows, configurations=tuple(place.get(k, place[OFF]) for k in range(count)))


def physical_probe(converter: Converter, elements: tuple[Element, ...], probe: str) -> str:
    """Probe of the netlist behind one of the names every network shows."""
    if probe == "v(out)":
        back = converter.load_return
        return f"v({converter.load_node})" if back == GROUND else f"v({converter.load_node},{back})"
    if probe == "v(regulated)":
        return f"v({converter.regulated_node})"
    return _stage_probes(converter.topology, elements).get(probe, probe)


def _stage_probes(topology: Topology, elements: tuple[Element, ...]) -> dict[str, str]:
    """Probes of the netlist by the names under which switch, rectifiers and further outputs are shown."""
    devices, diodes = topology.devices, {e.name: e for e in elements if isinstance(e, Diode)}
    found = {"i(switch)": f"i({devices.sensed})"}
    if not devices.rectifiers:  # nothing asks what does not exist
        found |= dict.fromkeys(("i(diode)", "v(forward)"), f"i({devices.sensed})")
    for k, name in enumerate(devices.rectifiers):
        found[devices.current(k)] = f"i({name})"
        found[devices.forward(k)] = f"v({diodes[name].a},{diodes[name].b})"
    return found | {output_probe(name): f"v({a},{b})" for name, (a, b) in topology.outputs.items()}


def output_probe(name: str) -> str:
    """Return the probe of a further output's voltage [V]."""
    return f"v(output {name})"


def output_sink(name: str) -> str:
    """Return the input that draws a current from a further output [A]."""
    return f"load {name}"


def output_resistor(name: str) -> str:
    """Return the element that is the resistive load of a further output."""
    return f"{name} resistance"


def dc_inputs(converter: Converter, switched: SwitchedNetwork) -> NDArray[np.float64]:
    """Bias of every input (B,p); the trim input is left at zero."""
    values = {
        "line": converter.input_voltage,
        "load": sink_current(converter),
        "load_drop": converter.load_drop,
        "diode": converter.stage.diode_drop,
        **converter.stage.inputs,
    }
    inputs = np.zeros((len(converter.input_voltage), len(switched.inputs)))
    for i, name in enumerate(switched.inputs):
        inputs[:, i] = values.get(name, 0.0)
    return inputs
