"""A check beyond nominal parts: every temperature, and the tolerance ends that are worst for each reading.

The ends are those that `variants.extremes` searches out; whatever that judges counts. The inside of the tolerance box
is not examined here: a spread samples it, and neither proves it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import CheckResult, closed_model, examine_stage
from loopdesign.analysis.findings.clamp import clamp_study
from loopdesign.analysis.findings.corner import instabilities, point_name
from loopdesign.analysis.findings.held import not_held
from loopdesign.analysis.findings.ratings import overstressed, stresses
from loopdesign.analysis.findings.worst import LOW_IS_BAD, NOTICEABLE, WORST, Beyond, Examined, WorstReading, with_ends
from loopdesign.analysis.limits import Limits, missed_limits
from loopdesign.analysis.regimes.least import light_loads
from loopdesign.analysis.variants.extremes import READINGS, Extremes, at_temperatures, extremes
from loopdesign.analysis.variants.reserve import RESERVES
from loopdesign.analysis.variants.ripple import with_output_ripple
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.controller import bounds
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.errors import LoopDesignError
from loopdesign.models.verdict import verdicts
from loopdesign.network.batch import joined, occurring
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import KEPT, WORDS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.variants.current_loop import CurrentLoop
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.corners.conditions import Corners

DUTY = "largest duty"
"""Reserve that is used up where the output is out of reach."""
BOUNDS_OF = {
    "minimum on-time": ("minimum on-time",), "clamp": ("lowest clamp", "highest clamp"),
    "current limit": ("current limit",), "pull-up": ("pull-up below", "pull-up above"),
}  # fmt: skip
"""Reserves that are used up where a controller does not hold its operating point, by the word that says so."""
SAME_MISS = 1e-6
"""Share of a limit by which ends must miss it by more than nominal corners do, to be told as well."""
READ_AS = {"crossover_min": "lowest_crossover_hz"}
"""Reading whose worst ends a limit is told with, where it is not the limit's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """Points that stand for all that was judged (N): nominal parts at every condition, then the worst ends.

    ``told`` marks those whose failures the nominal corners of the check tell already.
    """

    corners: Corners
    places: NDArray[np.float64]
    judged: Judged
    current_loop: CurrentLoop
    told: NDArray[np.bool_]

    def ends(self, item: int, ends: Extremes, what: str | None = None) -> tuple[dict[str, float], tuple[str, ...]]:
        """Relative changes at one point, and the names of those that matter: first what does most to what is read."""
        rank = np.zeros(len(ends.varied))
        if what is not None:
            rank = ends.gain[READINGS.index(what)] if what in READINGS else ends.reserve_gain[RESERVES.index(what)]
        known = rank.max(initial=0.0) > 0.0
        order = np.argsort(-rank, kind="stable")
        changes, leading = {}, []
        for cause, gain, place in ((ends.varied[k], rank[k], self.places[item, k]) for k in order):
            for name in cause.ends:
                if place and (change := cause.ends[name][int(place > 0.0)]):
                    changes[name] = change
                    leading += [name] if not known or gain > NOTICEABLE * rank.max() else []
        return changes, tuple(leading)

    def name(self, item: int, ends: Extremes, what: str | None = None) -> str:
        """Name one point in a sentence."""
        warm = len(set(self.corners.temperature.tolist())) > 1
        return point_name(self.corners, item, temperature=warm) + with_ends(*self.ends(item, ends, what))


def beyond_nominal(found: CheckResult, ends: Extremes | None = None) -> CheckResult:
    """Examine temperatures and tolerance ends besides the nominal corners of a check.

    Parameters
    ----------
    found : CheckResult
        The nominal corners.
    ends : Extremes, optional
        The worst ends at every line, load and temperature of the case, where they are known.

    Returns
    -------
    CheckResult
        With ``worst``, ``examined``, ``step_deviation`` and ``output_ripple`` about all of it, and the reasons of
        everything that fails.
    """
    case, parts = found.case, found.parts
    base = at_temperatures(base_of(case, parts, found.stage))
    if ends is None or len(ends.nominal) != len(base.corners):
        ends = extremes(base, toleranced(case, parts))
    points = _points(base.corners, case.nominal_temperature, ends)
    covered = Examined(
        corners=len(found.conditions),
        temperatures=len(set(base.corners.temperature.tolist())),
        tolerance_ends=True,
        points=ends.examined,
        toleranced_values=len(ends.varied),
    )
    failures = _failures(found, points, ends)
    stable = bool(points.judged.stable.all())
    beyond = Beyond(worst=_worst(points, ends), examined=covered, stable=stable, reasons=failures)
    found = _with_clamp(replace(found, beyond=beyond, reasons=(*found.reasons, *failures)), beyond)
    return with_output_ripple(_with_step_deviation(found, tolerances=True))


def _with_clamp(found: CheckResult, beyond: Beyond) -> CheckResult:
    """Solve leakage and clamp at their ends; one without operating point fails, and a switch voltage above its rating.

    The other ratings are held against nominal parts.
    """
    study = clamp_study(found.case, found.stage, ends=True)
    if study is None:
        return found
    over: tuple[str, ...] = ()
    highest = study.at_ends.get("switch_voltage_peak")
    for stress in stresses(found.case, found.stage.waves):
        if stress.name == "switch_voltage" and stress.met and highest is not None:
            place = f"{highest.input_voltage:.4g} V, {highest.load_current:.3g} A{with_ends(highest.ends)}"
            over = overstressed([replace(stress, reached=np.array([highest.value]))], [place])
    if study.failed:
        beyond = replace(beyond, stable=False, reasons=(*beyond.reasons, *study.failed))
    return replace(found, clamp=study, beyond=beyond, reasons=(*found.reasons, *study.failed, *over))


def nominal_alone(found: CheckResult) -> CheckResult:
    """Hold nominal parts at the nominal temperature against what is not read of the loop gain: load step and ripple.

    Parameters
    ----------
    found : CheckResult
        The nominal corners.

    Returns
    -------
    CheckResult
        With ``step_deviation`` and ``output_ripple`` where the case has targets for them.
    """
    return with_output_ripple(_with_step_deviation(found, tolerances=False), tolerances=False)


def _with_step_deviation(found: CheckResult, *, tolerances: bool) -> CheckResult:
    """Hold a check against its target for the load step, where it has one."""
    if found.case.targets.step_deviation is None:
        return found
    from loopdesign.analysis.transient.deviation import with_step_deviation  # noqa: PLC0415  (few cases need it)

    return with_step_deviation(found, tolerances=tolerances)


def _points(conditions: Corners, nominal_temperature: float, ends: Extremes) -> _Points:
    """Line up nominal parts at every condition and the worst combinations of ends."""
    count = len(conditions)
    condition = np.concatenate([np.arange(count), ends.condition]).astype(np.intp)
    places = np.concatenate([np.zeros((count, len(ends.varied))), ends.places])
    return _Points(
        corners=variants(conditions, condition, ends.varied, places),
        places=places,
        judged=joined([ends.nominal, ends.judged]),
        current_loop=joined([ends.nominal_current_loop, ends.current_loop]),
        told=(conditions.temperature[condition] == nominal_temperature) & ~places.any(axis=1),
    )


def _worst(points: _Points, ends: Extremes) -> dict[str, WorstReading | None]:
    """Find the worst value of each reading; None where it exists nowhere."""
    told: dict[str, WorstReading | None] = {}
    for name in WORST:
        values = np.where(points.judged.read, getattr(points.judged, name), np.nan)
        if not np.isfinite(values).any():
            told[name] = None
            continue
        item = int(np.nanargmin(values) if name in LOW_IS_BAD else np.nanargmax(values))
        changes, leading = points.ends(item, ends, name)
        told[name] = WorstReading(
            value=float(values[item]),
            input_voltage=float(points.corners.input_voltage[item]),
            load_current=float(points.corners.load_current[item]),
            temperature=float(points.corners.temperature[item]),
            ends=changes,
            leading=leading,
            stable=bool(points.judged.stable[item]),
        )
    return told


def _failures(found: CheckResult, points: _Points, ends: Extremes) -> tuple[str, ...]:
    """Say what fails at a temperature or tolerance end; nominal corners have their own reasons already."""
    judged, beyond = points.judged, ~points.told
    told = []
    lost = np.flatnonzero(beyond & ~judged.reached)
    if len(lost):
        item = int(lost[np.argmin(points.current_loop.reserves[lost, RESERVES.index(DUTY)])])
        told.append(f"the output is out of reach at {points.name(item, ends, DUTY)}{_others(len(lost))}")
    for code in occurring(judged.held[beyond & judged.reached & (judged.held != KEPT)]):
        items = np.flatnonzero(beyond & judged.reached & (judged.held == code))
        item, what = _narrowest(points, items, BOUNDS_OF.get(str(WORDS[code]), ()))
        told.append(_exactly(found, points, ends, item, what) + _others(len(items)))
    growing = np.flatnonzero(beyond & judged.read & ~judged.stable)
    if len(growing):
        item = int(growing[np.argmax(judged.largest_multiplier[growing])])
        told.append(_exactly(found, points, ends, item, "largest_multiplier") + _others(len(growing)))
    inner = np.flatnonzero(beyond & judged.stable & ~points.current_loop.stable)
    if len(inner) and found.margins:
        told.append(_exactly(found, points, ends, int(inner[0])) + _others(len(inner)))
    return (*told, *_missed(found, points, ends))


def _narrowest(points: _Points, items: NDArray[np.intp], reserves: tuple[str, ...]) -> tuple[int, str | None]:
    """Find the point with the least of some reserves, and which of them it is; the first point where none is known."""
    if not reserves:
        return int(items[0]), None
    columns = np.array([RESERVES.index(name) for name in reserves])
    least = points.current_loop.reserves[np.ix_(items, columns)]
    place, column = np.unravel_index(int(np.argmin(least)), least.shape)
    return int(items[place]), reserves[int(column)]


def _others(count: int) -> str:
    """Say at how many more points the same holds."""
    return f"; the same at {count - 1} other worst ends or temperatures" if count > 1 else ""


def _missed(found: CheckResult, points: _Points, ends: Extremes) -> tuple[str, ...]:
    """Say which limits fail beyond the nominal corners, and worse than at those."""
    if not found.margins:
        return ()
    kept = np.flatnonzero(points.judged.stable)
    beyond = kept[~points.told[kept]]
    if not len(beyond):
        return ()
    told: list[str] = []
    readings = points.judged.take(beyond)
    nominal = points.judged.take(kept[points.told[kept]])
    for row in found.limits.rows:
        miss, before = row.miss(readings), row.miss(nominal).max(initial=0.0)
        if miss.max() > before + SAME_MISS:
            names = [""] * len(beyond)
            worst = int(np.argmax(miss))
            reading = READ_AS.get(row.name, row.reading)
            names[worst] = points.name(int(beyond[worst]), ends, reading)
            told += missed_limits(Limits(rows=(row,)), readings.take(np.array([worst])), [names[worst]])
    silent = beyond[np.isnan(readings.crossover_hz)]
    if len(silent):
        told.append(f"no crossover at {points.name(int(silent[0]), ends)}{_others(len(silent))}")
    return tuple(told)


def _exactly(found: CheckResult, points: _Points, ends: Extremes, item: int, what: str | None = None) -> str:
    """Examine one failing point by itself, and say what it does."""
    case, parts, corners = found.case, found.parts, points.corners.take(np.array([item]))
    name = points.name(item, ends, what)
    try:
        stage = examine_stage(case, corners)
        loop = closed_model(case, stage, parts) if found.margins else None
        verdict = verdicts(stage.model, loop, bounds(case, corners))
        light = () if loop is None else light_loads(case, corners, stage.converter, loop.point, verdict, parts)
        told = not_held(
            case, corners, stage.converter, stage.point if loop is None else loop.point, verdict,
            parts if found.margins else None, names=[name], found=light or None,
        )  # fmt: skip
        told += instabilities(corners, verdict, names=[name])
    except (LoopDesignError, *BREAKDOWN):
        told = ()
    if told:
        return told[0]
    word = WORDS[int(points.judged.held[item])]
    return f"{name}: the controller does not keep its operating point ({word})" if word else f"unstable at {name}"
