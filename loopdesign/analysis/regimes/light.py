"""What is told of a load that needs less than a pulse every period."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

from loopdesign.units.quantities import format_quantity

RegimeWord: TypeAlias = Literal["skips pulses", "output rises"]
SKIPS: RegimeWord = "skips pulses"
RISES: RegimeWord = "output rises"
LEAST = "even the least that the controller gives is too much, and the output rises"
"""How an output that rises is told: to where, or why that is not known, follows."""
MICROVOLTS = 6
"""Digits after the point of an average control voltage in words [V]: what lies below is rounding of the run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LightLoad:
    """What a converter does at a load that needs less than a pulse every period.

    Attributes
    ----------
    regime : str
        ``skips pulses`` with the output regulated, or ``output rises``.
    mean_output_v : float or None
        Mean output [V] over whole bursts, or where the output comes to rest; None where that was not found.
    ripple_v : float or None
        Output, peak to peak, over the bursts looked at [V]; None where the output rises.
    burst_lowest_hz, burst_highest_hz : float or None
        Lowest and highest frequency of the bursts [Hz], from the first pulse of one to the first pulse of the next.
    burst_pulses_least, burst_pulses_most : int or None
        Fewest and most pulses of a burst [unitless].
    mean_control_v : float or None
        Average control voltage [V].
    energy_error : float or None
        Share of the input power over the bursts looked at that is neither delivered nor lost [unitless]; None where the
        output rises.
    examined : bool
        Whether it was looked for where the output comes to rest.
    steady : bool
        Whether mean output and share of pulses were the same over the last two rounds of bursts.

    Examples
    --------
    >>> LightLoad(regime="output rises", mean_output_v=31.0).sentence(24.0)
    'even the least that the controller gives is too much, and the output rises to 31.0 V (24.0 V is asked for)'
    """

    regime: RegimeWord
    mean_output_v: float | None = None
    ripple_v: float | None = None
    burst_lowest_hz: float | None = None
    burst_highest_hz: float | None = None
    burst_pulses_least: int | None = None
    burst_pulses_most: int | None = None
    mean_control_v: float | None = None
    energy_error: float | None = None
    examined: bool = True
    steady: bool = True

    def to_dict(self) -> dict[str, Any]:
        """Turn the findings into plain numbers, ready for JSON.

        Returns
        -------
        dict
            Every number and whether it is steady, in SI units.
        """
        names = (
            "mean_output_v", "ripple_v", "burst_lowest_hz", "burst_highest_hz", "burst_pulses_least",
            "burst_pulses_most", "mean_control_v", "energy_error", "steady",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}

    def sentence(self, target: float) -> str:
        """Say it in a clause.

        Parameters
        ----------
        target : float
            Output that was asked for [V].

        Returns
        -------
        str
            Such as "it skips pulses: bursts of 1 to 2 pulses at 10.2 kHz to 18.0 kHz, ...".
        """
        if self.regime == RISES:
            if self.mean_output_v is None:
                end = "nothing was found to end it" if self.examined else "where it comes to rest was not examined"
                return f"{LEAST}; {end}"
            to, asked = format_quantity(self.mean_output_v, "V"), format_quantity(target, "V")
            return f"{LEAST} to {to} ({asked} is asked for)"
        pulses = _range(str(self.burst_pulses_least), str(self.burst_pulses_most))
        low, high = (format_quantity(v or 0.0, "Hz") for v in (self.burst_lowest_hz, self.burst_highest_hz))
        plural = "" if self.burst_pulses_most == 1 else "s"
        told = (
            f"it skips pulses: bursts of {pulses} pulse{plural} at {_range(low, high)}, ripple "
            f"{format_quantity(self.ripple_v or 0.0, 'V')} peak to peak, average control voltage "
            f"{format_quantity(round(self.mean_control_v or 0.0, MICROVOLTS), 'V')}"
        )
        return told if self.steady else f"{told}; the bursts had not become steady by the end of the run"


def _range(low: str, high: str) -> str:
    """Write a range, or one value where both ends read the same."""
    return low if low == high else f"{low} to {high}"
