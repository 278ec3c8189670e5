"""SEPIC: output above or below the input, with separate or coupled inductors.

Source - L1 - node ``a`` (switch to ground) - Cs - node ``b`` (L2 from ground) - diode - output.
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

from loopdesign.network.topologies.base import (
    OUTPUT,
    SUPPLY,
    Example,
    RegisteredTopology,
    StageValues,
    Value,
    coupled_pair,
    coupling_capacitor,
    devices,
    input_carrying_inductor,
    output_bank,
    stored_energy_duty,
)

if TYPE_CHECKING:
    from loopdesign.network.elements import Element


def netlist(stage: StageValues) -> tuple[Element, ...]:
    """Build the power stage; the current of L2 flows from ground, so that the switch carries the sum of both."""
    return (
        *coupled_pair(stage, (SUPPLY, "a"), ("0", "b")),
        *coupling_capacitor(stage, "a", "b"),
        *devices(stage, ("a", "0"), ("b", OUTPUT)),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = V / (V + Vin)``: common practice; Erickson, Maksimovic 2020, chapter 6."""
    return output_voltage / (output_voltage + input_voltage)


def rhp_zero_rule(duty: Value, load_resistance: Value, stage: StageValues) -> Value:
    """``(D'/D)^2 R / (2 pi L1)``: exact for the stage without its coupling capacitor only."""
    return ((1.0 - duty) / duty) ** 2 * load_resistance / (2.0 * pi * stage.L1.inductance)


TOPOLOGY = RegisteredTopology(
    name="sepic",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=stored_energy_duty,
    first_inductor=input_carrying_inductor,
    stage_table="two inductors",
    example=Example(
        title="Tide-gauge logger supply",
        switching_frequency="330 kHz",
        input_voltage=("8 V", "13 V", "30 V"),
        output_voltage="15 V",
        output_current=("0.1 A", "0.5 A", "1.5 A"),
    ),
    rhp_zero_rule=rhp_zero_rule,
    rhp_zero_source="R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, Eq. 16.48",
)
