"""Boost: output above the input.

Source - L1 - node ``a`` (switch to ground) - diode - output.
"""

from __future__ import annotations

from math import pi
from typing import TYPE_CHECKING

from loopdesign.network.topologies.base import (
    OUTPUT,
    SUPPLY,
    Example,
    FirstInductor,
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
    """Build the power stage; the switch carries the inductor current while it conducts."""
    return (
        inductor("L1", stage.L1, SUPPLY, "a"),
        *devices(stage, ("a", "0"), ("a", OUTPUT)),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = 1 - Vin / V``: Erickson, Maksimovic 2020, chapter 2."""
    return 1.0 - input_voltage / output_voltage


def discontinuous_duty(load: LosslessLoad) -> float:
    """Return the duty by energy balance: the source also feeds the load while the inductor empties.

    Of the load's energy the share ``1 - Vin / V`` has been in the store: Erickson, Maksimovic 2020, chapter 5.
    """
    return stored_energy_duty(load, 1.0 - load.input_voltage / load.output_voltage)


def rhp_zero_rule(duty: Value, load_resistance: Value, stage: StageValues) -> Value:
    """``D'^2 R / (2 pi L1)``: exact for the lossless stage with a resistive load in continuous conduction."""
    return (1.0 - duty) ** 2 * load_resistance / (2.0 * pi * stage.L1.inductance)


def first_inductor(load: LosslessLoad) -> FirstInductor:
    """Return L1 in series with the source: it carries the input current."""
    difference = load.output_voltage - load.input_voltage
    return FirstInductor(on_voltage=load.input_voltage, off_voltage=difference, average=load.input_current)


TOPOLOGY = RegisteredTopology(
    name="boost",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=discontinuous_duty,
    first_inductor=first_inductor,
    stage_table="one inductor",
    example=Example(
        title="Lighthouse lamp driver supply",
        switching_frequency="300 kHz",
        input_voltage=("9 V", "12 V", "16 V"),
        output_voltage="24 V",
        output_current=("0.1 A", "0.5 A", "1 A"),
    ),
    other_names=("step up",),
    conversion="steps up",
    rhp_zero_rule=rhp_zero_rule,
    rhp_zero_source="R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, Table 8.2",
)
