"""Flyback: a transformer that stores energy in its magnetising inductance, with primary and secondary on one ground.

Source - primary winding resistance - L1 across the ideal primary - node ``a`` (switch to ground). Secondary - its
winding resistance - diode - output. Each winding resistance carries the current of its own winding only. For the loop
it does not matter that the grounds are joined here: the ideal transformer carries no common current.

Leakage is not modelled: both windings are coupled perfectly, so the clamp that takes the leakage's energy (R-C-D or
other), its loss, and the delay while the current changes windings are left out. With a leakage of a few percent of L1
the duty and the dc gain are off by about as many percent; the ringing lies far above the loop.
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

from loopdesign.network.elements import Resistor, Transformer
from loopdesign.network.topologies.base import (
    OUTPUT,
    SUPPLY,
    Example,
    FirstInductor,
    InductorValue,
    LosslessLoad,
    RegisteredTopology,
    StageValues,
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
    return (
        Resistor(name="Rprimary", a=SUPPLY, b="primary", resistance=stage.L1.resistance),
        inductor("L1", InductorValue(inductance=stage.L1.inductance), "primary", "a"),
        Transformer(name="transformer", a="primary", b="a", c="0", d="secondary", turns=stage.turns),
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
)
