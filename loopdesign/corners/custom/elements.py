"""The elements of a stage of the user's own, with their values at a batch of corners.

Nodes keep the names the user gave them, but for the regulated output, which is `OUTPUT` for the engine, and for names
that filters, load and compensation use. A negative output is turned by the mirror, behind which its capacitors lie.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.case.tables import custom as tables
from loopdesign.corners.conditions import REFERENCE_TEMPERATURE, capacitor_value, inductor_value, warm
from loopdesign.network.converter import output_resistor, output_sink
from loopdesign.network.elements import (
    GROUND,
    Capacitor,
    Coupling,
    CurrentSource,
    Diode,
    Element,
    Inductor,
    Resistor,
    Switch,
    Transformer,
)
from loopdesign.network.places import SwitchingDevices
from loopdesign.network.topologies.base import OUTPUT, StageValues, Topology

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners, Value

RESERVED = frozenset({
    "line", "load", "control", "sense", "divider_side", "string", "shunt", "bridge", "filter_damper", "output_damper",
    "feedback", "reference", "amplifier", "cathode", "light", OUTPUT,
})  # fmt: skip
"""Nodes of what surrounds the stage; one of the user's of that name gets another."""


def node_name(stage: cases.CustomStage, node: str) -> str:
    """Name a node of the user's for the engine.

    Parameters
    ----------
    stage : CustomStage
        Table [stage] of the case.
    node : str
        As the case file has it.

    Returns
    -------
    str
        Node of the netlist.
    """
    if node == stage.output[0] and stage.output[1] == GROUND:
        return OUTPUT
    return f"stage {node}" if node in RESERVED else node


def custom_values(stage: cases.CustomStage, corners: Corners, bias: Mapping[str, NDArray[np.float64]]) -> StageValues:
    """Resolve every element at a batch of corners.

    Parameters
    ----------
    stage : CustomStage
        Table [stage] of the case.
    corners : Corners
        Operating conditions (B,), with factors such as ``L1.inductance`` or ``minus.current``.
    bias : mapping of str to ndarray (B,)
        Average voltage [V] of capacitors and current [A] of inductors by name; none where absent.

    Returns
    -------
    StageValues
        With the elements of the stage and the values of its own inputs.
    """
    bank = {c.name for c in stage.bank}
    mirrored = stage.output[0] == GROUND
    listed: list[Element] = []
    for given in stage.elements:
        if mirrored and given.name in bank:
            mirrored = False
            negative = node_name(stage, stage.output[1])
            listed.append(Transformer(name="mirror", a=negative, b=GROUND, c=OUTPUT, d=GROUND, turns=-1.0))
        listed.append(_element(stage, given, corners, bias))
    listed += [e for output in stage.outputs for e in _load(stage, output, corners)]
    inputs: dict[str, Value] = {e.name: drop(e, corners) for e in stage.rectifiers}
    for output in stage.outputs:
        if output.load == "current":
            inputs[output_sink(output.name)] = output.current.nominal * corners.factor(f"{output.name}.current")
    first = next(iter(stage.inductors.values()))
    return StageValues(
        L1=inductor_value(first, first.name, corners, bias),
        Co=tuple(capacitor_value(c, c.name, corners, bias) for c in stage.bank),
        switch_resistance=warm(stage.switch.resistance, stage.switch.temperature_coefficient, corners),
        diode_resistance=0.0,
        diode_drop=0.0,
        elements=tuple(listed),
        inputs=inputs,
    )


