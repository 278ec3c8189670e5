"""Spread in production: the exact loop gain and the multipliers of thousands of samples of the same converter.

Every sample draws all toleranced values at once and is examined at every input voltage, load and temperature of the
case. Work goes in chunks of a fixed number of items to any concurrent.futures executor; the chunks do not depend on the
executor, so that a seed gives the same bits on one thread and on many.
"""

from __future__ import annotations

from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.analysis.given import given_parts, require_slope
from loopdesign.analysis.limits import Limits, limits_of
from loopdesign.analysis.readings import Readings
from loopdesign.analysis.spread.figures import (
    Ranked,
    Share,
    ranking,
    share_of,
    worst_condition,
)
from loopdesign.analysis.spread.ripple import RippleSpread, ripple_spread
from loopdesign.analysis.spread.sampling import SMALLEST_FACTOR, places
from loopdesign.analysis.spread.step import StepSpread, step_spread
from loopdesign.analysis.variants.extremes import Extremes, extremes
from loopdesign.analysis.variants.judge import Judged, judge
from loopdesign.analysis.variants.ripple import worst_ripple
from loopdesign.analysis.variants.solve import Base, base_of
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import Varied, toleranced, variants
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError
from loopdesign.network.batch import joined
from loopdesign.orbit.holding import KEPT, WORDS
from loopdesign.workers.processors import available_processors

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners

CHUNK = 256
"""Items judged at once: a working set that stays near the processor, and what makes results independent of threads."""
READINGS = ("crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin")


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadResult:
    """Samples of a case, each examined at every condition.

    Attributes
    ----------
    case, parts
        What was sampled.
    seed
        Of the samples.
    conditions
        Corners (C,) of line, load and temperature.
    varied
        Causes of spread (d); none where nothing has a tolerance.
    places
        (N,d) place of every cause in every sample, -1 to 1 between the ends.
    crossover_hz, phase_margin_deg, gain_margin_db, modulus_margin
        (N,C) readings, NaN where there is none; they mean nothing where ``stable`` is False.
    largest_multiplier
        (N,C) [unitless].
    stable, reached
        (N,C) verdict; whether the output is reached.
    held
        (N,C) what keeps a sample from staying at its operating point, by code of `orbit.holding`; such a sample is not
        stable.
    limits
        What the case asks.
    unstable, off_target
        Share of samples unstable somewhere; share that miss a target or the verdict somewhere.
    worst_sample
        Number of the worst sample, and of the condition where it is worst.
    ranking
        Which cause moves the phase margin most, at the condition where the samples have the least.
    ranked_condition
        Number of that condition.
    nominal
        Readings of nominal parts at the conditions.
    extremes
        Worst combinations of tolerance ends.
    step
        Departures at the load step; None where the case has no target for it.
    ripple
        Ripple of the output; None where the case has no target for it.
    """

    case: cases.Case
    parts: Mapping[str, float]
    seed: int
    conditions: Corners
    varied: tuple[Varied, ...]
    places: NDArray[np.float64]
    crossover_hz: NDArray[np.float64]
    phase_margin_deg: NDArray[np.float64]
    gain_margin_db: NDArray[np.float64]
    modulus_margin: NDArray[np.float64]
    largest_multiplier: NDArray[np.float64]
    stable: NDArray[np.bool_]
    reached: NDArray[np.bool_]
    held: NDArray[np.intp]
    limits: Limits
    unstable: Share
    off_target: Share
    worst_sample: tuple[int, int]
    ranking: tuple[Ranked, ...]
    ranked_condition: int
    nominal: Judged
    extremes: Extremes
    step: StepSpread | None = None
    ripple: RippleSpread | None = None

    @property
    def not_held(self) -> dict[str, int]:
        """How many samples are not held or not reached somewhere, by the word that says why [unitless]."""
        words = {WORDS[code]: self.held == code for code in np.unique(self.held) if code != KEPT}
        told = {str(word): int(where.any(axis=1).sum()) for word, where in words.items()}
        lost = int((~self.reached).any(axis=1).sum())
        return told | ({"out of reach": lost} if lost else {})

    @property
    def samples(self) -> int:
        """Number of samples N."""
        return len(self.stable)

    def limit(self, name: str) -> float:
        """Return the value of one limit, in the unit of its reading; raises KeyError where there is none.

        Parameters
        ----------
        name : str
            Key in [targets], such as ``phase_margin``.

        Returns
        -------
        float
            In the unit of its reading.
        """
        return self.limits.value(name)

    def reading(self, name: str) -> NDArray[np.float64]:
        """Give a reading (N,C) with NaN where a sample is unstable: there a margin means nothing.

        Parameters
        ----------
        name : str
            Such as ``phase_margin_deg``.

        Returns
        -------
        ndarray (N, C)
            In the unit of the reading.
        """
        return np.where(self.stable, getattr(self, name), np.nan)

    def sample_corners_of(self, samples: NDArray[np.intp], condition: int) -> Corners:
        """Give some samples at one condition, with their factors.

        Parameters
        ----------
        samples : ndarray (K,)
            Numbers of the samples, counted from zero [unitless].
        condition : int
            Number of the condition, counted from zero [unitless].

        Returns
        -------
        Corners
            Variants (K,).
        """
        which = np.full(len(samples), condition)
        return variants(self.conditions, which, self.varied, self.places[samples])


