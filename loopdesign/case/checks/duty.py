"""The duty that a lossless converter needs.

Ideal duty cycles are those of R. W. Erickson, D. Maksimovic, *Fundamentals of Power Electronics*, 3rd ed., 2020,
chapters 2, 5 and 6. Losses only raise the duty a converter needs, so a lossless duty above the limit
proves the specification impossible; the exact operating point decides the rest.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from loopdesign.case.tables.stage import TwoInductorStage

if TYPE_CHECKING:
    from loopdesign.case.tables.demands import ConverterSection, Specification
    from loopdesign.case.tables.stage import StageSection


def ideal_duty(topology: str, input_voltage: float, output_voltage: float, *, turns: float = 1.0) -> float:
    """Return the duty of the lossless converter in continuous conduction.

    Parameters
    ----------
    topology : str
        Name of the topology.
    input_voltage, output_voltage : float
        Voltages, both positive [V].
    turns : float
        Secondary over primary turns of a flyback [unitless].

    Returns
    -------
    float
        Duty [unitless]; not below 1 where a buck cannot step up, not above 0 where a boost cannot step down.
    """
    if topology == "buck":
        return output_voltage / input_voltage
    if topology == "boost":
        return 1.0 - input_voltage / output_voltage
    return output_voltage / (output_voltage + turns * input_voltage)


def discontinuous_duty(converter: ConverterSection, specification: Specification, stage: StageSection) -> float:
    """Return the lossless duty in discontinuous conduction at the lowest line and the highest load.

    Parameters
    ----------
    converter, specification, stage
        Sections of the case.

    Returns
    -------
    float
        Duty by energy balance [unitless].
    """
    line, output = specification.input_voltage.lowest, specification.output_voltage
    power = output * specification.output_current.highest
    inductance = stage.L1.inductance
    if isinstance(stage, TwoInductorStage):
        other = stage.L2.inductance
        mutual = stage.coupling.nominal * math.sqrt(inductance * other)
        inductance = (inductance * other - mutual**2) / (inductance + other - 2 * mutual)
    stored = 2 * inductance * power * converter.switching_frequency  # (D Vin)^2 by energy balance
    if converter.topology == "boost":
        stored *= 1 - line / output
    if converter.topology == "buck":
        stored /= 1 - output / line
    return math.sqrt(stored) / line
