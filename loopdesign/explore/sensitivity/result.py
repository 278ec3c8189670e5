"""Derivatives of margins and multipliers by the values of a case, as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.corners.conditions import Corners

READINGS = ("phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz", "largest_multiplier")
LOW_IS_BAD = ("phase_margin_deg", "gain_margin_db", "modulus_margin")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivities:
    """Derivatives of readings by parts at the nominal corners.

    Attributes
    ----------
    title : str
        Of the case.
    keys : tuple of str
        Values (V,) by their path in the case file.
    nominal : tuple of float
        The values themselves, in SI units.
    conditions : Corners
        Nominal corners (C,).
    readings : mapping of str to ndarray (C,)
        Readings by name, NaN where there is none.
    derivatives : mapping of str to ndarray (C, V)
        Change of each reading per relative change of each value: what doubling would do if it went on so; in the unit
        of the reading.
    """

    title: str
    keys: tuple[str, ...]
    nominal: tuple[float, ...]
    conditions: Corners
    readings: Mapping[str, NDArray[np.float64]]
    derivatives: Mapping[str, NDArray[np.float64]]

    def worst_corner(self, name: str) -> int | None:
        """Return the number of the corner at which a reading is worst, from zero; None where there is none."""
        values = self.readings[name]
        if not np.isfinite(values).any():
            return None
        return int(np.nanargmin(values) if name in LOW_IS_BAD else np.nanargmax(values))

    @property
    def order(self) -> tuple[int, ...]:
        """Numbers of the values, that which moves any reading most at its worst corner first."""
        score = np.zeros(len(self.keys))
        for name in READINGS:
            corner = self.worst_corner(name)
            if corner is not None:
                row = np.abs(self.derivatives[name][corner])
                score = np.maximum(score, row / max(float(row.max(initial=0.0)), 1e-300))
        return tuple(int(k) for k in np.argsort(-score, kind="stable"))

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the derivatives into one row per value, what moves most first: each reading at its worst corner.

        Returns
        -------
        list of dict
            ``key``, ``nominal`` and the change of each reading per relative change of the value.
        """
        rows = []
        for k in self.order:
            row: dict[str, Any] = {"key": self.keys[k], "nominal": self.nominal[k]}
            for name in READINGS:
                corner = self.worst_corner(name)
                row[name] = None if corner is None else float(self.derivatives[name][corner, k])
            rows.append(row)
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Turn the derivatives into plain values, ready for JSON.

        Returns
        -------
        dict
            ``values`` by path, and ``corners`` with readings and derivatives.
        """
        c = self.conditions
        corners = []
        for i in range(len(c)):
            told = {n: float(v[i]) if np.isfinite(v[i]) else None for n, v in self.readings.items()}
            moved = {
                n: {k: float(x) for k, x in zip(self.keys, d[i], strict=True)} if np.isfinite(d[i]).all() else None
                for n, d in self.derivatives.items()
            }
            place = {"input_voltage": float(c.input_voltage[i]), "load_current": float(c.load_current[i])}
            corners.append({**place, **told, "derivatives": moved})
        return {"values": dict(zip(self.keys, self.nominal, strict=True)), "corners": corners, "rows": self.to_rows()}
