"""Currents and slopes of the lossless converter in continuous conduction: enough to tell a slip of the prefix.

In continuous conduction the averages follow from the power, ``Iin = Vo Io / Vin``, and the ripple from the volt-seconds
of the on-time (R. W. Erickson, D. Maksimovic, *Fundamentals of Power Electronics*, 3rd ed., 2020, chapter 2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.case.checks.duty import continuous_duty, lossless_load
from loopdesign.case.tables.stage import TwoInductorStage
from loopdesign.network.topologies import TOPOLOGIES

if TYPE_CHECKING:
    from loopdesign.case.model import Case


@dataclass(frozen=True, slots=True, kw_only=True)
class Winding:
    """One inductor: effective inductance [H], voltages while on and off [V], average current and ripple [A]."""

    name: str
    inductance: float
    on_voltage: float
    off_voltage: float
    average: float
    ripple: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """The lossless converter at one line and load.

    Attributes
    ----------
    duty
        In continuous conduction [unitless].
    windings
        L1, and L2 where the topology has one.
    """

    duty: float
    windings: tuple[Winding, ...]

    @property
    def continuous(self) -> bool:
        """Whether the switch and rectifier current stays above zero."""
        return sum(w.average for w in self.windings) > 0.5 * sum(w.ripple for w in self.windings)

    @property
    def peak_switch_current(self) -> float:
        """Highest switch current in continuous conduction [A]."""
        return sum(w.average + 0.5 * w.ripple for w in self.windings)

    @property
    def fall(self) -> float:
        """Fall of the inductor currents together while the switch is open [A/s]."""
        return sum(w.off_voltage / w.inductance for w in self.windings)


def lossless_estimate(case: Case, line: float, current: float) -> Estimate:
    """Estimate the lossless converter of a case.

    Parameters
    ----------
    case : Case
        The case.
    line : float
        Input voltage [V].
    current : float
        Load current [A].

    Returns
    -------
    Estimate
        Duty, currents and slopes.
    """
    load = lossless_load(case.converter, case.stage, line, case.specification.output_voltage_at(current), current)
    duty = continuous_duty(case.converter, load)
    inductor = TOPOLOGIES[case.converter.topology].first_inductor(load)
    on, off = inductor.on_voltage, inductor.off_voltage
    first, second = _inductances(case)
    parts = [("L1", first, inductor.average)]
    if second is not None:
        parts.append(("L2", second, current))
    on_time = duty * load.period
    return Estimate(
        duty=duty,
        windings=tuple(
            Winding(
                name=name, inductance=value, on_voltage=on, off_voltage=off, average=mean, ripple=on * on_time / value
            )
            for name, value, mean in parts
        ),
    )


def _inductances(case: Case) -> tuple[float, float | None]:
    """Inductance of each winding with the same voltage on both [H]: coupling makes either look larger."""
    first = case.stage.L1.inductance
    if not isinstance(case.stage, TwoInductorStage):
        return first, None
    second = case.stage.L2.inductance
    mutual = case.stage.coupling.nominal * math.sqrt(first * second)
    common = first * second - mutual**2
    if mutual >= min(first, second):  # one current would then rise against its voltage; the plain values serve here
        return first, second
    return common / (second - mutual), common / (first - mutual)
