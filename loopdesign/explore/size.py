"""The smallest parts: every combination of candidates with the best compensation for it, the cheapest that meets all.

Combinations are examined in the order of what they cost, the sum of the prices or sizes of their candidates. Nothing is
left out on a guess: a combination is skipped only where the cheapest alone is asked for and one that costs less meets
every target. For the front of cost against step deviation every combination is examined.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import TYPE_CHECKING, Any

from loopdesign.analysis.given import missing_for_a_loop
from loopdesign.case import parse_case, write_parts
from loopdesign.case.load import document_of
from loopdesign.case.tables.candidates import DamperCandidate
from loopdesign.case.write import write_candidates
from loopdesign.errors import DataError
from loopdesign.explore.combination import READINGS, Combination, CombinationTask, examined_combination
from loopdesign.printable import printable
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor

    from loopdesign.case import Case
    from loopdesign.case.tables.candidates import Candidates, CapacitorCandidate, Weight

    Candidate = CapacitorCandidate | DamperCandidate

MOST_COMBINATIONS = 400
"""Combinations beyond which a search is refused unless asked for."""
SECONDS_A_COMBINATION = {True: 4.0, False: 9.0}
"""What a combination costs one processor, about, nominal or not, to say what a refused search would take [s]."""
WAVE = 8
"""Combinations that go out together where the cheapest alone is asked for, whoever works."""
EXAMPLE = '[[candidates.Co]] with capacitance = "100 uF", esr = "12 mohm" and price = 0.42, once for every capacitor'


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeResult:
    """Every combination of candidates that was examined, the cheapest that meets all, and the front.

    Attributes
    ----------
    title : str
        Of the case.
    weighed_by : {"price", "size"}
        What a cost is the sum of.
    nominal : bool
        Whether temperatures and tolerance ends were left out [unitless].
    combinations : int
        Number of combinations of the candidates [unitless].
    points : tuple of Combination
        Those examined, in the order of their cost.
    skipped : int
        Combinations not examined, each of which costs more than the cheapest that meets all [unitless].
    front : tuple of int
        Numbers in ``points`` of those that meet every target and that no other one meeting every target beats: none
        of them costs as little and departs less at the load step, or costs less and departs as little.
    limits : mapping of str to float
        Targets of the case for step deviation and ripple [V]; only those that it sets.
    stepped : bool
        Whether the case has a load step to depart at [unitless].
    """

    title: str
    weighed_by: Weight
    nominal: bool
    combinations: int
    points: tuple[Combination, ...]
    skipped: int
    front: tuple[int, ...]
    limits: Mapping[str, float]
    stepped: bool

    @property
    def smallest(self) -> Combination | None:
        """The cheapest combination that meets every target; of equally cheap ones that which departs least."""
        return self.points[self.front[0]] if self.front else None

    @property
    def nearest(self) -> Combination | None:
        """Where none meets every target, the combination that misses them least; None where no miss is known."""
        known = [c for c in self.points if c.miss is not None]
        return None if self.front or not known else min(known, key=lambda c: (c.miss, c.cost))

    def to_dict(self) -> dict[str, Any]:
        """Turn the search into plain values, ready for JSON.

        Returns
        -------
        dict
            The smallest combination or the nearest miss, the front, every combination, and what was covered.
        """
        smallest, nearest = self.smallest, self.nearest
        return {
            "title": self.title,
            "weighed_by": self.weighed_by,
            "nominal": self.nominal,
            "combinations": self.combinations,
            "examined": len(self.points),
            "skipped": self.skipped,
            "smallest": None if smallest is None else smallest.to_dict(),
            "nearest": None if nearest is None else nearest.to_dict(),
            "front": list(self.front),
            "points": [point.to_dict() for point in self.points],
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the search into one row per combination, ready for a data frame.

        Returns
        -------
        list of dict
            Candidates by designator, cost, readings, whether on the front, parts and reasons.
        """
        return [
            {
                **point.names,
                "cost": point.cost,
                "targets_met": point.targets_met,
                "front": k in self.front,
                **{name: getattr(point, name) for name in READINGS},
                **point.parts,
                "reasons": "; ".join(point.reasons),
            }
            for k, point in enumerate(self.points)
        ]


