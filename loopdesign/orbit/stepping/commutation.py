"""Which rectifiers conduct after a switch or a rectifier has changed: the set that contradicts nothing.

A set of conducting rectifiers is consistent with a state where every one of them carries a forward current, every other
one has less than its drop across it, and the state obeys the constraints of the network they leave, such as inductors
in series: a current cannot stop at once. Where a quantity is zero its slope decides. The set that is likeliest is tried
first, then those that differ from it least.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.orbit.stepping.devices import Devices

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.devices import Setting
    from loopdesign.orbit.stepping.motion import Motion

ROUNDING = 1e-8
"""Current [A] or voltage [V] at an edge that is still rounding."""
CONSTRAINED = 1e-6
"""Share of its terms by which a state may miss a constraint and still obey it."""


def commutated(
    setting_of: Callable[[Devices], Setting],
    x: NDArray[np.float64],
    devices: Devices,
    theta: float,
    *,
    count: int,
    moved: int = -1,
    opened: bool = False,
) -> tuple[Motion, Devices]:
    """Find the rectifiers that conduct on, and begin their motion.

    Parameters
    ----------
    setting_of : callable
        From a set of devices to its linear piece and guards.
    x : ndarray (n,)
        Normalised state at the edge [unitless].
    devices : Devices
        The likeliest set.
    theta : float
        Time since the clock [periods].
    count : int
        Number of rectifiers [unitless].
    moved : int
        Rectifier whose own edge this is: its quantity is zero, and rounding must not decide; -1 for none [unitless].
    opened : bool
        Whether the switch has just opened: it interrupts a current against its own direction that no rectifier takes
        over.

    Returns
    -------
    tuple of Motion and Devices
        The motion from here, and the set.

    Raises
    ------
    ConvergenceError
        Where every set contradicts itself.
    """
    for mask in likely(int(devices.diode), count):
        trial = Devices(devices.switch, mask, devices.amplifier, devices.clamp, devices.load)
        motion = _consistent(setting_of(trial), x, theta, moving(mask, devices, moved))
        if motion is not None:
            return motion, trial
    for mask in likely(0, count) if opened else ():
        trial = Devices(devices.switch, mask, devices.amplifier, devices.clamp, devices.load)
        motion = _consistent(setting_of(trial), x, theta, moved, interrupted=True)
        if motion is not None:
            return motion, trial
    raise ConvergenceError("no set of conducting rectifiers carries the currents on after an edge")


def moving(mask: int, devices: Devices, moved: int) -> int:
    """Say whose edge a set may take for granted: a rectifier that does not move in it must show that it has none.

    Parameters
    ----------
    mask : int
        Rectifiers that conduct in the set, as bits [unitless].
    devices : Devices
        The likeliest set, in which the rectifier has moved.
    moved : int
        Rectifier whose own edge this is; -1 for none [unitless].

    Returns
    -------
    int
        The rectifier, or -1 [unitless].
    """
    still = moved >= 0 and (mask ^ int(devices.diode)) >> moved & 1
    return -1 if still else moved


@cache
def likely(mask: int, count: int) -> tuple[int, ...]:
    """List every set of rectifiers, the likeliest first.

    Parameters
    ----------
    mask : int
        The likeliest, as bits [unitless].
    count : int
        Number of rectifiers [unitless].

    Returns
    -------
    tuple of int
        All of them.
    """
    return tuple(sorted(range(1 << count), key=lambda other: ((other ^ mask).bit_count(), other)))


def _consistent(
    setting: Setting, x: NDArray[np.float64], theta: float, moved: int, *, interrupted: bool = False
) -> Motion | None:
    """Return the motion of a set from a state; None where the two contradict each other."""
    if setting.constrained:
        K = setting.c.constraint[0]
        missed = np.abs(K @ x + setting.bound)
        if not interrupted and np.any(
            missed > CONSTRAINED * (np.abs(K) @ np.abs(x) + np.abs(setting.bound)) + ROUNDING * np.abs(K).sum(1)
        ):
            return None
        x = setting.project(x)
    motion = setting.piece.move(x, theta)
    slopes: list[float] | None = None
    for k in setting.rectifying:
        value = motion.start[k]
        if value <= -ROUNDING:
            continue
        if value > ROUNDING:
            return None
        if setting.guards[k].value != moved:
            slopes = motion.slopes() if slopes is None else slopes
            if slopes[k] > 0.0:
                return None
    return motion


def consistent_many(setting: Setting, x: NDArray[np.float64], moved: int) -> NDArray[np.bool_]:
    """Tell at many states whether a set of rectifiers carries the currents on.

    Parameters
    ----------
    setting : Setting
        The set.
    x : ndarray (K,n)
        Normalised states at the edge [unitless].
    moved : int
        Rectifier whose own edge this is; -1 for none [unitless].

    Returns
    -------
    ndarray (K,)
        Whether nothing contradicts it.
    """
    fine = np.ones(len(x), dtype=bool)
    if setting.constrained:
        K = setting.c.constraint[0]
        missed = np.abs(x @ K.T + setting.bound)
        allowed = CONSTRAINED * (np.abs(x) @ np.abs(K).T + np.abs(setting.bound)) + ROUNDING * np.abs(K).sum(1)
        fine &= ~(missed > allowed).any(axis=1)
        x = setting.project_many(x)
    piece = setting.piece
    level = (x @ piece.rows.T + piece.offsets)[:, setting.rectifying]
    fine &= ~(level > ROUNDING).any(axis=1)
    near = (level > -ROUNDING) & np.array([setting.guards[k].value != moved for k in setting.rectifying])
    if near.any():
        slopes = ((x @ piece.A.T + piece.b) @ piece.rows.T + piece.ramps)[:, setting.rectifying]
        fine &= ~(near & (slopes > 0.0)).any(axis=1)
    return fine
