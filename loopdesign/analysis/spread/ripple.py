"""The output's ripple over production: that of every sample at every operating point, read from the exact waveform."""

from __future__ import annotations

from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.spread.figures import Bound, per_sample, tail_of, worst_of
from loopdesign.analysis.variants.ripple import output_ripples
from loopdesign.corners.tolerances import variants
from loopdesign.workers.processors import available_processors

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.findings.worst import WorstReading
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]

AT_ONCE = 256
"""Samples read at once at one condition: a working set that stays near the processor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RippleSpread:
    """Ripple of the output of every sample.

    Attributes
    ----------
    output_ripple_v
        (N,C) peak to peak [V]; NaN where a sample has no operating point.
    nominal_v
        (C,) that of nominal parts [V].
    worst
        The largest over nominal parts and worst tolerance ends; None where no place has an operating point.
    """

    output_ripple_v: Array
    nominal_v: Array
    worst: WorstReading | None

    def off_target(self, limit_v: float) -> NDArray[np.bool_]:
        """Tell which samples (N,) have more ripple than a limit [V] somewhere, or no operating point."""
        return np.asarray(~(self.output_ripple_v <= limit_v).all(axis=1))

    def bound(self, limit_v: float, tail: float) -> Bound:
        """Set the worst ripple by four routes side by side.

        Parameters
        ----------
        limit_v
            Largest ripple allowed, peak to peak [V].
        tail
            Share of production that the sampled tail covers [unitless].

        Returns
        -------
        Bound
            Nominal parts, tolerance ends, sampled tail and worst sample.
        """
        samples = per_sample(self.output_ripple_v, high_is_bad=True)
        return Bound(
            name="output ripple",
            unit="V",
            limit=limit_v,
            high_is_bad=True,
            nominal=worst_of(self.nominal_v, high_is_bad=True),
            ends=None if self.worst is None else self.worst.value,
            tail=tail_of(samples, tail, high_is_bad=True),
            worst=worst_of(samples, high_is_bad=True),
        )


def ripple_spread(
    base: Base,
    varied: tuple[Varied, ...],
    drawn: Array,
    worst: WorstReading | None,
    executor: Executor | None = None,
) -> RippleSpread:
    """Read the output's ripple of every sample at every condition.

    Parameters
    ----------
    base
        Nominal conditions (C,) and where their solutions lie.
    varied
        Causes of spread (k).
    drawn
        (N,k) place of every cause in every sample, -1 to 1 between the ends [unitless].
    worst
        The largest over nominal parts and worst tolerance ends.
    executor
        Any concurrent.futures executor; threads, one per processor, where absent.

    Returns
    -------
    RippleSpread
        Of every sample.
    """
    count = len(base.corners)
    work = [(c, b) for c in range(count) for b in range(0, len(drawn), AT_ONCE)]
    task = partial(_chunk, base, varied)
    with ThreadPoolExecutor(available_processors()) if executor is None else nullcontext(executor) as pool:
        pieces = list(pool.map(task, [c for c, _ in work], [drawn[b : b + AT_ONCE] for _, b in work]))
    return RippleSpread(
        output_ripple_v=np.concatenate(pieces).reshape(count, len(drawn)).T,
        nominal_v=output_ripples(base, base.corners, np.arange(count)),
        worst=worst,
    )


def _chunk(base: Base, varied: tuple[Varied, ...], condition: int, drawn: Array) -> Array:
    """Ripple (M,) of some samples at one condition [V]."""
    which = np.full(len(drawn), condition)
    return output_ripples(base, variants(base.corners, which, varied, drawn), which)
