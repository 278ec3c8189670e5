"""The worst case of each reading by four routes: nominal parts, tolerance ends, sampled tail, worst sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.spread.figures import Bound, per_sample, tail_of, worst_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.analysis.variants.judge import Judged

TAIL = 0.999
"""Share of production the sampled worst figure covers."""


def _of_stable(judged: Judged, name: str) -> NDArray[np.float64]:
    return np.where(judged.stable, getattr(judged, name), np.nan)


def yield_against_worst_case(result: SpreadResult) -> tuple[Bound, ...]:
    """Set the worst case of each reading by four routes side by side, over all conditions.

    Parameters
    ----------
    result
        Samples.

    Returns
    -------
    tuple of Bound
        Nominal parts, the worst combination of tolerance ends, what 99.9 % of the samples keep, the worst sample; of
        stable ones only, for an unstable one has no margin.
    """
    lowest = None if result.case.targets.crossover_min is None else "crossover_min"
    rows = (
        ("crossover", "Hz", "crossover_hz", "crossover_limit", True),
        ("phase margin", "deg", "phase_margin_deg", "phase_margin", False),
        ("gain margin", "dB", "gain_margin_db", "gain_margin", False),
        ("modulus margin", "", "modulus_margin", "modulus_margin", False),
        ("lowest crossover", "Hz", "crossover_hz", lowest, False),
    )
    told = []
    for words, unit, name, limit, high in rows:
        samples = per_sample(result.reading(name), high_is_bad=high)
        told.append(
            Bound(
                name=words,
                unit=unit,
                limit=None if limit is None else result.limit(limit),
                high_is_bad=high,
                nominal=worst_of(_of_stable(result.nominal, name), high_is_bad=high),
                ends=worst_of(_of_stable(result.extremes.judged, name), high_is_bad=high),
                tail=tail_of(samples, TAIL, high_is_bad=high),
                worst=worst_of(samples, high_is_bad=high),
            )
        )
    if result.step is not None:
        told.append(result.step.bound(result.limit("step_deviation"), TAIL))
    if result.ripple is not None:
        told.append(result.ripple.bound(result.limit("output_ripple"), TAIL))
    return tuple(told)
