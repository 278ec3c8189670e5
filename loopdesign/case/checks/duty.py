"""What the lossless converter of a case needs: duty, voltages and currents, as its topology has them.

Losses only raise the duty a converter needs, so a lossless duty above the limit proves the specification impossible;
the exact operating point decides the rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.case.tables.stage import FlybackStage, TwoInductorStage
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.network.topologies.base import LosslessLoad

if TYPE_CHECKING:
    from loopdesign.case.tables.demands import ConverterSection
    from loopdesign.case.tables.stage import StageSection


def lossless_load(
    converter: ConverterSection, stage: StageSection, line: float, output: float, current: float
) -> LosslessLoad:
    """State what the lossless converter is asked for.

    Parameters
    ----------
    converter, stage
        Sections of the case.
    line, output : float
        Input and output voltage, both positive [V].
    current : float
        Load current [A].

    Returns
    -------
    LosslessLoad
        With the inductances, coupling and turns of the stage.
    """
    two = stage if isinstance(stage, TwoInductorStage) else None
    return LosslessLoad(
        input_voltage=line,
        output_voltage=output,
        output_current=current,
        period=1.0 / converter.switching_frequency,
        L1=stage.L1.inductance,
        L2=None if two is None else two.L2.inductance,
        coupling=0.0 if two is None else two.coupling.nominal,
        turns=stage.turns if isinstance(stage, FlybackStage) else 1.0,
    )


def continuous_duty(converter: ConverterSection, load: LosslessLoad) -> float:
    """Return the lossless duty in continuous conduction [unitless].

    Not below 1 where the topology cannot step up, not above 0 where it cannot step down.
    """
    duty = TOPOLOGIES[converter.topology].lossless_duty
    return float(duty(load.input_voltage, load.output_voltage, load.turns))


def discontinuous_duty(converter: ConverterSection, load: LosslessLoad) -> float:
    """Return the lossless duty in discontinuous conduction, by energy balance [unitless]."""
    return TOPOLOGIES[converter.topology].discontinuous_duty(load)
