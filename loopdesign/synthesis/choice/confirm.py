"""Combinations examined by the exact model at every corner at once, and the tolerance ends that matter most."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np

from loopdesign.analysis.check import examine
from loopdesign.analysis.transient.deviation import stepped_beside
from loopdesign.analysis.variants.extremes import closed_search, extremes, likely_ends
from loopdesign.analysis.variants.held import held_ends
from loopdesign.analysis.variants.judge import Judged, judge
from loopdesign.network.batch import joined
from loopdesign.synthesis.search.loops import PARTS
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult, ExaminedStage
    from loopdesign.analysis.limits import Limits
    from loopdesign.analysis.transient.places import StepMemory
    from loopdesign.analysis.variants.extremes import Extremes, LikelyEnds
    from loopdesign.analysis.variants.held import HeldEnds
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied
    from loopdesign.orbit.operating_point import Guess
    from loopdesign.synthesis.search.search import Search
    from loopdesign.workers.branch import Branch


ADDED = 4
"""Tolerance ends that join the corners at once, per reading."""
BATCH = 16
"""Combinations examined at once, at least where there are so many."""
ROWS = 240
"""Combinations times corners up to which more of them are examined at once: every call takes some time of its own."""
DIGITS = 9
"""Digits to which readings are told apart where the worst of them are picked [unitless]."""


Known = TypeVar("Known")


class Seen(Generic[Known]):
    """What is known of combinations at one set of corners, by their part values."""

    def __init__(self) -> None:
        self._of: tuple[object, ...] = ()
        self._known: dict[tuple[float, ...], Known] = {}

    def about(self, *of: object) -> dict[tuple[float, ...], Known]:
        """Return what is known with these objects, nothing where they are others than before."""
        if len(of) != len(self._of) or any(a is not b for a, b in zip(of, self._of, strict=True)):
            self._of, self._known = of, {}
        return self._known


def recalled(
    known: dict[tuple[float, ...], Known], values: NDArray[np.float64],
    make: Callable[[NDArray[np.intp]], list[Known]],
) -> list[Known]:  # fmt: skip
    """Recall one result for each combination, by its part values, and make those that are not known.

    Parameters
    ----------
    known
        Results by part values; what is made is added.
    values
        Part values (N,5) [ohm], [F].
    make
        Takes places (M,) of combinations, no two alike, and returns their results.

    Returns
    -------
    list
        (N,) results.
    """
    keys = [tuple(row) for row in values.tolist()]
    new = np.array([k for k, key in enumerate(keys) if key not in known and key not in keys[:k]], np.intp)
    known |= {keys[k]: one for k, one in zip(new, make(new) if len(new) else [], strict=True)}
    return [known[key] for key in keys]


def in_batches(
    make: Callable[[NDArray[np.intp]], list[Known]], items: NDArray[np.intp], corners: int
) -> list[Known]:  # fmt: skip
    """Make one result for each combination in batches; half of many batches meanwhile in a child.

    Parameters
    ----------
    make
        Takes combinations (M,) and returns one result each.
    items
        Combinations (N,).
    corners
        Corners at which they are examined [unitless].

    Returns
    -------
    list
        (N,) results.
    """
    count = max(BATCH, ROWS // max(corners, 1))
    batches = [items[begin : begin + count] for begin in range(0, len(items), count)]

    def made(some: list[NDArray[np.intp]]) -> list[Known]:
        return [one for batch in some for one in make(batch)]

    here, there = batches[: len(batches) // 2], batches[len(batches) // 2 :]
    if not here:
        return made(there)
    with branch(partial(made, there)) as beside:
        return made(here) + beside.result()


def worst_ends(judged: Judged, count: int) -> NDArray[np.intp]:
    """Pick the items worst for any reading: so many for each margin, for the highest and for the lowest crossover.

    Items that read the same but for rounding, as at temperatures that change nothing, are taken in their order.
    """
    readings = (judged.phase_margin_deg, judged.gain_margin_db, judged.modulus_margin, judged.crossover_hz)
    rows = [np.argsort(np.nan_to_num(_rounded(r), nan=np.inf), kind="stable")[:count] for r in readings]
    rows.append(np.argsort(-np.nan_to_num(_rounded(judged.crossover_hz), nan=0.0), kind="stable")[:count])
    rows.append(np.argsort(-_rounded(judged.largest_multiplier), kind="stable")[:1])
    return np.unique(np.concatenate(rows))


def _rounded(readings: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round readings to so many digits; what is not finite stays."""
    finite = np.isfinite(readings) & (readings != 0.0)
    unit = 10.0 ** (np.floor(np.log10(np.abs(readings), where=finite, out=np.zeros(readings.shape))) - DIGITS + 1)
    return np.where(finite, np.round(np.where(finite, readings, 0.0) / unit) * unit, readings)


def extended(
    corners: Corners, condition: NDArray[np.intp], added: Corners, at: NDArray[np.intp]
) -> tuple[Corners, NDArray[np.intp]]:
    """Let corners join others, each once.

    Parameters
    ----------
    corners, condition
        Corners (B,), and the condition of each.
    added, at
        Those that join, and the condition of each.

    Returns
    -------
    tuple of Corners and ndarray
        All of them with the factors of both, in order, and their conditions.
    """
    keys = sorted({*corners.factors, *added.factors})
    whole = joined(
        [
            replace(c, factors={k: np.broadcast_to(np.asarray(c.factor(k), float), (len(c),)) for k in keys})
            for c in (corners, added)
        ]
    )
    conditions = np.concatenate([condition, at])
    _, first = np.unique(np.column_stack([conditions, *whole.factors.values()]), axis=0, return_index=True)
    first = np.sort(first)
    return whole.take(first), conditions[first]


