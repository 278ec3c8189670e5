"""What following every load of a case found: boundaries, what happens below them, and output characteristics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.regimes.overload.ceiling import LEAST
from loopdesign.analysis.regimes.overload.held import LOST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.loads.ends import BoundaryEnds
    from loopdesign.analysis.regimes.boundary import LoadBoundary
    from loopdesign.analysis.regimes.kept import NotKept
    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.analysis.regimes.overload.curve import OverloadCurve
    from loopdesign.analysis.regimes.overload.held import HeldLevel


@dataclass(frozen=True, slots=True, kw_only=True)
class LightRow:
    """What a converter does at one load below the boundary.

    Attributes
    ----------
    input_voltage, load_current : float
        Operating point [V], [A].
    found : LightLoad or None
        Regime and numbers; None where neither was found.
    """

    input_voltage: float
    load_current: float
    found: LightLoad | None

    def to_dict(self) -> dict[str, Any]:
        """Turn the row into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Operating point, regime and numbers.
        """
        light = self.found
        return {
            "input_voltage": self.input_voltage, "load_current": self.load_current,
            "regime": None if light is None else light.regime, "light_load": None if light is None else light.to_dict(),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadsResult:
    """Every load of a case over its input voltages.

    Attributes
    ----------
    case : Case
        The case.
    boundary : LoadBoundary
        Loads at which conduction and regulation change.
    largest_load_a : ndarray (L,) or None
        Largest load that is regulated at each of its input voltages [A]; zero where not even a 64th of the largest of
        the case is, infinite where nothing limits it, NaN where it could not be followed; None where none is examined.
    ends : BoundaryEnds or None
        Ranges of the boundaries at the tolerance ends, at the listed input voltages; None where there is no boundary.
    not_kept : tuple of NotKept
        Operating points of the case itself that the controller does not keep.
    below : tuple of LightRow
        What the converter does below the boundary.
    overload : tuple of OverloadCurve
        Output characteristic at each listed input voltage; empty where none is examined.
    notes : tuple of str
        What is taken for granted and what is left out.
    """

    case: cases.Case
    boundary: LoadBoundary
    largest_load_a: NDArray[np.float64] | None
    ends: BoundaryEnds | None
    not_kept: tuple[NotKept, ...]
    below: tuple[LightRow, ...]
    overload: tuple[OverloadCurve, ...]
    notes: tuple[str, ...]

    @property
    def reasons(self) -> tuple[str, ...]:
        """Loads of the case that lie beyond a boundary, or are not kept, and what could not be followed."""
        given, b = self.case.specification.output_current, self.boundary
        lost = np.flatnonzero(np.isnan(b.least_load_a))
        low = np.flatnonzero(given.lowest < b.least_load_a)
        most = b.least_load_a * np.nan if self.largest_load_a is None else self.largest_load_a
        high = np.flatnonzero(given.highest > most)
        unknown = np.flatnonzero(np.isnan(most)) if self.largest_load_a is not None else high[:0]
        told = []
        if len(lost):
            told.append(f"{_at(b, int(lost[0]), len(lost))} the least load could not be followed")
        for some in (low[np.isinf(b.least_load_a[low])], low[np.isfinite(b.least_load_a[low])]):
            if len(some):
                k = int(some[np.argmax(b.least_load_a[some])])
                least, by = float(b.least_load_a[k]), b.least_load_by[k]
                where = "no load is" if np.isinf(least) else f"{given.lowest:.3g} A is below {least:.3g} A and not"
                told.append(f"{_at(b, k, len(some))} {where} regulated by a pulse every period ({by})")
        if len(high):
            k = int(high[np.argmin(most[high])])
            beyond = (
                f"above {most[k]:.3g} A and not" if most[k] else f"not regulated, nor is {LEAST * given.highest:.3g} A"
            )
            told.append(f"{_at(b, k, len(high))} {given.highest:.3g} A is {beyond}{' regulated' if most[k] else ''}")
        if len(unknown):
            told.append(f"{_at(b, int(unknown[0]), len(unknown))} the largest load could not be followed")
        told += self._at_the_ends(low=bool(len(low)), high=bool(len(high)))
        return (*told, *self._levels_not_held(), *self._others_not_kept(most))

    def _at_the_ends(self, *, low: bool, high: bool) -> list[str]:
        """Name loads of the case beyond a boundary at its tolerance ends only, and what was lost there."""
        told: list[str] = []
        if self.ends is None:
            return told
        given, ranges = self.case.specification.output_current, self.ends.ranges
        least = max((r for r in ranges if r.name == "least_load_a"), key=lambda r: r.highest.value, default=None)
        most = min((r for r in ranges if r.name == "largest_load_a"), key=lambda r: r.lowest.value, default=None)
        if least is not None and not low and least.highest.value > given.lowest:
            where = f"at {least.input_voltage:.4g} V and the tolerance ends"
            bound = least.highest.value
            told.append(
                f"{where} no load is regulated by a pulse every period" if np.isinf(bound)
                else f"{where} {given.lowest:.3g} A is below the least load of {bound:.3g} A"
            )  # fmt: skip
        if most is not None and not high and most.lowest.value < given.highest:
            where, bound = f"at {most.input_voltage:.4g} V and the tolerance ends", most.lowest.value
            told.append(
                f"{where} {given.highest:.3g} A is above the largest load of {bound:.3g} A" if bound
                else f"{where} {given.highest:.3g} A is not regulated, nor is {LEAST * given.highest:.3g} A"
            )  # fmt: skip
        if self.ends.lost:
            told.append(f"{self.ends.lost} boundaries at tolerance ends could not be followed")
        return told

    def _levels_not_held(self) -> list[str]:
        """Name regulated currents not held at the voltage of the case's own load, one of each input voltage."""
        given = self.case.specification.voltage_load
        return [
            f"at {curve.input_voltage:.4g} V {lost[0]}"
            for curve in self.overload
            if (lost := [told for x in curve.levels if given is not None and (told := _not_held(x, given))])
        ]

    def _others_not_kept(self, most: NDArray[np.float64]) -> list[str]:
        """Name the operating points that are not kept and lie beyond no boundary, a sentence for each word."""
        by: dict[str, list[NotKept]] = {}
        for point in self.not_kept:
            k = int(np.argmin(np.abs(self.boundary.input_voltage - point.input_voltage)))
            if not (point.load_current < self.boundary.least_load_a[k] or point.load_current > most[k]):
                by.setdefault(point.held, []).append(point)
        return [
            f"at {points[0].place}{_and_others(len(points), 'operating point')} the converter does not stay at its "
            f"operating point ({word})"
            for word, points in by.items()
        ]

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the boundaries into one row per input voltage, ready for a data frame.

        Returns
        -------
        list of dict
            Input voltage [V] and loads [A]; None where there is no such load or it could not be followed. Zero for
            ``least_load_a`` where a pulse every period regulates down to the smallest load looked at, and for
            ``largest_load_a`` where not even a 64th of the largest load of the case is regulated.
        """
        b = self.boundary
        return [
            {
                "input_voltage": float(b.input_voltage[k]),
                "continuous_limit_a": _number(b.continuous_limit_a[k]),
                "least_load_a": _number(b.least_load_a[k]),
                "least_load_by": b.least_load_by[k] or None,
                "largest_load_a": None if self.largest_load_a is None else _number(self.largest_load_a[k]),
            }
            for k in range(len(b.input_voltage))
        ]

    def to_dict(self) -> dict[str, Any]:
        """Turn everything into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Title, boundaries, what happens below them, output characteristics, and notes.
        """
        return {
            "title": " ".join(self.case.title.split()),
            "topology": self.case.converter.topology,
            "smallest_load_a": self.boundary.smallest_load_a,
            "boundaries": self.to_rows(),
            "boundary_ends": None if self.ends is None else self.ends.to_dict(),
            "below": [row.to_dict() for row in self.below],
            "overload": [curve.to_dict() for curve in self.overload],
            "reasons": list(self.reasons),
            "notes": list(self.notes),
        }


def _not_held(level: HeldLevel, load: cases.VoltageLoad) -> str:
    """Say why a regulated current is not held at the voltage of the case's own load; empty where it is."""
    current, voltage = f"{level.load_current:.3g} A", load.drop + load.resistance * level.load_current
    for bound, by, beyond in (
        (level.held_to_v, level.held_to_by, level.held_to_v is not None and voltage > level.held_to_v),
        (level.held_from_v, level.held_from_by, level.held_from_v is not None and voltage < level.held_from_v),
    ):
        if bound is None and by == LOST:
            return f"the voltages at which {current} is held could not be followed"
        if beyond:
            return f"{current} is not held at the {voltage:.3g} V of the load{'' if by is None else f' ({by})'}"
    return ""


def _at(boundary: LoadBoundary, item: int, count: int) -> str:
    """Name an input voltage, and how many others share what is said of it."""
    return f"at {boundary.input_voltage[item]:.4g} V{_and_others(count, 'input voltage')}"


def _and_others(count: int, what: str) -> str:
    """Count the others that share what is said of one."""
    return "" if count < 2 else f" and {count - 1} other {what}{'s' if count > 2 else ''}"


def _number(value: float) -> float | None:
    """Return a number, or None where there is none."""
    return float(value) if np.isfinite(value) else None
