"""Flyback: a transformer that stores energy in its magnetising inductance, with primary and secondary on one ground.

Source - primary winding resistance - L1 across the ideal primary - node ``a`` (switch to ground). Secondary - its
winding resistance - diode - output. Each winding resistance carries the current of its own winding only. For the loop
it does not matter that the grounds are joined here: the ideal transformer carries no common current.

Without a leakage in the case both windings are coupled perfectly: the clamp that takes the leakage's energy, its loss,
and the delay while the current changes windings are left out. With a leakage of a few percent of L1 the duty and the dc
gain are then off by about as many percent.

With a leakage it lies between primary winding resistance and ideal primary, all of it on the primary side, and a clamp
takes its energy: node ``a`` - diode Dc - Rc in parallel with Cc - supply. At the clock the secondary carries on until
the leakage current has risen to the magnetising current, and magnetises nothing that long; at the turn-off the leakage
current falls to zero through Dc, and the rest of the magnetising current moves to the secondary. Capacitance of
windings, switch and diodes is left out: nothing rings, and the switch sees no more than supply and clamp.
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

from loopdesign.network.elements import Capacitor, Diode, Inductor, Resistor, Transformer
from loopdesign.network.places import SwitchingDevices
from loopdesign.network.topologies.base import (
    OUTPUT,
    SUPPLY,
    Example,
    FirstInductor,
    InductorValue,
    LosslessLoad,
    RegisteredTopology,
    StageValues,
    Topology,
    Value,
    devices,
    inductor,
    output_bank,
    stored_energy_duty,
)

if TYPE_CHECKING:
    from loopdesign.network.elements import Element


def netlist(stage: StageValues) -> tuple[Element, ...]:
    """Build the power stage; the switch carries the magnetising current while it conducts."""
    return _around(stage, "primary", ())


def netlist_with_leakage(stage: StageValues) -> tuple[Element, ...]:
    """Build the power stage with leakage and clamp; the switch carries the current of the leakage."""
    if stage.leakage is None or stage.clamp is None:
        raise ValueError("this stage needs a leakage and its clamp")
    clamp = stage.clamp
    return _around(
        stage,
        "winding",
        (
            Inductor(name="leakage", a="primary", b="winding", inductance=stage.leakage),
            Diode(name="Dc", a="a", b="clamp", resistance=clamp.diode_resistance),
            Resistor(name="Rc", a="clamp", b=SUPPLY, resistance=clamp.resistance),
            Capacitor(name="Cc", a="clamp", b=SUPPLY, capacitance=clamp.capacitance),
        ),
    )


def _around(stage: StageValues, winding: str, more: tuple[Element, ...]) -> tuple[Element, ...]:
    """Build the stage around an ideal primary from a node to node ``a``, with further elements on the primary side."""
    return (
        Resistor(name="Rprimary", a=SUPPLY, b="primary", resistance=stage.L1.resistance),
        *more,
        inductor("L1", InductorValue(inductance=stage.L1.inductance), winding, "a"),
        Transformer(name="transformer", a=winding, b="a", c="0", d="secondary", turns=stage.turns),
        Resistor(name="Rsecondary", a="secondary", b="rectifier", resistance=stage.secondary_resistance),
        *devices(stage, ("a", "0"), ("rectifier", OUTPUT)),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, turns: Value) -> Value:
    """``D = V / (V + n Vin)`` with n secondary over primary: Erickson, Maksimovic 2020, chapter 6."""
    return output_voltage / (output_voltage + turns * input_voltage)


def rhp_zero_rule(duty: Value, load_resistance: Value, stage: StageValues) -> Value:
    """``D'^2 R / (2 pi D n^2 L1)``: the buck-boost's, with L1 reflected to the secondary."""
    reflected = stage.L1.inductance * stage.turns**2
    return (1.0 - duty) ** 2 * load_resistance / (2.0 * pi * duty * reflected)


def first_inductor(load: LosslessLoad) -> FirstInductor:
    """Return the magnetising inductance seen from the primary: input current plus the load's, reflected."""
    average = load.input_current + load.turns * load.output_current
    off = load.output_voltage / load.turns
    return FirstInductor(on_voltage=load.input_voltage, off_voltage=off, average=average)


TOPOLOGY = RegisteredTopology(
    name="flyback",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=stored_energy_duty,
    first_inductor=first_inductor,
    stage_table="transformer",
    example=Example(
        title="Isolated wave-radar supply",
        switching_frequency="130 kHz",
        input_voltage=("36 V", "48 V", "60 V"),
        output_voltage="12 V",
        output_current=("0.2 A", "1 A", "2 A"),
    ),
    rhp_zero_rule=rhp_zero_rule,
    rhp_zero_source=(
        "R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, Table 8.2 and 8.2.2"
    ),
    with_leakage=Topology(
        name="flyback",
        netlist=netlist_with_leakage,
        lossless_duty=lossless_duty,
        devices=SwitchingDevices(rectifiers=("diode", "Dc")),
        simpler=Topology(name="flyback", netlist=netlist, lossless_duty=lossless_duty),
    ),
)
