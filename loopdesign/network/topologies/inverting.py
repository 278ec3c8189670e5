"""Inverting buck-boost: a negative output above or below the input, reported as a positive one.

Source - switch - node ``a`` (L1 to ground) - diode - node ``negative``, whose sign the mirror turns.
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

from loopdesign.network.topologies.base import (
    NEGATIVE,
    SUPPLY,
    Example,
    FirstInductor,
    LosslessLoad,
    RegisteredTopology,
    StageValues,
    Value,
    devices,
    inductor,
    mirror,
    output_bank,
    stored_energy_duty,
)

if TYPE_CHECKING:
    from loopdesign.network.elements import Element


def netlist(stage: StageValues) -> tuple[Element, ...]:
    """Build the power stage as it is drawn, its negative output turned by the mirror."""
    return (
        *devices(stage, (SUPPLY, "a"), (NEGATIVE, "a")),
        inductor("L1", stage.L1, "a", "0"),
        mirror(),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = V / (V + Vin)`` with V the output's size: Erickson, Maksimovic 2020, chapter 2."""
    return output_voltage / (output_voltage + input_voltage)


def rhp_zero_rule(duty: Value, load_resistance: Value, stage: StageValues) -> Value:
    """``D'^2 R / (2 pi D L1)``: exact for the lossless stage with a resistive load in continuous conduction."""
    return (1.0 - duty) ** 2 * load_resistance / (2.0 * pi * duty * stage.L1.inductance)


def first_inductor(load: LosslessLoad) -> FirstInductor:
    """Return L1: it carries the input current while on and the load's while off, both together on average."""
    average = load.input_current + load.output_current
    return FirstInductor(on_voltage=load.input_voltage, off_voltage=load.output_voltage, average=average)


TOPOLOGY = RegisteredTopology(
    name="inverting",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=stored_energy_duty,
    first_inductor=first_inductor,
    stage_table="one inductor",
    example=Example(
        title="Hydrophone bias supply",
        switching_frequency="300 kHz",
        input_voltage=("9 V", "12 V", "16 V"),
        output_voltage="12 V",
        output_current=("0.1 A", "0.4 A", "0.8 A"),
    ),
    other_names=("buck boost", "buckboost", "inverting buck boost"),
    inverts=True,
    rhp_zero_rule=rhp_zero_rule,
    rhp_zero_source="R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, Table 8.2",
)