def with_worst(
    corners: Corners, condition: NDArray[np.intp], ends: Extremes | LikelyEnds
) -> tuple[Corners, NDArray[np.intp]]:
    """Let the worst combinations of tolerance ends join corners, each once.

    Parameters
    ----------
    corners, condition
        Corners (B,), and the condition of each.
    ends
        Tolerance ends with their readings.

    Returns
    -------
    tuple of Corners and ndarray
        All of them, and their conditions.
    """
    worst = worst_ends(ends.judged, ADDED)
    return extended(corners, condition, ends.corners.take(worst), ends.condition[worst])


def judge_candidates(
    base: Base, corners: Corners, condition: NDArray[np.intp], work: Search, items: NDArray[np.intp],
    edges: Guess | None = None,
) -> Judged:  # fmt: skip
    """Judge combinations at every corner by the exact model: item by item, (items x corners,) rows.

    Parameters
    ----------
    base
        Nominal conditions with the parts of any one combination, all of them fitted.
    corners, condition
        Corners (B,) and the condition of each.
    work
        Search the combinations belong to.
    items
        (N,) numbers.
    edges
        Edges (B,) of the corners with their loop open, where they are known.

    Returns
    -------
    Judged
        (N B,) rows, corners fastest.
    """
    some, which = candidates(base, corners, condition, work, items)
    tiled = None if edges is None else edges.take(np.tile(np.arange(len(corners)), len(items)))
    return judge(base, some, which, tiled)


def candidates(
    base: Base, corners: Corners, condition: NDArray[np.intp], work: Search, items: NDArray[np.intp]
) -> tuple[Corners, NDArray[np.intp]]:
    """Lay combinations out at every corner, item by item.

    Parameters
    ----------
    base, corners, condition, work, items
        As for `judge_candidates`.

    Returns
    -------
    tuple of Corners and ndarray
        (N B,) variants of the base, corners fastest, and the condition of each.
    """
    values = work.lattice.values(items)
    tiled = np.tile(np.arange(len(corners)), len(items))
    spread = corners.take(tiled)
    factors = dict(spread.factors)
    for name, column in zip(PARTS, values.T, strict=True):
        reference = base.parts.get(name, 0.0)
        if reference:
            key = f"compensation.{name}"
            factors[key] = np.asarray(factors.get(key, 1.0)) * np.repeat(column / reference, len(corners))
    return replace(spread, factors=factors), condition[tiled]


class Checks:
    """Checks of combinations over line and load, each made once.

    Parameters
    ----------
    case
        Case with its network, divider and slope filled in.
    plain
        Conditions of line and load only, nominal parts.
    limits
        What the readings are held against.
    stepped
        What is known of the load step; what is found is added.
    """

    def __init__(self, case: cases.Case, plain: ExaminedStage, limits: Limits, stepped: StepMemory) -> None:
        self.case, self.plain, self.limits, self.stepped = case, plain, limits, stepped
        self._found: dict[tuple[float, ...], CheckResult] = {}
        self._met: dict[tuple[float, ...], bool] = {}

    def of(self, parts: Mapping[str, float]) -> CheckResult:
        """Examine parts."""
        key = tuple(parts.values())
        if key not in self._found:
            self._found[key] = examine(self.case, parts, self.plain, self.limits)
        return self._found[key]

    def met(self, parts: Mapping[str, float]) -> bool:
        """Tell whether parts meet every target, that of the load step among them."""
        key, limit = tuple(parts.values()), self.limits.step_deviation
        if key not in self._met:
            self._met[key] = self.of(parts).targets_met if limit is None else self._met_in_time(parts, limit.value)
        return self._met[key]

    def _met_in_time(self, parts: Mapping[str, float], limit_v: float) -> bool:
        """Tell whether they meet every target, and depart no further than they may where they are stepped in time."""
        with stepped_beside(self.case, parts, self.stepped, tolerances=False) as stepping:
            if not self.of(parts).targets_met:
                return False
            return not self.stepped.learnt(stepping.result()).failures(limit_v)


class FollowedEnds:
    """The tolerance ends of one combination, followed as far as asked.

    Parameters
    ----------
    base
        Nominal conditions with the parts of the combination.
    varied
        Causes of spread, at least one.
    """

    def __init__(self, base: Base, varied: tuple[Varied, ...]) -> None:
        self.base, self.varied = base, varied
        self._search = closed_search(base, varied)
        self.likely = likely_ends(base, varied, self._search)
        self._worst: Extremes | None = None

    def worst(self, held: HeldEnds) -> Extremes:
        """Follow them to the worst; those with the control voltage held are known."""
        if self._worst is None:
            self._worst = extremes(self.base, self.varied, held, self._search)
        return self._worst


class FollowedHeld:
    """The tolerance ends with the control voltage held, followed once: parts of the network change nothing there."""

    def __init__(self) -> None:
        self._known: HeldEnds | None = None
        self._begun: tuple[tuple[Varied, ...], Branch[HeldEnds]] | None = None

    def begin(self, base: Base, varied: tuple[Varied, ...]) -> None:
        """Begin to follow them, the first time it is asked for."""
        if self._begun is None:
            self._begun = varied, branch(partial(held_ends, base, varied))

    def beside(self, ends: FollowedEnds) -> HeldEnds:
        """Return those of the same causes as others."""
        if self._known is None or self._known.varied != ends.varied:
            begun = self._begun if self._begun is not None and self._begun[0] == ends.varied else None
            self._known = held_ends(ends.base, ends.varied) if begun is None else begun[1].result()
        return self._known

    def drop(self) -> None:
        """Leave what was begun: its processor is wanted."""
        if self._begun is not None:
            self._begun[1].drop()