def custom_topology(stage: cases.CustomStage, while_closed: int, while_open: int) -> Topology:
    """State the topology of a stage of the user's own.

    Parameters
    ----------
    stage : CustomStage
        Table [stage] of the case.
    while_closed, while_open : int
        Rectifiers that ordinarily conduct while the controlled switch is closed and while it is open, as bits
        [unitless].

    Returns
    -------
    Topology
        Its netlist is the list of elements.
    """
    return Topology(
        name="custom",
        netlist=_listed,
        lossless_duty=_unknown,
        devices=SwitchingDevices(
            switch=stage.switch.name,
            sensed=stage.sensed,
            followers=tuple(s.name for s in stage.of_kind(tables.SwitchElement) if s.drive == "follows"),
            complements=tuple(s.name for s in stage.of_kind(tables.SwitchElement) if s.drive == "complement"),
            rectifiers=tuple(r.name for r in stage.rectifiers),
            while_closed=while_closed,
            while_open=while_open,
        ),
        outputs={o.name: tuple(node_name(stage, n) for n in o.between) for o in stage.outputs},  # type: ignore[misc]
    )


def _listed(stage: StageValues) -> tuple[Element, ...]:
    return stage.elements


def _unknown(_line: Value, _output: Value, _turns: Value) -> Value:
    return float("nan")


def drop(diode: cases.DiodeEntry, corners: Corners) -> Value:
    """Return the forward drop [V] of a rectifier at the corners' temperature, never below zero.

    Parameters
    ----------
    diode : DiodeEntry
        The rectifier.
    corners : Corners
        Operating conditions (B,).

    Returns
    -------
    float or ndarray (B,)
        A number where it does not depend on temperature [V].
    """
    if not diode.drop_temperature_coefficient:
        return diode.drop
    change = diode.drop_temperature_coefficient * (corners.temperature - REFERENCE_TEMPERATURE)
    return np.maximum(diode.drop + change, 0.0)


def _element(  # noqa: PLR0911  (one return for each kind)
    stage: cases.CustomStage,
    given: tables.AnyElement,
    corners: Corners,
    bias: Mapping[str, NDArray[np.float64]],
) -> Element:
    """Return one element with its value at the corners."""
    name = given.name
    if isinstance(given, tables.CouplingElement):
        coefficient = given.coefficient.nominal * corners.factor(name)
        return Coupling(name=name, first=given.of[0], second=given.of[1], coefficient=coefficient)
    if isinstance(given, tables.TransformerElement):
        a, b, c, d = (node_name(stage, n) for n in (*given.primary, *given.secondary))
        return Transformer(name=name, a=a, b=b, c=c, d=d, turns=given.turns)
    a, b = (node_name(stage, n) for n in given.between)
    match given:
        case tables.InductorElement():
            coil = inductor_value(given, name, corners, bias)
            return Inductor(name=name, a=a, b=b, inductance=coil.inductance, resistance=coil.resistance)
        case tables.CapacitorElement():
            if set(given.between) == set(stage.output):
                a, b = OUTPUT, GROUND
            value = capacitor_value(given, name, corners, bias)
            return Capacitor(name=name, a=a, b=b, capacitance=value.capacitance, esr=value.esr)
        case tables.ResistorElement():
            ohm = warm(given.resistance, given.temperature_coefficient, corners)
            return Resistor(name=name, a=a, b=b, resistance=ohm * corners.factor(f"{name}.resistance"))
        case tables.SwitchElement():
            on = warm(given.resistance, given.temperature_coefficient, corners)
            return Switch(name=name, a=a, b=b, resistance=on * corners.factor(f"{name}.resistance"))
        case tables.RectifierElement():
            on = warm(given.resistance, given.temperature_coefficient, corners)
            return Diode(name=name, a=a, b=b, resistance=on * corners.factor(f"{name}.resistance"))


def _load(stage: cases.CustomStage, output: tables.OutputEntry, corners: Corners) -> list[Element]:
    """Load of a further output; its current source is always there, as the input for its output impedance."""
    a, b = (node_name(stage, n) for n in output.between)
    parts: list[Element] = [CurrentSource(name=output_sink(output.name), a=a, b=b)]
    if output.load == "resistive":
        current = output.current.nominal * corners.factor(f"{output.name}.current")
        parts.append(Resistor(name=output_resistor(output.name), a=a, b=b, resistance=output.voltage / current))
    return parts
