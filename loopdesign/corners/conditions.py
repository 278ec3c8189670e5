"""Conditions a converter is examined at: line, load, temperature, factors on part values; and values under them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.network.topologies.base import CapacitorValue

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases

REFERENCE_TEMPERATURE = 25.0
"""Temperature at which resistances are given [degC] (common practice)."""

Value: TypeAlias = "float | NDArray[np.float64]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Corners:
    """A batch of operating conditions.

    Attributes
    ----------
    input_voltage, load_current
        (B,) [V], [A].
    temperature
        (B,) [degC].
    factors
        Per varied value, such as ``L1.inductance`` or ``gm``, its factor (B,) on nominal [unitless].
    """

    input_voltage: NDArray[np.float64]
    load_current: NDArray[np.float64]
    temperature: NDArray[np.float64]
    factors: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)

    def __len__(self) -> int:
        """Count the corners."""
        return len(self.input_voltage)

    def factor(self, name: str) -> float | NDArray[np.float64]:
        """Factor on the nominal value of one part value, 1 where it does not vary."""
        return self.factors.get(name, 1.0)

    def take(self, items: NDArray[np.intp]) -> Corners:
        """Keep some corners, in the order given."""
        return Corners(
            input_voltage=self.input_voltage[items],
            load_current=self.load_current[items],
            temperature=self.temperature[items],
            factors={k: v[items] for k, v in self.factors.items()},
        )


def warm(resistance: float, coefficient: float, corners: Corners) -> Value:
    """Resistance [ohm] at the corners' temperature; a plain number where it does not depend on it."""
    if not coefficient:
        return resistance
    return resistance * (1.0 + coefficient * (corners.temperature - REFERENCE_TEMPERATURE))


def capacitor_value(
    part: cases.CapacitorEntry, name: str, corners: Corners, bias: Mapping[str, NDArray[np.float64]]
) -> CapacitorValue:
    """Capacitance at its bias and tolerance, with its series resistance; ``name`` is that of bias and factors."""
    ratio = _ratio(part.bias_curve, bias.get(name))
    return CapacitorValue(
        capacitance=part.capacitance * ratio * corners.factor(f"{name}.capacitance"),
        esr=part.esr * corners.factor(f"{name}.esr"),
    )


def _ratio(curve: tuple[tuple[float, float], ...] | None, bias: NDArray[np.float64] | None) -> Value:
    """Share of the capacitance left at a bias; beyond the curve's end its last value."""
    if curve is None or bias is None:
        return 1.0
    volts, ratios = zip(*curve, strict=True)
    return np.interp(bias, volts, ratios)
