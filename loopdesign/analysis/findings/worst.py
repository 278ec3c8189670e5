"""The worst of everything a check examined, and what it examined."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstReading:
    """The worst value of one reading over everything examined, and where it occurs.

    Attributes
    ----------
    value : float
        In the unit of the reading.
    input_voltage, load_current, temperature : float
        The corner [V], [A], [degC].
    ends : mapping of str to float
        Relative change of each toleranced value there [unitless]; empty at nominal parts.
    """

    value: float
    input_voltage: float
    load_current: float
    temperature: float
    ends: Mapping[str, float]

    def to_dict(self) -> dict[str, Any]:
        """Turn the reading into plain numbers, ready for JSON.

        Returns
        -------
        dict
            The attributes by name.
        """
        return {
            "value": self.value,
            "input_voltage": self.input_voltage,
            "load_current": self.load_current,
            "temperature": self.temperature,
            "ends": dict(self.ends),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What a check covers.

    Attributes
    ----------
    corners : int
        Nominal corners of line and load [unitless].
    temperatures : int
        Temperatures [unitless].
    tolerance_ends : bool
        Whether tolerances and temperatures were examined [unitless].
    points : int
        Operating points judged in all [unitless].
    """

    corners: int
    temperatures: int
    tolerance_ends: bool
    points: int

    def to_dict(self) -> dict[str, Any]:
        """Turn the coverage into plain values, ready for JSON.

        Returns
        -------
        dict
            ``corners``, ``temperatures``, ``tolerance_ends`` and ``points``.
        """
        return {
            "corners": self.corners,
            "temperatures": self.temperatures,
            "tolerance_ends": self.tolerance_ends,
            "points": self.points,
        }


def with_ends(ends: Mapping[str, float]) -> str:
    """Say which ends of tolerance make a reading, such as " with Co.capacitance -20 %, gm +20 %".

    Parameters
    ----------
    ends : mapping of str to float
        Relative changes [unitless].

    Returns
    -------
    str
        Nothing at nominal parts.
    """
    moved = [f"{name} {100.0 * change:+.3g} %" for name, change in ends.items()]
    return f" with {', '.join(moved)}" if moved else ""
