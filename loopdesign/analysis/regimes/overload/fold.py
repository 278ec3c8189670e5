"""Where losses, and not the controller, bound the load: output over duty folds over, and no duty reaches the target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from scipy.optimize.elementwise import find_root

from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.reach import at_duty, exact_output, scan_duty

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OrbitProblem

    Values: TypeAlias = NDArray[np.float64]
    Items: TypeAlias = NDArray[np.intp]
    At: TypeAlias = Callable[[Items, Values], Converter]

CLOSE = 1e-8
"""Relative closeness of a load."""
EXACT = {"xatol": 0.0, "xrtol": CLOSE, "fatol": 0.0, "frtol": 0.0}
FOLLOWED = 12
"""Times that the duty at a fold and the load there are found from each other, at most."""


def out_of_reach(at: At, items: Items, load: Values) -> tuple[Values, NDArray[np.bool_]]:
    """Tell how far the highest output over duty stays below the regulated one, of stages with one rectifier.

    Parameters
    ----------
    at
        Converters by their numbers (S,) and loads (S,) [A], loop open.
    items, load
        Which of them, and their loads (S,) [A].

    Returns
    -------
    short, lost : ndarray (S,)
        Relative shortfall, below zero where some duty reaches the output [unitless]; whether none does, the rectifier
        conducting as usual at the highest output.
    """
    problem = _posed(at, items, load)
    reach = scan_duty(problem, exact_output(problem)).reach
    short = 1.0 - reach.output / problem.target
    lost = short > 0.0
    if lost.any():
        lost &= ~at_duty(Stepper(problem), reach.duty).broken
    return short, lost


def folds(at: At, items: Items, low: Values, high: Values) -> tuple[Values, Values]:
    """Find the loads at which losses begin to keep the output out of reach, and the duties there.

    Such a load is the largest, over duty, of the load at which the output at that duty is the regulated one. Beginning
    from above, the duty of the highest output gives a load, at which that duty is looked for again.

    Parameters
    ----------
    at
        Converters by their numbers (S,) and loads (S,) [A], loop open.
    items
        Which of them (S,).
    low, high
        Loads (S,) that are within reach, and beyond it [A].

    Returns
    -------
    load, duty : ndarray (S,)
        Loads [A], NaN where one was not found; duties of the highest output there, at most the largest of the clock.
    """

    def short(load: Values, item: NDArray[Any], duty: Values) -> Values:
        problem = _posed(at, item.astype(np.intp), load)
        return 1.0 - at_duty(Stepper(problem), duty).output / problem.target

    load, duty, left = high.copy(), np.full(len(items), np.nan), np.arange(len(items))
    for _ in range(FOLLOWED):
        problem = _posed(at, items[left], load[left])
        duty[left] = scan_duty(problem, exact_output(problem)).reach.duty
        root = find_root(short, (low[left], high[left]), args=(items[left], duty[left]), tolerances=EXACT)
        before, load[left] = load[left], np.where(root.success, root.x, np.nan)
        left = left[np.abs(load[left] - before) > CLOSE * before]
        if not len(left):
            break
    load[left] = np.nan
    return load, duty


def _posed(at: At, items: Items, load: Values) -> OrbitProblem:
    return pose(at(items, load).plain())
