"""Where nothing passes: the nearest miss by exact judgement, what binds, what stands in the way, and the cures."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.assess import examine_stage
from loopdesign.choice.lattice import Figures
from loopdesign.choice.search import binding, variant_name
from loopdesign.errors import ConvergenceError, NoDesignError, UnreachableOutputError
from loopdesign.synthesis import current_loop_cures, obstacles
from loopdesign.verdict import worst_modes

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.assess import Stage
    from loopdesign.choice.lattice import Demands, Lattice
    from loopdesign.choice.search import Search
    from loopdesign.conditions import Corners
    from loopdesign.judge import Judged

UNSTABLE = 10.0
"""Added to the shortfall of an unstable corner: instability outweighs every margin [unitless]."""
STRIDES = (6, 3, 2, 1)
"""Steps in which neighbours of the nearest miss are examined, coarse to fine."""
WHOLE_RING = 3
"""Open parts up to which neighbours differ in all parts at once; with more, in one part at a time."""


def readings_of(judged: Judged) -> Figures:
    """Take the exact readings of one combination at every corner as figures (1,B)."""
    return Figures(
        crossover_hz=judged.crossover_hz[None],
        phase_margin_deg=judged.phase_margin_deg[None],
        gain_margin_db=judged.gain_margin_db[None],
        modulus_margin=judged.modulus_margin[None],
        peak_impedance=np.full((1, len(judged)), np.nan),
        falls=np.ones((1, len(judged)), bool),
    )


def shortfall(judged: Judged, demands: Demands) -> float:
    """Largest miss of any limit at any corner relative to it; an unstable corner counts more than any margin.

    Parameters
    ----------
    judged
        One combination at every corner (B,).
    demands
        Limits.

    Returns
    -------
    float
        Zero or less where every limit holds [unitless].
    """
    worst = max(float((-s).max()) for s in readings_of(judged).slack(demands).values())
    if not judged.stable.all():
        return UNSTABLE + float(np.minimum(judged.largest_multiplier.max(), UNSTABLE))
    return worst


def nearest_miss(
    work: Search, demands: Demands, judge_items: Callable[[NDArray[np.intp]], list[Judged]], begin: list[int]
) -> tuple[int, Judged]:
    """Find the combination that falls short least when examined exactly, by descent from good beginnings.

    Parameters
    ----------
    work
        Search the combinations belong to.
    demands
        Limits.
    judge_items
        Judges combinations (N,) exactly at every corner, one result each.
    begin
        Combinations to begin from.

    Returns
    -------
    item, judged
        Number of the combination, and its exact readings. None of its neighbours falls short less.
    """
    seen: dict[int, Judged] = {}

    def best_of(items: NDArray[np.intp]) -> int:
        new = np.array([i for i in np.unique(items) if int(i) not in seen], np.intp)
        if len(new):
            seen.update({int(i): j for i, j in zip(new, judge_items(new), strict=True)})
        return min((int(i) for i in items), key=lambda i: shortfall(seen[i], demands))

    best = best_of(np.array(begin, np.intp))
    for stride in STRIDES:
        for _ in range(4):
            again = best_of(_neighbours(work.lattice, best, stride))
            if again == best:
                break
            best = again
    return best, seen[best]


def _neighbours(lattice: Lattice, item: int, stride: int) -> NDArray[np.intp]:
    """Pick the combinations a stride away from one, and itself."""
    centre = lattice.steps(np.array([item]))[0]
    count = len(centre)
    moves = np.array(list(product((-1, 0, 1), repeat=count))) if count <= WHOLE_RING else _single(count)
    last = np.array([len(c) - 1 for c in lattice.choices])
    return lattice.items(np.unique(np.clip(centre + stride * moves, 0, last), axis=0))


def _single(count: int) -> NDArray[np.intp]:
    """List moves of one part at a time, and none."""
    eye = np.eye(count, dtype=np.intp)
    return np.concatenate([np.zeros((1, count), np.intp), eye, -eye])


def what_binds(judged: Judged, corners: Corners, demands: Demands) -> str:
    """Say which limit the nearest miss fails worst and where; where it is unstable, at how many corners and where."""
    shaky = int((~judged.stable).sum())
    if shaky:
        worst = int(np.argmax(np.where(judged.stable, 0.0, judged.largest_multiplier)))
        size = judged.largest_multiplier[worst]
        told = f"largest multiplier {size:.4f}" if np.isfinite(size) else "output out of reach"
        return (
            f"{shaky} of {len(judged)} corners are unstable by their multipliers, the worst "
            f"{variant_name(corners, worst)} ({told})"
        )
    return f"{binding(readings_of(judged), corners, demands)} stands in the way"


def way_blocked(case: cases.Case, plain: Stage, corners: Corners) -> tuple[list[str], dict[str, object]]:
    """Say what stands in the way at all corners, and what would clear it.

    Parameters
    ----------
    case
        The case.
    plain
        Conditions of line and load, nominal parts.
    corners
        Corners of the search, tolerance ends among them.

    Returns
    -------
    told, proposed
        Sentences, and the parts proposed by name: ``damper``, ``slope``.
    """
    try:
        stage = examine_stage(case, corners)
    except (ConvergenceError, UnreachableOutputError, np.linalg.LinAlgError):
        # some end cannot be examined by itself: the nominal conditions still say most of it
        stage = plain
    modes = worst_modes(stage.model)
    bad = [k for k, m in enumerate(modes) if m.beyond_the_loop]
    if not bad:
        return list(obstacles(stage, None, [])), {}
    worst = max(bad, key=lambda k: abs(modes[k].multiplier))
    told = (
        f"the current loop alone is unstable at {len(bad)} of {len(modes)} corners, the worst "
        f"{variant_name(stage.corners, worst)}: {modes[worst].name} at {modes[worst].frequency_hz:.4g} Hz"
    )
    advice, proposed = current_loop_cures(stage)
    return [told, *advice], proposed


def refuse_at_ends(case: cases.Case, plain: Stage, corners: Corners, shaky: NDArray[np.bool_]) -> NoDesignError:
    """Refuse where the current loop alone is unstable at some tolerance ends: no compensation parts can help.

    Parameters
    ----------
    case, plain
        The case, and its conditions of line and load.
    corners, shaky
        Tolerance ends (V,) and which of them have an unstable current loop.

    Returns
    -------
    NoDesignError
        To be raised, with the cure proposed for those ends.
    """
    told, proposed = way_blocked(case, plain, corners.take(np.flatnonzero(shaky)))
    return NoDesignError(
        "the current loop alone is unstable at some tolerance ends, so no compensation parts can make every converter "
        "stable",
        nearest=proposed,
        obstacles=told,
    )
