"""Poles and zeros where no averaged model holds: a rational function identified from the exact response.

Averaging assumes that the rectifier conducts once per period. Where it conducts otherwise, the poles are the logarithms
of the characteristic multipliers of the exact period map, and what multiplies them is fitted to the exact response by
linear least squares, relative to its size (common practice: modal fitting with known poles). It is insight, as the
averaged model is: good to a few percent below a third of the switching frequency, and nothing is decided by it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.models.averaged import INPUTS, OUTPUTS, AveragedModel
from loopdesign.models.switched import linearise

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.models.switched import SwitchedModel
    from loopdesign.orbit.problem import OperatingPoint

GONE = 1e-4
"""Multiplier below which a mode leaves nothing after one period, and no pole."""
LOWEST, HIGHEST, POINTS = 1e-6, 0.35, 80
"""Frequencies of the fit as shares of the switching frequency."""


def identified(point: OperatingPoint) -> AveragedModel:
    """Identify control to output of one operating point.

    Parameters
    ----------
    point
        Open-loop operating point, a batch of one.

    Returns
    -------
    AveragedModel
        Driven by the control voltage only; its states are the modes of the period map.
    """
    model = linearise(point)
    A, B = _modes(model.multipliers[0])
    period = model.point.network.period
    share = np.geomspace(LOWEST, HIGHEST, POINTS)
    exact = model.response(share / period[0], "control", list(OUTPUTS))[0]
    C, D = _fitted(A, B, share, exact)
    n = len(A)
    drive, through = np.zeros((n, len(INPUTS))), np.zeros((len(OUTPUTS), len(INPUTS)))
    drive[:, INPUTS.index("control")], through[:, INPUTS.index("control")] = B, D
    return AveragedModel(
        A=A[None],
        B=drive[None],
        C=C[None],
        D=through[None],
        states=tuple(f"mode{k + 1}" for k in range(n)),
        period=period,
        scale=np.ones((1, n)),
    )


def pole_shares(
    model: SwitchedModel, identified_poles: NDArray[np.complex128]
) -> list[tuple[complex, dict[str, float]]]:
    """Share of each of the network's states in each pole [1/period], read from the modes of the period map.

    Parameters
    ----------
    model : SwitchedModel
        A batch of one, linearised.
    identified_poles : ndarray (n,)
        Poles [1/period].

    Returns
    -------
    list of tuple of complex and dict
        Pole [1/period] and shares by state [unitless].
    """
    modes, states = model.period_modes, model.point.network.states
    shares = []
    for pole in identified_poles:
        k = int(np.argmin(np.abs(modes.values[0] - np.exp(pole))))
        weight = np.abs(modes.vectors[0, :, k] * modes.inverse[0, k, :])
        shares.append((complex(pole), dict(zip(states, weight / weight.sum(), strict=True))))
    return shares


def _modes(multipliers: NDArray[np.complex128]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Real modal form (n,n) [1/period] of the multipliers that last, and an input that reaches every mode (n,)."""
    kept = multipliers[(np.abs(multipliers) > GONE) & (multipliers.imag >= 0.0)]
    blocks = []
    for pole in np.log(kept.astype(complex)):
        real = abs(pole.imag) < 1e-12
        blocks.append(np.array([[pole.real]]) if real else np.array([[pole.real, pole.imag], [-pole.imag, pole.real]]))
    n = sum(len(b) for b in blocks)
    A, place = np.zeros((n, n)), 0
    for b in blocks:
        A[place : place + len(b), place : place + len(b)] = b
        place += len(b)
    return A, np.ones(n)


def _fitted(
    A: NDArray[np.float64], B: NDArray[np.float64], share: NDArray[np.float64], exact: NDArray[np.complex128]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Output rows (q,n) and feed-through (q,) that come nearest to the exact response (q,F), relative to its size."""
    jw = 2j * np.pi * share
    motion = np.linalg.solve(jw[:, None, None] * np.eye(len(A)) - A, np.broadcast_to(B[:, None], (len(jw), len(A), 1)))
    basis = np.concatenate([motion[..., 0], np.ones((len(jw), 1))], axis=1)
    rows = []
    for response in exact:
        weight = 1.0 / np.maximum(np.abs(response), 1e-12 * np.abs(response).max(initial=1e-300))
        left, right = basis * weight[:, None], response * weight
        stacked = np.concatenate([left.real, left.imag]), np.concatenate([right.real, right.imag])
        rows.append(np.linalg.lstsq(*stacked, rcond=None)[0])
    solution = np.array(rows)
    return solution[:, :-1], solution[:, -1]
