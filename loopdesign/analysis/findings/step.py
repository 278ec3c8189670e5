"""The largest departure at the load step, against its target, in plain numbers and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.findings.worst import WorstReading, with_ends
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDeviation:
    """The largest departure of the output's mean at the load step, stepped in time, and where.

    Attributes
    ----------
    peak_deviation_v : float or None
        Largest departure [V]; None where no step could be made.
    back_deviation_v : float or None
        The same of the way back, at the same place [V]; None where that step cannot be made.
    input_voltage, temperature, load_from, load_to : float
        Where [V], [degC], [A], [A].
    ends : mapping of str to float
        Relative change of each varied value there, by cause [unitless]; empty with nominal parts.
    estimated, stepped : int
        Number of places that small steps rank, and of those stepped in time [unitless].
    left_v : float or None
        Largest departure that small steps give at the others [V]; None where every place was stepped.
    not_made : tuple of str
        Places at which no step could be made, one sentence each.
    """

    peak_deviation_v: float | None
    back_deviation_v: float | None
    input_voltage: float
    temperature: float
    load_from: float
    load_to: float
    ends: Mapping[str, float]
    estimated: int
    stepped: int
    left_v: float | None
    not_made: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """Where the departure is largest, in words."""
        step = f"{self.load_from:.3g} A to {self.load_to:.3g} A"
        return f"{self.input_voltage:.4g} V, {step}, {self.temperature:.3g} degC{with_ends(self.ends)}"

    @property
    def reading(self) -> WorstReading | None:
        """The departure as one of the worst readings; None where there is none."""
        if self.peak_deviation_v is None:
            return None
        return WorstReading(
            value=self.peak_deviation_v, input_voltage=self.input_voltage, load_current=self.load_from,
            temperature=self.temperature, ends=self.ends,
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Turn the departure into plain values, ready for JSON.

        Returns
        -------
        dict
            The attributes by name.
        """
        return {
            "peak_deviation_v": self.peak_deviation_v,
            "back_deviation_v": self.back_deviation_v,
            "input_voltage": self.input_voltage,
            "temperature": self.temperature,
            "load_from": self.load_from,
            "load_to": self.load_to,
            "ends": dict(self.ends),
            "estimated": self.estimated,
            "stepped": self.stepped,
            "left_v": self.left_v,
            "not_made": list(self.not_made),
        }

    def failures(self, limit_v: float) -> tuple[str, ...]:
        """Say why the target fails.

        Parameters
        ----------
        limit_v : float
            Largest departure allowed [V].

        Returns
        -------
        tuple of str
            Empty where it holds.
        """
        told = list(self.not_made)
        if self.peak_deviation_v is not None and self.peak_deviation_v > limit_v:
            reached, asked = (format_quantity(v, "V", 4) for v in (self.peak_deviation_v, limit_v))
            told.append(f"step deviation {reached} at {self.place} is above {asked}")
        return tuple(told)

    def warnings(self, limit_v: float) -> tuple[str, ...]:
        """Tell of a way back that departs further than the target allows for the step itself.

        Parameters
        ----------
        limit_v : float
            Largest departure allowed [V].

        Returns
        -------
        tuple of str
            Empty where it does not.
        """
        back = self.back_deviation_v
        if back is None or back <= limit_v:
            return ()
        told = (
            f"targets.step_deviation: the step back, {self.load_to:.3g} A to {self.load_from:.3g} A, departs by "
            f"{format_quantity(back, 'V')} at the same place, further than the {format_quantity(limit_v, 'V')} asked "
            "of the step itself; a case with from and to exchanged is held against that"
        )
        return (told,)

    def how(self) -> str:
        """Say in a sentence what the departure is, and what it rests on.

        Returns
        -------
        str
            Empty where no step could be made.
        """
        if self.peak_deviation_v is None:
            return ""
        largest = f"step deviation: {format_quantity(self.peak_deviation_v, 'V')} at {self.place}, stepped in time"
        if self.left_v is None:
            return f"{largest}, as was every other place"
        return (
            f"{largest}; {self.stepped} of {self.estimated} places were stepped, the furthest small-step departure "
            f"first, and the small-step departure of the others is {format_quantity(self.left_v, 'V')} at most"
        )
