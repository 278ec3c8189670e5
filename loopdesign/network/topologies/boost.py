"""Boost: output above the input.

Source - L1 - node ``a`` (switch to ground) - diode - output.
"""

from __future__ import annotations

from math import pi
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
        inductor("L1", stage.L1, SUPPLY, "a"),
        *devices(stage, ("a", "0"), ("a", OUTPUT)),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = 1 - Vin / V``: Erickson, Maksimovic 2020, chapter 2."""
    return 1.0 - input_voltage / output_voltage


def rhp_zero_rule(duty: Value, load_resistance: Value, stage: StageValues) -> Value:
    """``D'^2 R / (2 pi L1)``: exact for the lossless stage with a resistive load in continuous conduction."""
    return (1.0 - duty) ** 2 * load_resistance / (2.0 * pi * stage.L1.inductance)


TOPOLOGY = Topology(
    name="boost",
    netlist=netlist,
    lossless_duty=lossless_duty,
    rhp_zero_rule=rhp_zero_rule,
    rhp_zero_source="R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, Table 8.2",
)
