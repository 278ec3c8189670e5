"""Buck: output below the input.

Source - switch - node ``a`` (diode from ground) - L1 - output. Duty to output has no right-half-plane zero.
"""

from __future__ import annotations

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
        *devices(stage, (SUPPLY, "a"), ("0", "a")),
        inductor("L1", stage.L1, "a", OUTPUT),
        *output_bank(stage.Co),
    )


def lossless_duty(input_voltage: Value, output_voltage: Value, _turns: Value) -> Value:
    """``D = V / Vin``: Erickson, Maksimovic 2020, chapter 2."""
    return output_voltage / input_voltage


def discontinuous_duty(load: LosslessLoad) -> float:
    """Return the duty by energy balance: while the switch conducts the inductor sees ``Vin - V`` only.

    The source then gives ``(D T)^2 Vin (Vin - V) / (2 L)`` in a period: Erickson, Maksimovic 2020, chapter 5.
    """
    return stored_energy_duty(load, 1.0 / (1.0 - load.output_voltage / load.input_voltage))


def first_inductor(load: LosslessLoad) -> FirstInductor:
    """Return L1 between source and output: it carries the load current."""
    difference = load.input_voltage - load.output_voltage
    return FirstInductor(on_voltage=difference, off_voltage=load.output_voltage, average=load.output_current)


TOPOLOGY = RegisteredTopology(
    name="buck",
    netlist=netlist,
    lossless_duty=lossless_duty,
    discontinuous_duty=discontinuous_duty,
    first_inductor=first_inductor,
    stage_table="one inductor",
    example=Example(
        title="Buoy transmitter supply",
        switching_frequency="300 kHz",
        input_voltage=("9 V", "12 V", "16 V"),
        output_voltage="5 V",
        output_current=("0.5 A", "1 A", "3 A"),
        scheme="voltage",
    ),
    other_names=("step down",),
    conversion="steps down",
)
