"""Zeta: output above or below the input without inverting it, with separate or coupled inductors.

Source - switch - node ``a`` (L1 to ground) - Cs - node ``b`` (diode from ground) - L2 - output. Cs holds the output
voltage, positive at ``b``. Duty to output has a pair of zeros that may lie in the right half-plane; no rule of thumb
places it.
"""

from __future__ import annotations

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
    """Build the power stage; while it conducts the switch carries the sum of both inductor currents."""
    return (
        *devices(stage, (SUPPLY, "a"), ("0", "b")),
        *coupled_pair(stage, ("a", "0"), ("b", OUTPUT)),
        *coupling_capacitor(stage, "b", "a"),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = V / (V + Vin)``: volt-second balance of both inductors; Erickson, Maksimovic 2020, chapter 6."""
    return output_voltage / (output_voltage + input_voltage)


TOPOLOGY = RegisteredTopology(
    name="zeta",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=stored_energy_duty,
    first_inductor=input_carrying_inductor,
    stage_table="two inductors",
    example=Example(
        title="Current-meter mooring supply",
        switching_frequency="300 kHz",
        input_voltage=("8 V", "12 V", "20 V"),
        output_voltage="12 V",
        output_current=("0.1 A", "0.5 A", "1 A"),
    ),
)
