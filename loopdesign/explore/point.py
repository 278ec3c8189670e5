"""One point of a sweep: the case with values set anew, examined as a check of its own, or designed anew."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from loopdesign.analysis.check import examine
from loopdesign.analysis.given import given_parts, has_loop, require_slope
from loopdesign.analysis.transient.deviation import step_deviation
from loopdesign.analysis.worst import beyond_nominal, nominal_alone
from loopdesign.case.vary import with_values
from loopdesign.errors import LoopDesignError, NoDesignError
from loopdesign.synthesis.choice import choose

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult
    from loopdesign.case.locate import Places
    from loopdesign.margins.margins import LoopMargins

ConductionMode = Literal["CCM", "DCM", "both"]
"""Conduction over the corners of a point."""
READINGS = (
    "stable", "largest_multiplier", "phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz",
    "lowest_crossover_hz", "mode", "targets_met", "misleading", "peak_deviation_v",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepPoint:
    """One point of a sweep, each reading the worst over the corners examined.

    Attributes
    ----------
    values : tuple of float
        Values of the varied quantities, in SI units.
    stable : bool or None
        Whether every corner is stable and held.
    largest_multiplier, phase_margin_deg, gain_margin_db, modulus_margin : float or None
        Readings [unitless], [deg], [dB], [unitless]; None where there is none.
    crossover_hz, lowest_crossover_hz : float or None
        Highest and lowest crossover [Hz]; None where there is none.
    mode : {"CCM", "DCM", "both"} or None
        Conduction at the nominal corners: continuous at all, discontinuous at all, or some of each.
    targets_met : bool or None
        Whether no target and no verdict fails; None where many points were solved together and only their loops read.
    misleading : bool or None
        Whether a nominal corner is unstable although its loop gain shows the margins asked for.
    peak_deviation_v : float or None
        Largest departure at the load step [V]; None where it was not asked for.
    parts : mapping of str to float or None
        Compensation parts that were chosen for this point [ohm], [F]; None where they are the case's own.
    error : str or None
        Why the point could not be examined.
    refused : bool
        Whether that is because the converter or a design of it cannot exist, and not because its input is wrong.
    """

    values: tuple[float, ...]
    stable: bool | None = None
    largest_multiplier: float | None = None
    phase_margin_deg: float | None = None
    gain_margin_db: float | None = None
    modulus_margin: float | None = None
    crossover_hz: float | None = None
    lowest_crossover_hz: float | None = None
    mode: ConductionMode | None = None
    targets_met: bool | None = None
    misleading: bool | None = None
    peak_deviation_v: float | None = None
    parts: Mapping[str, float] | None = None
    error: str | None = None
    refused: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Turn the point into plain values, ready for JSON.

        Returns
        -------
        dict
            The attributes by name.
        """
        chosen = None if self.parts is None else dict(self.parts)
        told = {name: getattr(self, name) for name in READINGS}
        return {"values": list(self.values), **told, "parts": chosen, "error": self.error}


@dataclass(frozen=True, slots=True, kw_only=True)
class PointTask:
    """What every point of a sweep shares.

    Attributes
    ----------
    document, text, name, places
        The case file as read, its text, its name, and where its keys stand.
    keys
        Paths of the varied quantities.
    worst
        Whether temperatures and tolerance ends count.
    redesign
        Whether the compensation is chosen anew at every point.
    step
        Whether the load step is made although the case sets no target for it.
    """

    document: dict[str, Any]
    text: str
    name: str
    places: Places
    keys: tuple[str, ...]
    worst: bool = False
    redesign: bool = False
    step: bool = False

    def case(self, values: tuple[float, ...]) -> cases.Case:
        """Validate the case at one point; raises CaseError where its values make it impossible."""
        return with_values(
            self.document, dict(zip(self.keys, values, strict=True)), self.text, self.name, self.places
        )  # fmt: skip


def examined_point(task: PointTask, values: tuple[float, ...]) -> SweepPoint:
    """Examine one point.

    Parameters
    ----------
    task : PointTask
        What every point shares.
    values : tuple of float
        Values of the varied quantities, in SI units [unitless].

    Returns
    -------
    SweepPoint
        With the reason where it could not be examined.
    """
    try:
        case = task.case(values)
        require_slope(case)
        found, parts = _redesigned(case, task) if task.redesign else (_checked(case, task), None)
        departure = _departure(found, task)
    except NoDesignError as error:
        told = f"no parts meet the targets: {str(error).splitlines()[0]}"
        return SweepPoint(values=values, error=told, refused=True)
    except LoopDesignError as error:
        refused = error.exit_status == NoDesignError.exit_status
        return SweepPoint(values=values, error=str(error).splitlines()[0], refused=refused)
    return read_point(found, values, parts, departure)