def sized(
    text: str,
    name: str,
    *,
    nominal: bool = False,
    cheapest: bool = False,
    unlimited: bool = False,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> SizeResult:
    """Find the cheapest combination of candidates with which the best compensation meets every target.

    Parameters
    ----------
    text, name : str
        The case file and its name.
    nominal : bool
        Leave temperatures and tolerance ends out [unitless].
    cheapest : bool
        Leave out what costs more than the cheapest that meets all; where that leaves any out, there is no front
        [unitless].
    unlimited : bool
        Take any number of combinations [unitless].
    executor : Executor, optional
        Who does the work; this process unless given.
    progress : callable, optional
        Called with the number of combinations done and of all.

    Returns
    -------
    SizeResult
        Every combination examined.

    Raises
    ------
    CaseError
        Where the case file holds faults.
    DataError
        Where it has no candidates or no loop, or too many combinations.
    """
    case = parse_case(text, name)
    lists = _lists(case, name)
    count = math.prod(len(entries) for entries in lists.values())
    if count > MOST_COMBINATIONS and not unlimited:
        hours = count * SECONDS_A_COMBINATION[nominal] / 3600.0
        raise DataError(
            f"{' x '.join(str(len(e)) for e in lists.values())} = {count} combinations would take about {hours:.3g} "
            "hours of one processor; give --yes (in Python unlimited=True) to run them all, or fewer candidates"
        )
    ordered = _ordered(lists)
    task = CombinationTask(
        document=document_of(text, name), text=text, name=name, places=case.places, nominal=nominal
    )  # fmt: skip
    told: list[Combination] = []
    for wave in _waves(ordered, cheapest=cheapest):
        met = [c.cost for c in told if c.targets_met]
        if cheapest and met and wave[0].cost > min(met):
            break
        work = partial(examined_combination, task)
        for found in map(work, wave) if executor is None else executor.map(work, wave):
            told.append(found)
            if progress is not None:
                progress(len(told), count)
    limits = {n: v for n in ("step_deviation", "output_ripple") if (v := getattr(case.targets, n)) is not None}
    front = pareto_front(told)
    if len(told) < count:  # what was skipped might belong to it
        front = tuple(k for k in front if told[k].cost == told[front[0]].cost)
    return SizeResult(
        title=case.title, weighed_by=_candidates(case, name).weighed_by, nominal=nominal, combinations=count,
        points=tuple(told), skipped=count - len(told), front=front, limits=limits,
        stepped=case.specification.load_step is not None,
    )  # fmt: skip


def sized_case(text: str, chosen: Combination) -> str:
    """Write a combination and its compensation into the text of its case file.

    Parameters
    ----------
    text : str
        The case file.
    chosen : Combination
        What to write.

    Returns
    -------
    str
        The new text, comments and candidates kept.
    """
    named = {"slope": "modulator.slope"}
    return write_parts(write_candidates(text, chosen.numbers), {named.get(n, n): v for n, v in chosen.parts.items()})


def _candidates(case: Case, name: str) -> Candidates:
    """Return the candidates of a case; refuse a case without any."""
    given = case.candidates
    if given is None or not given.of:
        raise DataError(f"{printable(name)}: there are no candidates to choose from; write {EXAMPLE}")
    return given


def _lists(case: Case, name: str) -> dict[str, tuple[Candidate, ...]]:
    """Return the candidates by designator; refuse a case without any, or without a loop to compensate."""
    given = _candidates(case, name)
    missing = missing_for_a_loop(case)
    if missing:
        raise DataError(f"{printable(name)}: size needs {' and '.join(missing)}: say which amplifier closes the loop")
    return dict(given.of)


def _ordered(lists: Mapping[str, Sequence[Candidate]]) -> list[Combination]:
    """List every combination, the cheapest first; equally cheap ones in the order of the file."""
    called = {part: candidate_names(entries) for part, entries in lists.items()}
    told = []
    for numbers in product(*(range(len(entries)) for entries in lists.values())):
        chosen = dict(zip(lists, numbers, strict=True))
        cost = math.fsum((lists[part][k].price or lists[part][k].size or 0.0) for part, k in chosen.items())
        names = {part: called[part][k] for part, k in chosen.items()}
        told.append(Combination(numbers=chosen, names=names, cost=float(f"{cost:.12g}")))  # 0.1 + 0.2 is 0.3
    return sorted(told, key=lambda c: c.cost)


def candidate_names(entries: Sequence[Candidate]) -> list[str]:
    """Call each candidate by its own name, or by its values; namesakes are numbered.

    Parameters
    ----------
    entries : sequence of CapacitorCandidate or DamperCandidate
        Candidates for one part.

    Returns
    -------
    list of str
        A name for each, all different.
    """
    names = []
    for entry in entries:
        capacitance = format_quantity(entry.capacitance, "F")
        if isinstance(entry, DamperCandidate):
            values = f"{format_quantity(entry.resistance, 'ohm')} + {capacitance}"
        else:
            values = f"{capacitance}, {format_quantity(entry.esr, 'ohm')}"
            values = f"{entry.count} x {values}" if entry.count > 1 else values
        names.append(entry.name or values)
    return [n if names.count(n) == 1 else f"{n} ({k + 1})" for k, n in enumerate(names)]


def _waves(ordered: list[Combination], *, cheapest: bool) -> Iterator[list[Combination]]:
    """Part the combinations into those that go out together."""
    size = WAVE if cheapest else len(ordered)
    for begin in range(0, len(ordered), size):
        yield ordered[begin : begin + size]


def pareto_front(examined: Sequence[Combination]) -> tuple[int, ...]:
    """Find the combinations meeting every target that no other one meeting every target beats.

    Parameters
    ----------
    examined : sequence of Combination
        Combinations.

    Returns
    -------
    tuple of int
        Their numbers, the cheapest first; several where they cost and depart alike.
    """

    def departure(k: int) -> float:
        found = examined[k].peak_deviation_v
        return math.inf if found is None else found

    met = sorted((k for k, c in enumerate(examined) if c.targets_met), key=lambda k: (examined[k].cost, departure(k)))
    front: list[int] = []
    for k in met:
        last = front[-1] if front else None
        same = last is not None and (examined[k].cost, departure(k)) == (examined[last].cost, departure(last))
        if last is None or same or departure(k) < departure(last):
            front.append(k)
    return tuple(front)
