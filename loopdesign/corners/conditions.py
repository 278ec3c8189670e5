"""Conditions a converter is examined at: line, load, temperature, factors on part values; and values under them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.network.batch import take
from loopdesign.network.topologies.base import CapacitorValue, InductorValue

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

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
        return take(self, items, len(self))


def warm(value: float, coefficient: float, corners: Corners) -> Value:
    """Value with a relative temperature coefficient [1/K] at the corners; a plain number where it has none."""
    if not coefficient:
        return value
    return value * (1.0 + coefficient * (corners.temperature - REFERENCE_TEMPERATURE))


def capacitor_value(
    part: cases.CapacitorEntry,
    name: str,
    corners: Corners,
    bias: Mapping[str, NDArray[np.float64]],
    cause: str | None = None,
) -> CapacitorValue:
    """Resolve a capacitor at its bias, temperature, number of parts and tolerance.

    Parameters
    ----------
    part
        The capacitor.
    name
        Its name in the netlist, and in ``bias``.
    corners
        Temperature, and factors ``NAME.capacitance`` and ``NAME.esr``.
    bias
        Average voltage (B,) [V] by name; no bias where absent.
    cause
        The name its factors have, where another.

    Returns
    -------
    CapacitorValue
        Capacitance [F] and series resistance [ohm] of all its parts in parallel, scalar or (B,).
    """
    factor = cause or name
    ratio = share(part.bias_curve, bias.get(name))
    at_hand = corners.temperature if part.temperature_curve is not None else None
    capacitance = part.capacitance * part.count * ratio * share(part.temperature_curve, at_hand)
    esr = part.esr / part.count * share(part.temperature_curve, at_hand, column=2)
    return CapacitorValue(
        capacitance=capacitance * corners.factor(f"{factor}.capacitance"), esr=esr * corners.factor(f"{factor}.esr")
    )


def inductor_value(
    part: cases.InductorEntry,
    name: str,
    corners: Corners,
    bias: Mapping[str, NDArray[np.float64]],
    cause: str | None = None,
) -> InductorValue:
    """Resolve an inductor at its average current, temperature and tolerance.

    Parameters
    ----------
    part
        The inductor.
    name
        Its name in the netlist, and in ``bias``.
    corners
        Temperature, and the factors ``NAME.inductance`` and ``NAME.resistance``.
    bias
        Average current (B,) [A] by name; no current where absent.
    cause
        The name its factor has, where another.

    Returns
    -------
    InductorValue
        Inductance [H] and winding resistance [ohm], scalar or (B,).
    """
    left = share(part.current_curve, bias.get(name))
    return InductorValue(
        inductance=part.inductance * left * corners.factor(f"{cause or name}.inductance"),
        resistance=warm(part.resistance, part.temperature_coefficient, corners)
        * corners.factor(f"{cause or name}.resistance"),
    )


def share(curve: Sequence[tuple[float, ...]] | None, at: NDArray[np.float64] | None, *, column: int = 1) -> Value:
    """Read a curve by straight lines between its points; beyond its ends the value there.

    Parameters
    ----------
    curve
        Points, the first column rising; None for a part without.
    at
        (B,) where to read it; None where that is not known yet.
    column
        Which column to read.

    Returns
    -------
    float or ndarray
        Share (B,), or 1 without curve or place [unitless].
    """
    if curve is None or at is None:
        return 1.0
    table = np.array(curve)
    return np.interp(at, table[:, 0], table[:, column])
