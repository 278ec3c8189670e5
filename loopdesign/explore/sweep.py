"""Margins and verdict against one or two quantities of a case: every point is a check, or a design, of its own."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.given import has_loop
from loopdesign.analysis.limits import limits_of
from loopdesign.case import parse_case
from loopdesign.case.load import document_of
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.explore.boundary import Axis, traced_boundary
from loopdesign.explore.plane import AT_ONCE, examined_together
from loopdesign.explore.point import READINGS, PointTask, SweepPoint
from loopdesign.explore.quantities import MOST_KEYS, SweptQuantity, swept_quantities
from loopdesign.synthesis.choice import choose

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from concurrent.futures import Executor

    from loopdesign.case import Case
    from loopdesign.explore.boundary import Boundary

MOST_POINTS = 10_000
"""Points beyond which a sweep is refused unless asked for."""
SECONDS_A_POINT = {"nominal": 0.08, "worst": 0.8, "redesign": 4.0}
"""What a point costs, about, to say what a refused sweep would cost [s]."""
ONE_BY_ONE = 49
"""Points of a plane up to which each is a check of its own to the last digit; more are solved together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepResult:
    """A sweep over one or two quantities.

    Attributes
    ----------
    title : str
        Of the case.
    varied : tuple of SweptQuantity
        Path, unit and values (N,) of each quantity.
    points : tuple of SweepPoint
        The last quantity varies fastest.
    boundary : Boundary or None
        Where the largest multiplier of the nominal corners is one; None where parts differ from point to point.
    asked : mapping of str to float
        Limits of the case by key in [targets], in the unit of their reading, for the figures.
    chosen : mapping of str to float
        Parts that the case leaves open, chosen once for the case as it stands [ohm], [F]; empty where none is.
    worst, redesign : bool
        Whether temperatures and tolerance ends count; whether the compensation was chosen at every point [unitless].
    """

    title: str
    varied: tuple[SweptQuantity, ...]
    points: tuple[SweepPoint, ...]
    boundary: Boundary | None = None
    asked: Mapping[str, float] = field(default_factory=dict)
    chosen: Mapping[str, float] = field(default_factory=dict)
    worst: bool = False
    redesign: bool = False

    @property
    def failed(self) -> int:
        """Count the points that could not be examined."""
        return sum(p.error is not None for p in self.points)

    def column(self, name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Return a reading of every point (N,), NaN where there is none; yes is 1 and no is 0.

        Parameters
        ----------
        name : str
            Such as ``phase_margin_deg``.

        Returns
        -------
        ndarray (N,)
            In the unit of the reading.
        """
        return np.array([np.nan if getattr(p, name) is None else float(getattr(p, name)) for p in self.points])

    def to_dict(self) -> dict[str, Any]:
        """Turn the sweep into plain values, ready for JSON.

        Returns
        -------
        dict
            ``varied``, ``points``, ``boundary`` and what the points cover.
        """
        return {
            "varied": [{"key": q.key, "values": list(q.values)} for q in self.varied],
            "points": [point.to_dict() for point in self.points],
            "failed": self.failed,
            "boundary": None if self.boundary is None else self.boundary.to_dict(),
            "worst": self.worst,
            "redesign": self.redesign,
            "chosen": dict(self.chosen),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the sweep into one row per point, ready for a data frame.

        Returns
        -------
        list of dict
            Varied quantities by path, then the readings, then parts that were chosen.
        """
        keys = [q.key for q in self.varied]
        return [
            {
                **dict(zip(keys, p.values, strict=True)),
                **{n: getattr(p, n) for n in READINGS},
                **(p.parts or {}),
                "error": p.error,
            }
            for p in self.points
        ]


def swept(  # noqa: PLR0913  (what a sweep may be asked for)
    text: str,
    name: str,
    vary: Mapping[str, Sequence[str]],
    *,
    points: int | None = None,
    log: bool = False,
    series: str | None = None,
    worst: bool = False,
    redesign: bool = False,
    step: bool = False,
    unlimited: bool = False,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> SweepResult:
    """Check a case at every combination of values of one or two of its quantities.

    Parameters
    ----------
    text, name : str
        The case file and its name.
    vary : mapping of str to sequence of str
        Values as text by path; a tuple of two is a range, anything else a list.
    points : int, optional
        Points of a range [unitless].
    log : bool
        Space a range by equal ratios [unitless].
    series : str, optional
        Take the preferred values of this series within a range.
    worst, redesign, step : bool
        Count temperatures and tolerance ends; choose the compensation at every point; make the load step [unitless].
    unlimited : bool
        Take any number of points [unitless].
    executor : Executor, optional
        Who does the work; this process unless given.
    progress : callable, optional
        Called with the number of points done and of all points.

    Returns
    -------
    SweepResult
        One point per combination; one that cannot be examined says why.

    Raises
    ------
    CaseError
        Where the case file holds faults.
    DataError
        For more than two keys, none, unknown ones, values that make no sense, or too many points; every fault at once.
    """
    case = parse_case(text, name)  # faults of the file itself are told first
    document = document_of(text, name)
    varied = swept_quantities(document, vary, points=points, log=log, series=series)
    combinations = list(product(*(q.values for q in varied)))
    _refuse_many(len(combinations), unlimited, "redesign" if redesign else "worst" if worst else "nominal")
    chosen = {} if redesign else _chosen_once(case, {q.key for q in varied}, worst=worst)
    task = PointTask(
        document=_with_parts(document, chosen), text=text, name=name, places=case.places,
        keys=tuple(q.key for q in varied), worst=worst, redesign=redesign, step=step,
    )  # fmt: skip
    told = _every_point(task, combinations, executor, progress)
    boundary = None
    if not redesign:
        axes = tuple(Axis(values=np.array(q.values), log=q.log) for q in varied)
        grid = np.array([np.nan if p.largest_multiplier is None else p.largest_multiplier for p in told])
        if worst:  # the boundary is that of nominal parts, which the points do not tell here
            grid = np.full(len(told), np.nan)
        boundary = traced_boundary(task, axes, grid, known=not worst)
    return SweepResult(
        title=case.title, varied=varied, points=tuple(told), boundary=boundary, asked=_asked(case),
        chosen=chosen, worst=worst, redesign=redesign,
    )  # fmt: skip


def _every_point(
    task: PointTask,
    combinations: list[tuple[float, ...]],
    executor: Executor | None,
    progress: Callable[[int, int], None] | None,
) -> list[SweepPoint]:
    """Examine every combination, here or by an executor: one by one, or many points of a plane together."""
    together = len(task.keys) == MOST_KEYS and len(combinations) > ONE_BY_ONE
    together &= not (task.worst or task.redesign or task.step)
    size = AT_ONCE if together else 1
    pieces = [combinations[b : b + size] for b in range(0, len(combinations), size)]
    work = partial(examined_together, task)
    results = map(work, pieces) if executor is None else executor.map(work, pieces)
    told: list[SweepPoint] = []
    for some in results:
        told += some
        if progress is not None:
            progress(len(told), len(combinations))
    return told


def _asked(case: Case) -> dict[str, float]:
    """Limits of the case by name; none where its nominal stage cannot be solved."""
    try:
        rows = limits_of(case, examine_stage(case)).rows
    except LoopDesignError:
        return {"phase_margin": case.targets.phase_margin, "gain_margin": case.targets.gain_margin}
    return {row.name: row.value for row in rows}


def _chosen_once(case: Case, keys: set[str], *, worst: bool) -> dict[str, float]:
    """Choose what the case leaves open, once, for the case as it stands; nothing where nothing is open."""
    given = case.compensation
    open_parts = [] if given is None else [p for p in given.open_parts if f"compensation.{p}" not in keys]
    open_slope = case.modulator.scheme == "peak current" and case.modulator.slope is None
    if not has_loop(case) or not (open_parts or (open_slope and "modulator.slope" not in keys)):
        return {}
    return dict(choose(case, tolerances=worst).chosen)


PLACES = {"slope": ("modulator", "slope"), "divider.upper": ("divider", "upper")}
"""Where a design writes what it chose besides parts of the network."""


def _with_parts(document: dict[str, Any], chosen: Mapping[str, float]) -> dict[str, Any]:
    """Write chosen parts into the case file as read."""
    changed = dict(document)
    for name, value in chosen.items():
        section, key = PLACES.get(name, ("compensation", name))
        changed[section] = {**changed.get(section, {}), key: value or "none"}
    return changed


def _refuse_many(count: int, unlimited: bool, kind: str) -> None:
    """Refuse more points than anybody waits for, with what they would cost."""
    if count <= MOST_POINTS or unlimited:
        return
    hours = count * SECONDS_A_POINT[kind] / 3600.0
    raise DataError(
        f"{count} points would take about {hours:.3g} hours of one processor; give --yes (in Python unlimited=True) to "
        "run them all, or fewer --points"
    )