@names_file("no spread")
def spread(
    case: cases.Case,
    samples: int = 10_000,
    seed: int = 1,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> SpreadResult:
    """Sample every toleranced value of a case whose parts are chosen.

    Parameters
    ----------
    case
        Case with error amplifier, divider and all compensation parts.
    samples
        Number of samples, at least 1 [unitless].
    seed
        Not negative [unitless].
    executor
        Any concurrent.futures executor; threads, one per processor, where absent.
    progress
        Called with (items done, items in all).

    Returns
    -------
    SpreadResult
        Every reading of every sample, with shares, ranking and extremes.

    Raises
    ------
    DataError
        For a count below 1, a negative seed, or a loop that is not given whole.
    UnreachableOutputError
        Where losses keep the output below its target with nominal parts.
    """
    if samples < 1:
        raise DataError(f"the number of samples is {samples}; it must be at least 1")
    parts = given_parts(case)
    require_slope(case)
    varied = toleranced(case, parts)
    drawn = places(len(varied), samples, seed, case.targets.distribution)
    drawn = _bounded(varied, drawn)
    stage = examine_stage(case, base_corners(case))
    base = base_of(case, parts, stage)
    count = len(base.corners)
    nominal = judge(base, base.corners, np.arange(count))
    if not nominal.reached.all():
        closed_model(case, stage, parts)  # fails by itself, and says where and why, before every sample does
    # without tolerances every sample is the nominal converter
    judged = _sampled(base, varied, drawn, executor, progress) if varied else joined([nominal] * samples)
    found = _result(base, varied, drawn, nominal, judged, limits=limits_of(case, stage), seed=seed)
    step = step_spread(case, parts, varied, drawn, executor)
    ripple = None
    if found.limits.output_ripple is not None:
        ripple = ripple_spread(base, varied, drawn, worst_ripple(base), executor)
    if step is None and ripple is None:
        return found
    beyond = [b.off_target(found.limit(n)) for n, b in (("step_deviation", step), ("output_ripple", ripple)) if b]
    off = np.any([_off_target(found), *beyond], axis=0)
    return replace(found, step=step, ripple=ripple, off_target=share_of(off))


def _off_target(found: SpreadResult) -> NDArray[np.bool_]:
    """Tell which samples (N,) miss a limit of the loop or the verdict somewhere."""
    table = {name: getattr(found, name) for name in (*READINGS, "largest_multiplier")}
    return np.asarray(found.limits.shortfall(Readings(**table, stable=found.stable)).max(axis=1) > 0.0)


def _result(
    base: Base, varied: tuple[Varied, ...], drawn: NDArray[np.float64], nominal: Judged, judged: Judged, *,
    limits: Limits, seed: int,
) -> SpreadResult:  # fmt: skip
    """Set the readings of every sample side by side, and find the worst and what moves them most."""
    shape = len(drawn), len(base.corners)
    table = {n: getattr(judged, n).reshape(shape) for n in (*READINGS, "largest_multiplier")}
    stable, reached = judged.stable.reshape(shape), judged.reached.reshape(shape)
    shortfall = limits.shortfall(Readings(**table, stable=stable))
    sample = int(np.argmax(shortfall.max(axis=1)))
    phase = np.where(stable, table["phase_margin_deg"], np.nan)
    tight = worst_condition(phase, stable, causes=len(varied))
    return SpreadResult(
        case=base.case,
        parts=base.parts,
        seed=seed,
        conditions=base.corners,
        varied=varied,
        places=drawn,
        **table,
        stable=stable,
        reached=reached,
        held=judged.held.reshape(shape),
        limits=limits,
        unstable=share_of(~stable.all(axis=1)),
        off_target=share_of(shortfall.max(axis=1) > 0.0),
        worst_sample=(sample, int(np.argmax(shortfall[sample]))),
        ranking=ranking(tuple(v.name for v in varied), drawn, phase[:, tight]),
        ranked_condition=tight,
        nominal=nominal,
        extremes=extremes(base, varied),
    )


def _bounded(varied: tuple[Varied, ...], drawn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Keep the tails of a normal spread from making a part vanish."""
    lowest = np.array([min(low for low, _ in v.ends.values()) for v in varied])
    if not len(lowest):
        return drawn
    floor = -(1.0 - SMALLEST_FACTOR) / np.maximum(-lowest, 1e-12)
    return np.maximum(drawn, floor)


def _sampled(
    base: Base,
    varied: tuple[Varied, ...],
    drawn: NDArray[np.float64],
    executor: Executor | None,
    progress: Callable[[int, int], None] | None,
) -> Judged:
    """Judge every sample at every condition, in chunks; rows by sample, conditions fastest.

    A chunk holds one condition, so that its items conduct alike and start close to their solution.
    """
    count, samples = len(base.corners), len(drawn)
    work = [(c, b, min(b + CHUNK, samples)) for b in range(0, samples, CHUNK) for c in range(count)]
    task = partial(_chunk, base, varied)
    spans = [drawn[b:e] for _, b, e in work]
    owned = ThreadPoolExecutor(available_processors()) if executor is None else None
    pieces: list[Judged] = []
    done = 0
    try:
        for piece in (owned or executor).map(task, [c for c, _, _ in work], spans):  # type: ignore[union-attr]
            pieces.append(piece)
            done += len(piece)
            if progress is not None:
                progress(done, samples * count)
    finally:
        if owned is not None:  # an interruption does not wait for chunks that nobody has begun
            owned.shutdown(cancel_futures=True)
    rows = np.concatenate([np.arange(b, e) * count + c for c, b, e in work])
    return joined(pieces).take(np.argsort(rows, kind="stable"))


def _chunk(base: Base, varied: tuple[Varied, ...], condition: int, drawn: NDArray[np.float64]) -> Judged:
    """Judge some samples at one condition."""
    which = np.full(len(drawn), condition)
    return judge(base, variants(base.corners, which, varied, drawn), which)
