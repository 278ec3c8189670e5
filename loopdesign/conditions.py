"""The conditions a converter is examined at: line, load, temperature, and factors on part values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray


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
