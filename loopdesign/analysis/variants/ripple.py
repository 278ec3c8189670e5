"""The output's ripple, peak to peak: at every corner, temperature and worst tolerance end.

It is read from the periodic operating point alone. The average output fixes that point and the divider is buffered from
it, so no part of the compensation changes a waveform of the stage.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.worst import NOTICEABLE, WorstReading, reading_place
from loopdesign.analysis.variants.ends import EndSearch
from loopdesign.analysis.variants.extremes import at_temperatures
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import alike, base_of, guess_at, nominal_temperature, variant_converter
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.waveforms import probe_ripple
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]

FAILURES = (LoopDesignError, *BREAKDOWN)


def output_ripples(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Array:
    """Read the output's ripple of variants.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].

    Returns
    -------
    ndarray (B,)
        Peak to peak [V]; NaN where there is no operating point.
    """

    def together(items: NDArray[np.intp]) -> Array:
        converter = variant_converter(base, corners.take(items), condition[items])
        return probe_ripple(operating_point(converter, guess_at(base, condition[items]), lean=True), "v(out)")

    def alone(items: NDArray[np.intp]) -> Array:
        return np.full(len(items), np.nan)

    found = np.empty(len(corners))
    for some in alike(base, condition):
        found[some] = in_halves(together, some, failures=FAILURES, alone=alone)
    return found


def worst_ripple(base: Base, *, tolerances: bool = True, verdict: bool = True) -> WorstReading | None:
    """Find the largest ripple of the output over everything examined.

    Parameters
    ----------
    base : Base
        Conditions of the case, nominal parts.
    tolerances : bool
        Whether tolerance ends count [unitless].
    verdict : bool
        Whether to tell if the converter is stable there, for which its compensation must be known [unitless].

    Returns
    -------
    WorstReading or None
        Peak to peak [V], and where; None where no place has an operating point.
    """
    varied = toleranced(base.case, {}) if tolerances else ()  # parts of the network have no say in it
    count, k = len(base.corners), len(varied)
    condition, places, gain = np.arange(count), np.zeros((count, k)), np.zeros(k)
    if k:

        def ripples(condition: NDArray[np.intp], places: Array) -> Array:
            return output_ripples(base, variants(base.corners, condition, varied, places), condition)

        ends = EndSearch(ripples, _badness, k, nominal_temperature(base)).run()
        worst, gain = ends.worst[:, 0], ends.gain[0]
        condition = np.concatenate([condition, ends.condition[worst]])
        places = np.concatenate([places, ends.places[worst]])
    corners = variants(base.corners, condition, varied, places)
    values = output_ripples(base, corners, condition)
    if not np.isfinite(values).any():
        return None
    item = int(np.nanargmax(values))
    at = corners.take(np.array([item]))
    changes, leading = _ends(varied, places[item], gain)
    return WorstReading(
        value=float(values[item]),
        input_voltage=float(at.input_voltage[0]),
        load_current=float(at.load_current[0]),
        temperature=float(at.temperature[0]),
        ends=changes,
        leading=leading,
        stable=not verdict or bool(judge(base, at, condition[[item]]).stable[0]),
    )


def _badness(ripples: Array) -> Array:
    """How bad ripples (N,) are (N,1): finite also where there is no operating point."""
    return np.nan_to_num(ripples, nan=0.0)[:, None]


def _ends(varied: tuple[Varied, ...], places: Array, gain: Array) -> tuple[dict[str, float], tuple[str, ...]]:
    """Relative changes at one point, what matters most first, and the names of those that matter."""
    changes: dict[str, float] = {}
    leading: list[str] = []
    for k in np.argsort(-gain, kind="stable"):
        for name, (low, high) in varied[k].ends.items() if places[k] else ():
            if change := high if places[k] > 0.0 else low:
                changes[name] = change
                leading += [name] if gain[k] > NOTICEABLE * gain.max() else []
    return changes, tuple(leading)


def with_output_ripple(found: CheckResult, *, tolerances: bool = True) -> CheckResult:
    """Hold a check against the ripple that its case allows at the output.

    Parameters
    ----------
    found : CheckResult
        The check.
    tolerances : bool
        Whether temperatures and tolerance ends count [unitless].

    Returns
    -------
    CheckResult
        The same where the case has no such target; with the largest ripple, and its failure among the reasons, where it
        has.
    """
    limit = found.limits.output_ripple
    if limit is None:
        return found
    base = base_of(found.case, found.parts, found.stage)
    worst = worst_ripple(at_temperatures(base) if tolerances else base, tolerances=tolerances)
    failures: tuple[str, ...] = ()
    if worst is not None and worst.value > limit.value:
        name = reading_place(worst, temperature=found.examined.temperatures > 1)
        reached, asked = (format_quantity(v, "V", 4) for v in (worst.value, limit.value))
        failures = (f"output ripple {reached} at {name} is above {asked}",)
    return replace(found, output_ripple=worst, reasons=(*found.reasons, *failures))
