"""Buck: output below the input.

Source - switch - node ``a`` (diode from ground) - L1 - output. Duty to output has no right-half-plane zero.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.network.topologies.base import (
    OUTPUT,
    SUPPLY,
    StageValues,
    Topology,
    Value,
    devices,
    inductor,
    output_bank,
)

if TYPE_CHECKING:
    from loopdesign.network.elements import Element


def netlist(stage: StageValues) -> tuple[Element, ...]:
    """Build the power stage; the switch carries the inductor current while it conducts."""
    return (
        *devices(stage, (SUPPLY, "a"), ("0", "a")),
        inductor("L1", stage.L1, "a", OUTPUT),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = V / Vin``: Erickson, Maksimovic 2020, chapter 2."""
    return output_voltage / input_voltage


TOPOLOGY = Topology(name="buck", netlist=netlist, lossless_duty=lossless_duty)
