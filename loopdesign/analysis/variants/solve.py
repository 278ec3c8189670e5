"""Variants of a stage at its nominal corners: their converters, and their closed loops solved and linearised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.analysis.given import has_loop
from loopdesign.corners.converters import compensation, open_loop, regulated_factor
from loopdesign.corners.power_stage import bank_names
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.network.places import IDLE
from loopdesign.orbit.operating_point import Guess, operating_point
from loopdesign.orbit.waveforms import average_state

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.corners.conditions import Corners
    from loopdesign.network.converter import Converter


Seen: TypeAlias = "Callable[[NDArray[np.intp], Guess], None]"
"""Told the numbers of variants and the intervals of their orbits."""
TOGETHER = 48
"""Variants up to which a second call costs more than the network with nothing conducting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Base:
    """Operating conditions at nominal parts, to begin the solution of their variants from.

    Attributes
    ----------
    case, parts
        The case, and the compensation parts by designator [ohm], [F].
    corners
        Conditions (C,) of line, load and temperature, nominal parts.
    guess
        Edges (C,) of the nominal operating points.
    bias
        Average voltage (C,) [V] of every capacitor and current (C,) [A] of every inductor by name.
    """

    case: cases.Case
    parts: Mapping[str, float]
    corners: Corners
    guess: Guess
    bias: Mapping[str, NDArray[np.float64]]


def base_of(case: cases.Case, parts: Mapping[str, float], stage: ExaminedStage) -> Base:
    """Prepare the variants of a stage's corners.

    Parameters
    ----------
    case, parts
        The case, and the compensation parts by designator [ohm], [F].
    stage
        The power stage at its conditions, nominal parts.

    Returns
    -------
    Base
        Where `judge` begins.
    """
    point = stage.point
    mean = average_state(point) / point.network.state_scale
    bias = {s[2:-1]: np.abs(mean[:, i]) for i, s in enumerate(point.network.states)}
    return Base(
        case=case,
        parts=dict(parts),
        corners=stage.conditions,
        guess=point.sequence,
        bias=bias,
    )


def guess_at(base: Base, condition: NDArray[np.intp]) -> Guess:
    """Begin the solution of variants from their nominal conditions (B,).

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].

    Returns
    -------
    Guess
        Edges to begin from (B,).
    """
    return base.guess.take(condition)


def nominal_temperature(base: Base) -> NDArray[np.intp]:
    """Tell which condition has the same line and load at the nominal temperature.

    Parameters
    ----------
    base : Base
        Conditions (C,).

    Returns
    -------
    ndarray (C,)
        Its number; that of the condition itself where there is none.
    """
    at = base.corners
    same = (at.input_voltage == at.input_voltage[:, None]) & (at.load_current == at.load_current[:, None])
    same &= at.temperature == base.case.nominal_temperature
    return np.where(same.any(axis=1), np.argmax(same, axis=1), np.arange(len(at)))


def alike(base: Base, condition: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Part variants by whether all devices block somewhere in the period of their nominal conditions.

    Only some conditions need the network with nothing conducting, which is the dearest to derive.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].

    Returns
    -------
    list of ndarray
        Numbers of the variants (K,) of one kind, then of the other; a kind without any is left out. Where there are
        few, all of them at once.
    """
    if len(condition) <= TOGETHER:
        return [np.arange(len(condition))]
    idle = (base.guess.configuration == IDLE).any(axis=1)[condition]
    return [some for some in (np.flatnonzero(~idle), np.flatnonzero(idle)) if len(some)]


def variant_converter(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Converter:
    """Build the open-loop converter of every variant, regulated quantity and bias moved by its tolerances.

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
    Converter
        Loop open (B,).
    """
    factor = regulated_factor(base.case, corners)
    bank = bank_names(base.case)
    bias = {k: v[condition] * (factor if k.startswith("Co") or k in bank else 1.0) for k, v in base.bias.items()}
    return open_loop(base.case, corners, bias)


def closed_loop(
    base: Base, corners: Corners, condition: NDArray[np.intp], edges: Guess | None = None, *,
    from_nothing: bool = False,
) -> tuple[SwitchedModel, NDArray[np.bool_]]:  # fmt: skip
    """Solve and linearise the closed loop of every variant, or the power stage alone where the case has no loop.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].
    edges : Guess, optional
        Edges of the variants with their loop open (B,), where they are known; those of the nominal conditions unless
        given.
    from_nothing : bool
        Search the operating point instead of beginning from the nominal one.

    Returns
    -------
    tuple of SwitchedModel and ndarray (B,)
        The closed loops, and whether each reaches its output within the largest duty.
    """
    converter = variant_converter(base, corners, condition)
    closed = converter.closed(compensation(base.case, base.parts, corners)) if has_loop(base.case) else converter
    guess = None if from_nothing else guess_at(base, condition) if edges is None else edges
    point = operating_point(closed, guess, lean=True)
    return linearise(point), point.duty <= base.case.modulator.max_duty
