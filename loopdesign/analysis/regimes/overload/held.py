"""The voltages between which a regulated current is held: from the least that the controller makes up to its limit.

The string is made longer until the current limit, the clamp or the largest duty ends the on-time, which is the highest
voltage, the compliance; and shorter until the on-time or the control voltage is the least that the controller makes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from loopdesign.analysis.regimes.boundary import largest_zero
from loopdesign.analysis.regimes.overload.ceiling import AT_THE_LIMIT, DUTY, ENDED, Ceiling
from loopdesign.analysis.regimes.overload.string import LoadString, load_line
from loopdesign.orbit.holding import lowest_control
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.analysis.regimes.boundary import Distance
    from loopdesign.network.converter import Converter
    from loopdesign.network.elements import Element
    from loopdesign.orbit.holding import Bounds
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.sequence import Sequence

    Close: TypeAlias = Callable[[NDArray[np.intp]], tuple[Element, ...]]

MINIMUM_ON_TIME, LOWEST = "minimum on-time", "clamp"
"""What ends the range at the lower end."""
SHORT = 1e-3
"""Share of the string of the case, or of the longest that is shorter, which is a short [unitless]."""
INSIDE = 0.999
"""Share of the longest string at which the search for the shortest begins: at the longest itself it may be the edge of
reach."""
LOSSES = "losses"
"""What ends it at the upper end where more duty would not raise the voltage."""
LOST = "could not be followed"
"""What stands there where the end was not found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldLevel:
    """One regulated current at one input voltage.

    Attributes
    ----------
    load_current : float
        The current [A].
    held_from_v, held_to_v : float or None
        Lowest and highest voltage of the load at which it is held [V]. The lowest is zero where it is held into a
        short; None where the bound lies beyond what was looked at, or could not be followed.
    held_from_by, held_to_by : str or None
        What bounds it there: ``minimum on-time`` or ``clamp``; ``current limit``, ``clamp``, ``largest duty``, or
        ``losses`` where more duty would bring no more; ``could not be followed`` where that was not
        found out; None where nothing does.
    """

    load_current: float
    held_from_v: float | None
    held_from_by: str | None
    held_to_v: float | None
    held_to_by: str | None

    def to_dict(self) -> dict[str, Any]:
        """Turn the level into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Every field, in SI units.
        """
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRange:
    """The range of one regulated current at every input voltage (B,).

    Attributes
    ----------
    ceiling
        The converters with strings that lengthen; the measure of a load is its share of the case's string.
    longest, shortest
        Share of the string at which the range ends (B,) [unitless]; infinite or zero where it does not, and zero also
        where ``longest`` was not found below that; NaN where it could not be followed.
    duty
        Duty at the longest (B,) [unitless].
    longest_by, shortest_by
        What ends it, in words; empty where nothing does.
    """

    ceiling: Ceiling
    longest: NDArray[np.float64]
    shortest: NDArray[np.float64]
    duty: NDArray[np.float64]
    longest_by: tuple[str, ...]
    shortest_by: tuple[str, ...]

    def level(self, item: int) -> HeldLevel:
        """Tell the range at one input voltage, by its number [unitless], as voltages [V]."""
        current = float(self.ceiling.converter.load_current[item])
        drop, resistance = (float(v[item]) for v in load_line(self.ceiling.converter))
        whole = drop + resistance * current
        low, high = float(self.shortest[item]) * whole, float(self.longest[item]) * whole
        return HeldLevel(
            load_current=current,
            held_from_v=low if np.isfinite(low) else None, held_from_by=self.shortest_by[item] or None,
            held_to_v=high if np.isfinite(high) else None, held_to_by=self.longest_by[item] or None,
        )  # fmt: skip


