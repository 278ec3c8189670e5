"""Where nothing passes: how far a combination falls short, which limit it fails where, and the cures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.held import WHY
from loopdesign.analysis.findings.ratings import overstressed, stresses
from loopdesign.corners.effective import beyond_current_curves
from loopdesign.errors import ConvergenceError, NoDesignError, UnreachableOutputError
from loopdesign.models.verdict import worst_modes
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import KEPT, WORDS
from loopdesign.synthesis.baseline.synthesis import obstacles
from loopdesign.synthesis.cures.current_loop import current_loop_cures
from loopdesign.synthesis.search.loops import LoopReadings
from loopdesign.synthesis.search.search import binding, variant_name
from loopdesign.units.quantities import format_quantity, hertz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.limits import Limits
    from loopdesign.analysis.variants.judge import Judged
    from loopdesign.corners.conditions import Corners
    from loopdesign.synthesis.search.loops import Demands


def exact_readings(judged: Judged) -> LoopReadings:
    """Take the exact readings of one combination at every corner as figures (1,B)."""
    return LoopReadings(
        crossover_hz=judged.crossover_hz[None],
        phase_margin_deg=judged.phase_margin_deg[None],
        gain_margin_db=judged.gain_margin_db[None],
        modulus_margin=judged.modulus_margin[None],
        peak_impedance=np.full((1, len(judged)), np.nan),
        falls=np.ones((1, len(judged)), bool),
        step_deviation_v=np.empty((1, 0)),
    )


def worst_shortfall(judged: Judged, limits: Limits) -> float:
    """Return the largest shortfall of one combination at any corner (B,), zero or less where all hold [unitless]."""
    return float(limits.shortfall(judged).max())


def nearest_fails(judged: Judged, corners: Corners, demands: Demands) -> str:
    """Say which limit the nearest miss fails by most and where.

    If it is unstable, or its controller does not keep an operating point, say that, at how many corners and where.
    """
    lost = np.flatnonzero(judged.reached & (judged.held != KEPT))
    if len(lost):
        first = int(lost[0])
        return (
            f"the nearest combination fails at {len(lost)} of {len(judged)} corners, where the converter does not stay "
            f"at its operating point, such as {variant_name(corners, first)}: {WHY[str(WORDS[judged.held[first]])]}"
        )
    shaky = int((~judged.stable).sum())
    if shaky:
        worst = int(np.argmax(np.where(judged.stable, 0.0, judged.largest_multiplier)))
        size = judged.largest_multiplier[worst]
        told = f"largest multiplier {size:.4f}" if np.isfinite(size) else "output out of reach"
        return (
            f"the nearest combination is unstable at {shaky} of {len(judged)} corners, worst at "
            f"{variant_name(corners, worst)} ({told})"
        )
    return f"the nearest combination fails the {binding(exact_readings(judged), corners, demands)}"


def stage_fails(case: cases.Case, plain: ExaminedStage) -> tuple[str, ...]:
    """Say what the stage alone fails by, with any compensation: a rating, or the end of a current curve.

    Parameters
    ----------
    case
        The case.
    plain
        Conditions of line and load, nominal parts.

    Returns
    -------
    tuple of str
        One sentence each.
    """
    names = [corner_name(plain.conditions, k) for k in range(len(plain.conditions))]
    return (*overstressed(stresses(case, plain.waves), names), *beyond_current_curves(case, plain.waves))


def step_fails(miss: float, limit_v: float) -> str:
    """Say how far the nearest combination departs at the load step, by its relative miss of the target [V]."""
    reached, asked = (format_quantity(v, "V") for v in ((1.0 + miss) * limit_v, limit_v))
    return f"the nearest combination departs by about {reached} at the load step, {asked} are allowed"


def way_blocked(case: cases.Case, plain: ExaminedStage, corners: Corners) -> tuple[list[str], dict[str, object]]:
    """Say what prevents a design at all corners, and what would cure it.

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
    except (ConvergenceError, UnreachableOutputError, *BREAKDOWN):
        # some end cannot be examined by itself: the nominal conditions still say most of it
        stage = plain
    modes = worst_modes(stage.model)
    bad = [k for k, m in enumerate(modes) if m.beyond_the_loop]
    if not bad:
        return list(obstacles(stage, None, [])), {}
    worst = max(bad, key=lambda k: abs(modes[k].multiplier))
    told = (
        f"the current loop alone is unstable at {len(bad)} of {len(modes)} corners, worst at "
        f"{variant_name(stage.conditions, worst)}: {modes[worst].name} at {hertz(modes[worst].frequency_hz)}"
    )
    advice, proposed = current_loop_cures(stage)
    return [told, *advice], proposed


def refuse_at_ends(case: cases.Case, plain: ExaminedStage, corners: Corners, shaky: NDArray[np.bool_]) -> NoDesignError:
    """Refuse where the current loop alone is unstable at some tolerance ends: no compensation can help.

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
        "the current loop alone is unstable at some tolerance ends, so no compensation can make every converter stable",
        nearest=proposed,
        obstacles=told,
    )
