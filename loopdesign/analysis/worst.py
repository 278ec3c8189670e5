"""A check beyond nominal parts: every temperature, and the tolerance ends that are worst for each reading.

The ends are those that `variants.extremes` searches out. The inside of the tolerance box is not examined here: a spread
samples it, and neither proves it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import CheckResult, examine_stage
from loopdesign.analysis.findings.worst import Examined, WorstReading, with_ends
from loopdesign.analysis.limits import missed_limits
from loopdesign.analysis.transient.deviation import with_step_deviation
from loopdesign.analysis.variants.extremes import extremes
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import toleranced
from loopdesign.network.batch import joined

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied

LOW_IS_BAD = ("phase_margin_deg", "gain_margin_db", "modulus_margin", "lowest_crossover_hz")
MARGINS = ("crossover_hz", "lowest_crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin")
HIGH_IS_BAD = ("crossover_hz", "largest_multiplier")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Judgements:
    """Everything judged: nominal parts at each temperature, then combinations of ends (N)."""

    conditions: Corners
    condition: NDArray[np.intp]
    places: NDArray[np.float64]
    varied: tuple[Varied, ...]
    judged: Judged

    def ends(self, item: int) -> dict[str, float]:
        """Relative change of each toleranced value at one item [unitless]."""
        told = {}
        for cause, place in zip(self.varied, self.places[item], strict=True):
            if place:
                low, high = next(iter(cause.ends.values()))
                told[cause.name] = float(-place * low if place < 0.0 else place * high)
        return told

    def reading(self, item: int, value: float) -> WorstReading:
        """Read one item."""
        at = int(self.condition[item])
        return WorstReading(
            value=value,
            input_voltage=float(self.conditions.input_voltage[at]),
            load_current=float(self.conditions.load_current[at]),
            temperature=float(self.conditions.temperature[at]),
            ends=self.ends(item),
        )

    def name(self, item: int) -> str:
        """Name one item in a sentence."""
        at = int(self.condition[item])
        k = self.conditions
        place = f"{k.input_voltage[at]:.4g} V, {k.load_current[at]:.3g} A, {k.temperature[at]:.3g} degC"
        return place + with_ends(self.ends(item))


def beyond_nominal(found: CheckResult) -> CheckResult:
    """Examine temperatures and tolerance ends besides the nominal corners of a check.

    Parameters
    ----------
    found : CheckResult
        The nominal corners, the loop closed.

    Returns
    -------
    CheckResult
        With ``worst``, ``examined`` and ``step_deviation``, and the reasons of everything that fails.
    """
    if found.closed_loop is None:
        return found
    case, parts = found.case, found.parts
    conditions = base_corners(case)
    temperatures = len(set(conditions.temperature.tolist()))
    stage = found.stage if temperatures == 1 else examine_stage(case, conditions)
    base = base_of(case, parts, stage)
    everyone = np.arange(len(conditions))
    varied = toleranced(case, parts)
    nominal = judge(base, base.corners, everyone)
    at_ends = extremes(base, varied)
    all_judged = _Judgements(
        conditions=conditions,
        condition=np.concatenate([everyone, at_ends.condition]).astype(np.intp),
        places=np.concatenate([np.zeros((len(conditions), len(varied))), at_ends.places.reshape(-1, len(varied))]),
        varied=varied,
        judged=joined([nominal, at_ends.judged]) if len(at_ends.condition) else nominal,
    )
    covered = Examined(
        corners=len(found.conditions),
        temperatures=temperatures,
        tolerance_ends=True,
        points=len(all_judged.condition),
    )
    judged = replace(
        found,
        worst=_worst(all_judged),
        examined=covered,
        stable_beyond=bool((all_judged.judged.stable & all_judged.judged.reached).all()),
        reasons=(*found.reasons, *_failures(found, all_judged)),
    )
    return with_step_deviation(judged)


def _worst(everything: _Judgements) -> dict[str, WorstReading | None]:
    """Find the worst value of each reading; None where it exists nowhere."""
    told: dict[str, WorstReading | None] = {}
    for name in (*LOW_IS_BAD, *HIGH_IS_BAD):
        values = np.asarray(getattr(everything.judged, name), dtype=np.float64)
        there = np.isfinite(values)
        if name != "largest_multiplier":
            there &= everything.judged.reached
        if not there.any():
            told[name] = None
            continue
        items = np.flatnonzero(there)
        item = int(items[np.argmin(values[items]) if name in LOW_IS_BAD else np.argmax(values[items])])
        told[name] = everything.reading(item, float(values[item]))
    return told


def _failures(found: CheckResult, everything: _Judgements) -> tuple[str, ...]:
    """Say what fails at a temperature or tolerance end; nominal corners have their own reasons already."""
    judged = everything.judged
    told = []
    lost = np.flatnonzero(~judged.reached)
    if len(lost):
        told.append(f"the output is out of reach at {everything.name(int(lost[0]))}")
    shaky = np.flatnonzero(judged.reached & ~judged.stable)
    if len(shaky) and found.stable:
        item = int(shaky[np.argmax(judged.largest_multiplier[shaky])])
        size = float(judged.largest_multiplier[item])
        what = f"unstable (largest multiplier {size:.4f})" if size >= 1.0 else "not held by its controller"
        told.append(f"{what} at {everything.name(item)}")
    names = [everything.name(item) for item in range(len(everything.condition))]
    kept = judged.reached & judged.stable
    readings = replace(judged, **{name: np.where(kept, getattr(judged, name), np.nan) for name in MARGINS})
    already = " ".join(found.reasons)
    told += [s for s in missed_limits(found.limits, readings, names) if s not in already]
    return tuple(told)