def held_range(converter: Converter, bounds: Bounds, close: Close | None) -> HeldRange:
    """Find the voltages between which a regulated current is held.

    Parameters
    ----------
    converter : Converter
        The stage (B,) at one regulated current, with a load that has a drop, loop open.
    bounds : Bounds
        What bounds the controller.
    close : callable, optional
        From converters (S,) by number to their compensation network; without one the control voltage has no ripple.

    Returns
    -------
    HeldRange
        Its ends at every input voltage.
    """
    everyone = np.arange(len(converter.input_voltage))
    drop, resistance = load_line(converter)
    string = LoadString(drop=drop, resistance=resistance, base=np.ones(len(everyone)), lengthens=True)
    ceiling = Ceiling(converter=converter, bounds=bounds, string=string)
    longest, duty = ceiling.largest_load(1.0)
    most = np.where(longest < 1.0, np.where(longest > 0.0, INSIDE * longest, 1.0), 1.0)
    shortest, by = _shortest(ceiling, most, close)
    return HeldRange(
        ceiling=ceiling, longest=longest, shortest=shortest, duty=duty, longest_by=_ended(ceiling, longest, duty),
        shortest_by=by,
    )  # fmt: skip


def _ended(ceiling: Ceiling, longest: NDArray[np.float64], duty: NDArray[np.float64]) -> tuple[str, ...]:
    """Say what ends the on-time at the longest string of every item; empty where there is none."""
    words = [LOST if np.isnan(share) else "" for share in longest]
    known = np.flatnonzero(np.isfinite(longest) & (longest > 0.0))
    if len(known):
        found = ceiling.orbits(known, longest[known], duty[known])
        for place, k in enumerate(known):
            limited = abs(float(found.beyond[place])) <= AT_THE_LIMIT
            if limited:
                words[k] = ENDED[int(found.ended[place])]
            else:
                full = duty[k] >= ceiling.converter.max_duty * (1.0 - AT_THE_LIMIT)
                words[k] = ENDED[DUTY] if full else LOSSES
    return tuple(words)


def _shortest(
    ceiling: Ceiling, most: NDArray[np.float64], close: Close | None
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Find the share of the string (B,), below a known one, where the controller gives too much, and what it is at."""
    asked: list[tuple[str, Distance]] = []
    if ceiling.bounds.armed or ceiling.converter.turn_off_delay:
        trace = _Strings(ceiling, most)
        asked.append((MINIMUM_ON_TIME, lambda k, share: trace.trip(k, share) - ceiling.bounds.armed))
    if ceiling.bounds.lowest is not None:
        lowest, traced = np.broadcast_to(np.asarray(ceiling.bounds.lowest, float), most.shape), _Strings(ceiling, most)
        asked.append((LOWEST, lambda k, share: traced.control(k, share, close) - lowest[k]))
    result, words = np.zeros(len(most)), [""] * len(most)
    for word, distance in asked:
        shares = largest_zero(distance, len(most), 1.0, walk=True, least=SHORT) * most
        for k in np.flatnonzero(np.isnan(shares) | (shares > result)):  # nothing is larger than what is not known
            result[k], words[k] = shares[k], LOST if np.isnan(shares[k]) else word
    return result, tuple(words)


class _Strings:
    """Operating points of strings at a regulated current, each begun from the last one of its converter."""

    def __init__(self, ceiling: Ceiling, most: NDArray[np.float64]) -> None:
        self.ceiling, self.most = ceiling, most
        self.known: Sequence | None = None

    def solved(self, items: NDArray[np.intp], share: NDArray[np.float64]) -> OperatingPoint:
        """Solve some converters (S,) at shares of their longest strings."""
        guess = None if self.known is None else self.known.take(items)
        point = operating_point(self.ceiling.at(items, share * self.most[items]), guess)
        if self.known is not None:
            self.known = self.known.with_items(items, point.sequence)
        elif len(items) == len(self.most):
            self.known = point.sequence
        return point

    def trip(self, items: NDArray[np.intp], share: NDArray[np.float64]) -> NDArray[np.float64]:
        """Instant of the trip (S,) [periods]."""
        point = self.solved(items, share)
        return point.sequence.ends[np.arange(len(point)), point.trip]

    def control(self, items: NDArray[np.intp], share: NDArray[np.float64], close: Close | None) -> NDArray[np.float64]:
        """Lowest control voltage of the period (S,) [V], of the closed loop where there is one."""
        point = self.solved(items, share)
        if close is not None:
            closed = self.ceiling.at(items, share * self.most[items]).closed(close(items))
            point = operating_point(closed, point.sequence)
        return lowest_control(point)
