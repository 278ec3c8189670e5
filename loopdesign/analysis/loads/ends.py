"""The boundaries in load at the tolerance ends: how low and how high each of them comes, and with which parts.

For every listed input voltage and temperature the worst combination of ends is searched as for the margins
(`variants.ends`), each combination with its own boundaries traced. Causes that move none of them are left out: those of
the controller's gain, unless a clamp or a pull-up bounds the control voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from loopdesign.analysis.regimes.boundary import FAILURES, boundary_at
from loopdesign.analysis.regimes.overload.ceiling import Ceiling
from loopdesign.analysis.variants.ends import EndSearch
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import base_corners, solved
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.network.batch import in_halves

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.variants.ends import Ends
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied

    Array: TypeAlias = NDArray[np.float64]

CONTROL = ("gm", "output_resistance", "sense_gain", "slope", "transfer_ratio", "compensation.")
"""Causes, or what they begin with, that move the control voltage and no instant."""
HUGE = 1e30
"""What stands for an infinite load where findings are compared [A]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundaryEnd:
    """One end of a range.

    Attributes
    ----------
    value : float
        Load [A]; infinite where no load of the case is regulated with a pulse every period (least load), or where the
        limit is not reached up to the last load tried (largest load).
    temperature : float
        At which it comes about [degC].
    ends : mapping of str to float
        Relative change of each cause at the combination that makes it [unitless].
    """

    value: float
    temperature: float
    ends: Mapping[str, float]

    def to_dict(self) -> dict[str, Any]:
        """Turn the end into plain numbers, ready for JSON.

        Returns
        -------
        dict
            Value, None where infinite, temperature and ends.
        """
        finite = self.value if np.isfinite(self.value) else None
        return {"value": finite, "temperature": self.temperature, "ends": dict(self.ends)}


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundaryRange:
    """Range of one boundary at one input voltage.

    Attributes
    ----------
    input_voltage : float
        [V].
    name : str
        ``continuous_limit_a``, ``least_load_a`` or ``largest_load_a``.
    lowest, highest : BoundaryEnd
        Over temperatures and tolerance ends, nominal parts among them.
    """

    input_voltage: float
    name: str
    lowest: BoundaryEnd
    highest: BoundaryEnd


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundaryEnds:
    """Ranges of the boundaries, and what was examined for them.

    Attributes
    ----------
    ranges : tuple of BoundaryRange
        For each listed input voltage those that were found.
    causes : tuple of str
        Causes of spread whose ends were examined.
    temperatures : tuple of float
        [degC].
    combinations : int
        Combinations of line, temperature and ends of which the boundaries were traced [unitless].
    lost : int
        How many boundaries among them could not be followed [unitless].
    """

    ranges: tuple[BoundaryRange, ...]
    causes: tuple[str, ...]
    temperatures: tuple[float, ...]
    combinations: int
    lost: int

    def of(self, input_voltage: float, name: str) -> BoundaryRange | None:
        """Return the range of one boundary at one input voltage [V]; None where it was not found."""
        return next((r for r in self.ranges if r.input_voltage == input_voltage and r.name == name), None)

    def to_dict(self) -> dict[str, Any]:
        """Turn the ranges into plain numbers, ready for JSON.

        Returns
        -------
        dict
            One row for each input voltage, and what was examined.
        """
        lines = dict.fromkeys(r.input_voltage for r in self.ranges)
        return {
            "ranges": [
                {"input_voltage": line}
                | {
                    r.name: {"lowest": r.lowest.to_dict(), "highest": r.highest.to_dict()}
                    for r in self.ranges
                    if r.input_voltage == line
                }
                for line in lines
            ],
            "causes": list(self.causes), "temperatures": list(self.temperatures), "combinations": self.combinations,
            "lost": self.lost,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Loads:
    """Boundaries of combinations (N,Q) [A]; NaN where one could not be followed."""

    loads: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    """What is searched: the case, its conditions, what varies, and which boundaries."""

    case: cases.Case
    parts: Mapping[str, float]
    conditions: Corners
    varied: tuple[Varied, ...]
    names: tuple[str, ...]
    lost: list[int] = field(default_factory=list)

    def judge(self, condition: NDArray[np.intp], places: Array) -> _Loads:
        """Trace the boundaries of combinations (N,)."""
        at = variants(self.conditions, condition, self.varied, places)
        found = boundary_at(self.case, self.parts, at)
        columns = {"continuous_limit_a": found.continuous_limit_a, "least_load_a": found.least_load_a}
        if "largest_load_a" in self.names:
            columns["largest_load_a"] = _largest(self.case, at)
        loads = np.stack([columns[name] for name in self.names], axis=1)
        self.lost.append(int(np.isnan(loads).sum()))
        return _Loads(loads=loads)

    @staticmethod
    def badness(found: _Loads) -> Array:
        """Let every boundary be bad where it is low, and where it is high (N,2Q)."""
        loads = np.minimum(found.loads, HUGE)
        return np.where(np.isnan(np.hstack([loads, loads])), -HUGE, np.hstack([-loads, loads]))


def boundary_ends(case: cases.Case, parts: Mapping[str, float], names: tuple[str, ...]) -> BoundaryEnds:
    """Find the ranges of the boundaries in load at the listed input voltages.

    Parameters
    ----------
    case, parts
        The case, and compensation parts by designator [ohm], [F]; empty without a loop.
    names : tuple of str
        Which boundaries, by their names in a row of the result.

    Returns
    -------
    BoundaryEnds
        Ranges, and what was examined.
    """
    every = base_corners(case)
    full = every.load_current == case.specification.output_current.highest
    conditions = every.take(np.flatnonzero(full))
    controlled = bounds(case, conditions).lowest is not None or bounds(case, conditions).pull_up is not None
    by_limit = "largest_load_a" in names
    varied = tuple(
        v for v in toleranced(case, parts)
        if (controlled or not any(f.startswith(CONTROL) for f in v.ends) or (by_limit and "sense_gain" in v.ends))
        and (by_limit or "current_limit" not in v.ends)
    )  # fmt: skip
    search = _Search(case=case, parts=parts, conditions=conditions, varied=varied, names=names)
    same = conditions.input_voltage == conditions.input_voltage[:, None]
    nominal = same & (conditions.temperature == case.nominal_temperature)
    everyone = np.arange(len(conditions))
    like = np.where(nominal.any(axis=1), np.argmax(nominal, axis=1), everyone)
    if not varied:
        alone = search.judge(everyone, np.empty((len(everyone), 0)))
        found = _Judged(loads=alone.loads, condition=everyone, places=np.empty((len(everyone), 0)))
    else:
        found = _all_judged(EndSearch(search.judge, search.badness, len(varied), like).run())
    return BoundaryEnds(
        ranges=_ranges(search, found), causes=tuple(v.name for v in varied),
        temperatures=tuple(float(t) for t in np.unique(conditions.temperature)), combinations=len(found.loads),
        lost=sum(search.lost),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judged:
    """Combinations (N,): boundaries (N,Q) [A], condition, and place of every cause (N,k), zero for nominal parts."""

    loads: Array
    condition: NDArray[np.intp]
    places: Array


def _all_judged(ends: Ends[_Loads]) -> _Judged:
    """Join nominal parts and everything at the ends."""
    count = len(ends.nominal.loads)
    return _Judged(
        loads=np.concatenate([ends.nominal.loads, ends.found.loads]),
        condition=np.concatenate([np.arange(count), ends.condition]),
        places=np.concatenate([np.zeros((count, ends.places.shape[1])), ends.places]),
    )


def _ranges(search: _Search, found: _Judged) -> tuple[BoundaryRange, ...]:
    """Read lowest and highest of every boundary at every input voltage."""
    ranges = []
    lines = search.conditions.input_voltage[found.condition]
    for line in np.unique(lines):
        for q, name in enumerate(search.names):
            here = np.flatnonzero((lines == line) & ~np.isnan(found.loads[:, q]))
            if len(here):
                order = here[np.argsort(found.loads[here, q], kind="stable")]
                low, high = (_end(search, found, int(k), q) for k in (order[0], order[-1]))
                ranges.append(BoundaryRange(input_voltage=float(line), name=name, lowest=low, highest=high))
    return tuple(ranges)


def _end(search: _Search, found: _Judged, row: int, column: int) -> BoundaryEnd:
    """Say what one combination gives, and which it is."""
    ends = {}
    for v, place in zip(search.varied, found.places[row], strict=True):
        low, high = next(iter(v.ends.values()))
        if place:
            ends[v.name] = low if place < 0.0 else high
    temperature = float(search.conditions.temperature[found.condition[row]])
    return BoundaryEnd(value=float(found.loads[row, column]), temperature=temperature, ends=ends)


def _largest(case: cases.Case, at: Corners) -> Array:
    """Largest load that is regulated (N,) [A]; zero, infinite and NaN as for nominal parts."""
    full = case.specification.output_current.highest

    def examine(items: NDArray[np.intp]) -> Array:
        some = at.take(items)
        converter = solved(case, some)[0]
        converter = replace(converter, load="voltage" if converter.load == "voltage" else "resistive")
        return Ceiling(converter=converter, bounds=bounds(case, some)).largest_load(full)[0]

    return in_halves(examine, np.arange(len(at)), failures=FAILURES, alone=lambda _: np.array([np.nan]))
