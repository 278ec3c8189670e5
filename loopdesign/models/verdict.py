"""The stability verdict: characteristic multipliers read as modes with frequency, growth and name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.holding import KEPT, WORDS, Bounds, held

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.models.switched import SwitchedModel

NEAR_HALF_SWITCHING = 0.4
"""Share of the switching frequency from which a mode counts as subharmonic."""
TINY = 1e-300
"""What stands for nothing where a mode is divided by its own size."""
PARTICIPATION = 0.3
"""Share of a mode in a group of states from which the group names it."""
GROUPS: Mapping[str, tuple[str, ...]] = {
    "coupling resonance": ("v(Cs)", "v(Cd)"),
    "input filter resonance": ("i(Lf)", "v(Cf)", "v(Cfd)", "i(Lfd)", "i(Ls)"),
}


LEFT_TO_THE_LOOP = ("slow drift", "output resonance")
"""Modes below the crossover that a voltage loop is there to hold, such as a constant-power load makes unstable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One characteristic mode of the period map.

    Attributes
    ----------
    multiplier
        Characteristic multiplier [unitless].
    frequency_hz
        Its frequency, between zero and half the switching frequency [Hz].
    growth_per_s
        Natural logarithm of its size per second, negative while it decays [1/s].
    name
        What the mode is, in the trade's words.
    """

    multiplier: complex
    frequency_hz: float
    growth_per_s: float
    name: str

    @property
    def stable(self) -> bool:
        """Whether the mode decays."""
        return abs(self.multiplier) < 1.0

    def to_dict(self) -> dict[str, float | str]:
        """Turn the mode into plain numbers and its name, ready for JSON.

        Returns
        -------
        dict
            ``frequency_hz`` [Hz], ``growth_per_s`` [1/s] and ``name``.
        """
        return {
            "frequency_hz": float(self.frequency_hz),
            "growth_per_s": float(self.growth_per_s),
            "name": self.name,
        }

    @property
    def beyond_the_loop(self) -> bool:
        """Whether the mode grows and no voltage loop is fast enough to hold it."""
        return not self.stable and self.name not in LEFT_TO_THE_LOOP


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Stability of one operating point: of the loop under examination and of the current loop alone.

    Attributes
    ----------
    stable
        True where every multiplier of the closed loop lies inside the unit circle and the controller keeps the orbit.
    worst_mode
        Mode with the largest multiplier of the closed loop.
    current_loop_stable, current_loop_worst_mode
        The same with the control voltage held.
    held
        What keeps the converter from staying at this operating point, one of the words of `orbit.holding`; None where
        nothing does.
    regime
        What the converter does instead, where that has been found out and is neither stable nor unstable: such as
        ``skips pulses``; None elsewhere.
    """

    stable: bool
    worst_mode: Mode
    current_loop_stable: bool
    current_loop_worst_mode: Mode
    held: str | None = None
    regime: str | None = None

    @property
    def largest_multiplier(self) -> float:
        """Largest size of a multiplier of the closed loop [unitless]."""
        return abs(self.worst_mode.multiplier)


def worst_modes(model: SwitchedModel) -> tuple[Mode, ...]:
    """Read the mode with the largest multiplier of every item.

    Parameters
    ----------
    model : SwitchedModel
        The linearised switched network (B,).

    Returns
    -------
    tuple of Mode
        One per item.
    """
    return tuple(mode_of(model, item, int(np.argmax(np.abs(m)))) for item, m in enumerate(model.multipliers))


def verdicts(
    open_model: SwitchedModel, closed_model: SwitchedModel | None, bounds: Bounds | None = None
) -> tuple[Verdict, ...]:
    """Judge every item; without a closed loop the current loop is what is judged.

    Parameters
    ----------
    open_model : SwitchedModel
        The stage with the control voltage held (B,).
    closed_model : SwitchedModel or None
        The closed loop (B,).
    bounds : Bounds, optional
        What bounds the controller; nothing where absent.

    Returns
    -------
    tuple of Verdict
        One per item.
    """
    judged = open_model if closed_model is None else closed_model
    codes = held(judged.point, Bounds() if bounds is None else bounds)
    current = worst_modes(open_model)
    closed = current if closed_model is None else worst_modes(closed_model)
    return tuple(
        Verdict(
            stable=worst.stable and int(code) == KEPT,
            worst_mode=worst,
            current_loop_stable=inner.stable,
            current_loop_worst_mode=inner,
            held=WORDS[code],
        )
        for worst, inner, code in zip(closed, current, codes, strict=True)
    )


def mode_of(model: SwitchedModel, item: int, k: int) -> Mode:
    """Read one mode of one item.

    Parameters
    ----------
    model : SwitchedModel
        The linearised switched network (B,).
    item : int
        Operating point, counted from zero [unitless].
    k : int
        Number of the mode among the multipliers [unitless].

    Returns
    -------
    Mode
        Its multiplier, frequency, growth and name.
    """
    period = float(model.point.network.period[item])
    multiplier = complex(model.multipliers[item][k])
    size = max(abs(multiplier), 1e-300)
    return Mode(
        multiplier=multiplier,
        frequency_hz=abs(float(np.angle(multiplier))) / (2.0 * np.pi * period),
        growth_per_s=float(np.log(size)) / period,
        name=_name(model, item, k),
    )


def participation(model: SwitchedModel, item: int, k: int) -> NDArray[np.float64]:
    """Share (n,) of each state in a mode, adding up to one [unitless].

    Parameters
    ----------
    model : SwitchedModel
        The linearised switched network (B,).
    item : int
        Operating point, counted from zero [unitless].
    k : int
        Mode, by its place among the multipliers [unitless].

    Returns
    -------
    ndarray (n,)
        Shares [unitless].
    """
    modes = model.period_modes
    share = np.abs(modes.vectors[item, :, k] * modes.inverse[item, k, :])
    return share / max(float(share.sum()), TINY)


def _name(model: SwitchedModel, item: int, k: int) -> str:
    share = dict(zip(model.point.network.states, participation(model, item, k), strict=True))
    multiplier = model.multipliers[item][k]
    turn = abs(float(np.angle(multiplier))) / (2.0 * np.pi)
    if abs(multiplier) < 1e-9:
        return "dies out within one period"
    grouped = {name: sum(share.get(s, 0.0) for s in group) for name, group in GROUPS.items()}
    if turn >= NEAR_HALF_SWITCHING:
        return "subharmonic"
    leading = max(grouped, key=lambda name: grouped[name])
    if turn > 0.0 and grouped[leading] > PARTICIPATION:
        return leading
    if turn == 0.0:
        return "slow settling" if abs(multiplier) < 1.0 else "slow drift"
    return "output resonance" if model.point.problem.trim == "control" else "voltage loop"