def _checked(case: cases.Case, task: PointTask) -> CheckResult:
    """Check the case with its own parts."""
    found = examine(case, given_parts(case) if has_loop(case) else {})
    return beyond_nominal(found) if task.worst else nominal_alone(found)


def _redesigned(case: cases.Case, task: PointTask) -> tuple[CheckResult, Mapping[str, float]]:
    """Choose every part of the compensation anew, and check the choice."""
    choice = choose(reopened(case), tolerances=task.worst)
    if task.worst:
        return beyond_nominal(choice.check, choice.extremes), choice.check.parts
    return nominal_alone(choice.check), choice.check.parts


def reopened(case: cases.Case) -> cases.Case:
    """Leave every part of a compensation network open.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    Case
        The same without parts of its network.
    """
    given = case.compensation
    if given is None:
        return case
    return case.model_copy(update={"compensation": given.model_copy(update=dict.fromkeys(given.parts))})


def _departure(found: CheckResult, task: PointTask) -> float | None:
    """Read the largest departure at the load step [V], where it is wanted."""
    told = found.step_deviation
    if told is None and task.step and found.closed_loop is not None:
        told = step_deviation(found.case, found.parts, tolerances=task.worst)
    return None if told is None else told.peak_deviation_v


def read_point(
    found: CheckResult, values: tuple[float, ...], parts: Mapping[str, float] | None, departure: float | None
) -> SweepPoint:
    """Read the worst of a check: over nominal corners, or over all it examined.

    Parameters
    ----------
    found : CheckResult
        The check.
    values : tuple of float
        Values of the varied quantities, in SI units [unitless].
    parts : mapping of str to float or None
        Compensation parts that were chosen [ohm], [F].
    departure : float or None
        Largest departure at the load step [V].

    Returns
    -------
    SweepPoint
        Each reading the worst.
    """
    worst, corners = found.worst, found.corners

    def reading(name: str, pick: Callable[[list[float]], float]) -> float | None:
        if found.beyond is not None:
            least = worst[name]
            return None if least is None else least.value
        present = [float(v) for c in corners if (v := getattr(c, name)) is not None]
        return pick(present) if present else None

    lowest = reading("lowest_crossover_hz", min) if found.beyond is not None else _lowest_crossover(found)
    return SweepPoint(
        values=values,
        stable=found.stable and all(c.stable for c in corners),
        largest_multiplier=reading("largest_multiplier", max),
        phase_margin_deg=reading("phase_margin_deg", min),
        gain_margin_db=reading("gain_margin_db", min),
        modulus_margin=reading("modulus_margin", min),
        crossover_hz=reading("crossover_hz", max),
        lowest_crossover_hz=lowest,
        mode=conduction([corner.mode == "DCM" for corner in corners]),
        targets_met=found.targets_met,
        misleading=any(
            misleads(m, v.largest_multiplier, (found.case.targets.phase_margin, found.case.targets.gain_margin))
            for m, v in zip(found.margins, found.verdicts, strict=False)
        ),
        peak_deviation_v=departure,
        parts=parts,
    )


def conduction(discontinuous: Sequence[bool]) -> ConductionMode:
    """Say in a word how the corners of a point conduct.

    Parameters
    ----------
    discontinuous : sequence of bool
        Of each corner [unitless].

    Returns
    -------
    {"CCM", "DCM", "both"}
        The same at all, or some of each.
    """
    if all(discontinuous):
        return "DCM"
    return "both" if any(discontinuous) else "CCM"


def _lowest_crossover(found: CheckResult) -> float | None:
    """Lowest crossover of the nominal corners that are held [Hz]."""
    lowest = [
        m.lowest_crossover_hz
        for m, corner in zip(found.margins, found.corners, strict=False)
        if m.lowest_crossover_hz is not None and corner.crossover_hz is not None
    ]
    return float(min(lowest)) if lowest else None


def misleads(margins: LoopMargins, largest_multiplier: float, asked: tuple[float, float]) -> bool:
    """Tell whether a corner is unstable by its multipliers while its loop gain shows the margins asked for.

    Parameters
    ----------
    margins : LoopMargins
        Read from the loop gain.
    largest_multiplier : float
        Size of the largest multiplier of the closed loop [unitless].
    asked : tuple of float
        Phase margin [deg] and gain margin [dB] that the case asks for.

    Returns
    -------
    bool
        Whether the plot tells the contrary of the verdict.
    """
    if largest_multiplier < 1.0 or margins.phase_margin_deg is None or margins.phase_margin_deg < asked[0]:
        return False
    return margins.gain_margin_db is None or margins.gain_margin_db >= asked[1]
