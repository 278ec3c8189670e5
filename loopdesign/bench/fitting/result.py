"""What a fit found: values with their intervals, pairs that act alike, causes with their odds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopdesign.bench.compare import Deviation


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedPart:
    """One value that a fit has moved.

    Attributes
    ----------
    nominal, value : float
        Before and after, in SI units.
    low, high : float
        Ends of the interval that encloses the true value with 95 % probability.
    seen : bool
        Whether the data tell of it; where not, the value is the nominal one.
    """

    nominal: float
    value: float
    low: float
    high: float
    seen: bool

    def to_dict(self) -> dict[str, Any]:
        """Turn it into plain values, ready for JSON."""
        return {
            "nominal": self.nominal, "value": self.value, "low": self.low, "high": self.high, "seen": self.seen,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One explanation of a difference: a single part or a pair, or none.

    Attributes
    ----------
    values : mapping of str to float
        Values by dotted key, in SI units; empty for parts that are all as planned.
    odds : float
        Probability among the explanations tried [unitless].
    """

    values: dict[str, float]
    odds: float

    def to_dict(self) -> dict[str, Any]:
        """Turn it into plain values, ready for JSON."""
        return {"values": dict(self.values), "odds": self.odds}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What a fit found.

    Attributes
    ----------
    parts : mapping of str to FittedPart
        By dotted key.
    correlated : tuple of tuple of str
        Pairs of keys that move the response nearly alike.
    difference : Deviation
        Measured against the model with the fitted values, in one file.
    excess : float
        Root of the mean square of what is left, in units of the scatter of the points [unitless]: near 1 where the
        fitted values explain everything, well above where something else is off.
    causes : tuple of Cause
        Explanations tried, the likeliest first; empty where the keys were given.
    """

    parts: dict[str, FittedPart]
    correlated: tuple[tuple[str, str], ...]
    difference: Deviation
    excess: float
    causes: tuple[Cause, ...] = ()

    @property
    def values(self) -> dict[str, float]:
        """Values by dotted key, those that the data do not see left out."""
        return {key: part.value for key, part in self.parts.items() if part.seen}

    def to_dict(self) -> dict[str, Any]:
        """Turn it into plain values, ready for JSON."""
        told = {
            "parts": {key: part.to_dict() for key, part in self.parts.items()},
            "correlated": [list(pair) for pair in self.correlated],
            "difference": self.difference.to_dict(),
        }
        return told | ({"causes": [cause.to_dict() for cause in self.causes]} if self.causes else {})
