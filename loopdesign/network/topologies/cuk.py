"""Cuk: a negative output above or below the input, reported as a positive one; separate or coupled inductors.

Source - L1 - node ``a`` (switch to ground) - Cs - node ``b`` (diode to ground) - L2 - node ``negative``, whose sign
the mirror turns. Duty to output has a pair of zeros that may lie in the right half-plane; no rule of thumb places it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.network.topologies.base import (
    NEGATIVE,
    SUPPLY,
    Example,
    RegisteredTopology,
    StageValues,
    Value,
    coupled_pair,
    coupling_capacitor,
    devices,
    input_carrying_inductor,
    mirror,
    output_bank,
    stored_energy_duty,
)

if TYPE_CHECKING:
    from loopdesign.network.elements import Element


def netlist(stage: StageValues) -> tuple[Element, ...]:
    """Build the power stage as drawn; L2's current flows from the output, so that the switch carries the sum."""
    return (
        *coupled_pair(stage, (SUPPLY, "a"), (NEGATIVE, "b")),
        *coupling_capacitor(stage, "a", "b"),
        *devices(stage, ("a", "0"), ("b", "0")),
        mirror(),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = V / (V + Vin)`` with V the output's size: Erickson, Maksimovic 2020, chapter 2."""
    return output_voltage / (output_voltage + input_voltage)


TOPOLOGY = RegisteredTopology(
    name="cuk",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=stored_energy_duty,
    first_inductor=input_carrying_inductor,
    stage_table="two inductors",
    example=Example(
        title="Salinity probe negative supply",
        switching_frequency="300 kHz",
        input_voltage=("9 V", "12 V", "16 V"),
        output_voltage="12 V",
        output_current=("0.1 A", "0.5 A", "1 A"),
    ),
    other_names=("ćuk", "čuk"),
    inverts=True,
)
