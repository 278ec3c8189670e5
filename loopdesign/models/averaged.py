"""State-space-averaged small-signal model: insight into what the switched model only computes.

Continuous conduction, with ``d`` the duty perturbation (R. D. Middlebrook, S. Cuk, "A general unified approach to
modelling switching-converter power stages", PESC 1976; from memory):

    A = D A1 + D' A2,   Bd = (A1 - A2) X + (B1 - B2) U,   Ed = (C1 - C2) X + (D1 - D2) U

Voltage mode: ``d = vc / ramp``. Peak current mode with the sampled-data extension (R. B. Ridley, "A new,
continuous-time model for current-mode control", IEEE Trans. Power Electronics 6(2), 1991; from memory), written for
any netlist with ``s`` the sensed signal, ``Sn``, ``Sf`` its slopes and ``Se`` the compensating ramp:

    d = Fm [vc - He(s) s + kon sn + koff sf],    Fm = 1 / ((Sn + Se) T),
    He(s) = 1 + s/(wn Qz) + s^2/wn^2,   wn = pi/T,   Qz = -2/pi,   kon = -D T (1 - D/2),   koff = D'^2 T / 2

``He`` applied to ``s`` contains the derivative of ``d``: duty becomes one more state and the pole pair at half the
switching frequency appears. Discontinuous conduction has a module of its own.

Valid well below half the switching frequency; time is counted in periods and states are normalised, as in the circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import DataError
from loopdesign.models.discontinuous import INPUTS, LAGS, OUTPUTS, reduced
from loopdesign.models.state_space import LinearSystem
from loopdesign.network.modulator import VoltageMode

if TYPE_CHECKING:
    from collections.abc import Sequence

    import control
    from numpy.typing import NDArray

    from loopdesign.network.circuit import Configuration
    from loopdesign.network.modulator import Modulator
    from loopdesign.orbit.problem import OperatingPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class AveragedModel:
    """Averaged small-signal state space over a batch, loop open; normalised states, time in periods.

    Attributes
    ----------
    A, B, C, D
        (B,n,n), (B,n,3), (B,3,n), (B,3,3): inputs ``control``, ``line``, ``load``; outputs ``v(out)``, ``i(line)``,
        ``v(regulated)``.
    states
        Names along the state axis; ``duty`` for the sampled-data state, ``slow1`` ... and two lags in discontinuous
        conduction.
    period
        (B,) switching period [s].
    scale
        (B,n) factor from SI state to normalised state.
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    C: NDArray[np.float64]
    D: NDArray[np.float64]
    states: tuple[str, ...]
    period: NDArray[np.float64]
    scale: NDArray[np.float64]

    def response(self, frequencies_hz: NDArray[np.float64], source: str, output: str) -> NDArray[np.complex128]:
        """Respond from one input to one output.

        Parameters
        ----------
        frequencies_hz : ndarray (F,) or (B, F)
            Frequencies [Hz].
        source : str
            One of ``INPUTS``.
        output : str
            One of ``OUTPUTS``.

        Returns
        -------
        ndarray (B, F)
            Output over input [units of output over input].
        """
        angle = 2.0 * np.pi * np.atleast_2d(frequencies_hz) * self.period[:, None]
        j, i = INPUTS.index(source), OUTPUTS.index(output)
        matrix = 1j * angle[..., None, None] * np.eye(self.A.shape[-1]) - self.A[:, None]
        x = np.linalg.solve(matrix, np.broadcast_to(self.B[:, None, :, j, None], (*angle.shape, self.A.shape[-1], 1)))
        return np.einsum("bn,bfn->bf", self.C[:, i], x[..., 0]) + self.D[:, i, j, None]

    def system(self, item: int = 0, source: str = "control", output: str = "v(regulated)") -> LinearSystem:
        """Pick one response of one item.

        Parameters
        ----------
        item : int
            Operating point, counted from zero [unitless].
        source, output : str
            One of ``INPUTS`` and one of ``OUTPUTS``.

        Returns
        -------
        LinearSystem
            State space in SI units.
        """
        j, i, s = INPUTS.index(source), OUTPUTS.index(output), self.scale[item]
        return LinearSystem(
            A=self.A[item] / s[:, None] * s[None, :] / self.period[item],
            B=self.B[item, :, j] / s / self.period[item],
            C=self.C[item, i] * s,
            D=float(self.D[item, i, j]),
            states=self.states,
            input=source,
            output=output,
        )

    def to_control(self, item: int = 0) -> control.StateSpace:
        """Convert one item to a python-control state space in SI units, inputs and outputs named.

        Parameters
        ----------
        item : int
            Operating point, counted from zero [unitless].

        Returns
        -------
        control.StateSpace
            Inputs ``control``, ``line``, ``load``; outputs ``v(out)``, ``i(line)``.
        """
        import control  # noqa: PLC0415  (a second to import; only those who ask pay)

        s = self.scale[item]
        A = self.A[item] / s[:, None] * s[None, :] / self.period[item]
        B = self.B[item] / s[:, None] / self.period[item]
        return control.ss(
            A, B, self.C[item] * s[None, :], self.D[item], inputs=list(INPUTS), outputs=list(OUTPUTS),
            states=list(self.states),
        )  # fmt: skip


__all__ = ["INPUTS", "OUTPUTS", "AveragedModel", "average", "by_mode"]


def average(point: OperatingPoint, modulator: Modulator) -> AveragedModel:
    """Average the network around an operating point that is all in one conduction mode.

    Parameters
    ----------
    point
        Open-loop operating point.
    modulator
        Voltage mode or peak current mode.

    Returns
    -------
    AveragedModel
        Order n in voltage mode, n + 1 in peak current mode; in discontinuous conduction the diode's current is no
        state, and two lags stand for the time its triangle takes.

    Raises
    ------
    ValueError
        Where the batch mixes conduction modes; take each mode's items apart first.
    DataError
        Where the rectifier conducts other than once per period.
    """
    if not point.ordinary.all():
        raise DataError(
            "no averaged model holds where the rectifier conducts more than once per period; ask for the switched model"
        )
    if point.discontinuous.all():
        return _discontinuous(point, modulator)
    if point.discontinuous.any():
        raise ValueError("average one conduction mode at a time")
    return _continuous(point, modulator)


def _product(row: NDArray[np.float64], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.einsum("bi,bij->bj", row, matrix)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Weighted:
    """State space weighted by the duty, with what the duty itself drives.

    ``A`` (B,n,n), ``B`` (B,n,3), ``C`` (B,2,n), ``D`` (B,2,3) over the inputs and outputs of the model, the control
    among the inputs without effect; ``Bd`` (B,n) and ``Ed`` (B,2) per unit of duty; flows (B,n) while on and off.
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    C: NDArray[np.float64]
    D: NDArray[np.float64]
    Bd: NDArray[np.float64]
    Ed: NDArray[np.float64]
    flows: tuple[NDArray[np.float64], NDArray[np.float64]]


def _weighted(point: OperatingPoint) -> _Weighted:
    """Average the two intervals of continuous conduction and find the average state between them."""
    network, u = point.network, point.inputs
    on, off = network.configurations[:2]
    duty = point.duty[:, None, None]
    A, B = duty * on.A + (1 - duty) * off.A, duty * on.B + (1 - duty) * off.B
    C, D = duty * on.C + (1 - duty) * off.C, duty * on.D + (1 - duty) * off.D
    X = -np.linalg.solve(A, np.einsum("bnp,bp->bn", B, u)[..., None])[..., 0]

    def flow(c: Configuration) -> NDArray[np.float64]:
        return np.einsum("bij,bj->bi", c.A, X) + np.einsum("bij,bj->bi", c.B, u)

    Ed = np.einsum("bij,bj->bi", on.C - off.C, X) + np.einsum("bij,bj->bi", on.D - off.D, u)
    columns = [network.input_index(n) for n in INPUTS]
    rows = [network.output_index(n) for n in OUTPUTS]
    flows = flow(on), flow(off)
    return _Weighted(
        A=A, B=B[:, :, columns], C=C[:, rows], D=D[:, rows][:, :, columns], Bd=flows[0] - flows[1], Ed=Ed[:, rows],
        flows=flows,
    )  # fmt: skip


def _continuous(point: OperatingPoint, modulator: Modulator) -> AveragedModel:
    """Average continuous conduction, the duty following the control at once or by the sampled comparator."""
    mean, network = _weighted(point), point.network
    control = np.array([n == "control" for n in INPUTS], float)
    if isinstance(modulator, VoltageMode):
        gain = control / point.problem.threshold.ramp[:, None]
        return AveragedModel(
            A=mean.A,
            B=mean.B + mean.Bd[:, :, None] * gain[:, None, :],
            C=mean.C,
            D=mean.D + mean.Ed[:, :, None] * gain[:, None, :],
            states=network.states,
            period=network.period,
            scale=network.state_scale,
        )
    Bu = mean.B * (1.0 - control)
    state, direct = _sampled_duty(point, mean.A, Bu, mean.Bd, mean.flows)
    n = mean.A.shape[-1]
    bigger = np.zeros((len(mean.A), n + 1, n + 1))
    bigger[:, :n, :n], bigger[:, :n, n], bigger[:, n] = mean.A, mean.Bd, state[:, : n + 1]
    # duty is the new state less what the inputs feed through it
    inputs = np.concatenate([Bu - mean.Bd[:, :, None] * direct[:, None, :], state[:, None, n + 1 :]], axis=1)
    return AveragedModel(
        A=bigger,
        B=inputs,
        C=np.concatenate([mean.C, mean.Ed[:, :, None]], axis=2),
        D=mean.D - mean.Ed[:, :, None] * direct[:, None, :],
        states=(*network.states, "duty"),
        period=network.period,
        scale=np.concatenate([network.state_scale, np.ones((len(mean.A), 1))], axis=1),
    )


def _sampled_duty(
    point: OperatingPoint,
    A: NDArray[np.float64],
    Bu: NDArray[np.float64],
    Bd: NDArray[np.float64],
    flows: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Derive the duty state of peak current mode.

    Returns the row (B, n+1+3) of ``w' = row [x, w, inputs]`` and ``direct`` (B,3) with ``d = w - direct inputs``. In
    periods, ``He`` is ``1 - s/2 + s^2/pi^2``.
    """
    on, off = point.network.configurations[:2]
    th = point.problem.threshold
    columns = [point.network.input_index(n) for n in INPUTS]
    r, ru = th.sensed_state, th.sensed_input[:, columns]
    control = np.array([n == "control" for n in INPUTS], float)
    D = point.duty[:, None]
    Sn = np.einsum("bi,bi->b", r, flows[0])
    kon, koff = -D * (1 - D / 2), (1 - D) ** 2 / 2
    Kx = kon * _product(r, on.A) - koff * _product(r, off.A)
    Ku = kon * _product(r, on.B)[:, columns] - koff * _product(r, off.B)[:, columns]
    linear, square = -0.5, 1.0 / np.pi**2
    rA = _product(r, A)
    rBd, rABd = (np.einsum("bi,bi->b", row, Bd)[:, None] for row in (r, rA))
    rBu, rABu = _product(r, Bu), _product(rA, Bu)
    direct = rBu / rBd
    on_state = Kx - r - linear * rA - square * _product(rA, A)
    on_duty = -((Sn + th.ramp)[:, None] + linear * rBd + square * rABd)
    on_input = control + Ku * (1 - control) - ru * (1 - control) - linear * rBu - square * rABu - on_duty * direct
    return np.concatenate([on_state, on_duty, on_input], axis=1) / (square * rBd), direct


def _discontinuous(point: OperatingPoint, modulator: Modulator) -> AveragedModel:
    A, B, C, D = reduced(point, modulator)
    slow = A.shape[-1] - len(LAGS)
    return AveragedModel(
        A=A,
        B=B,
        C=C,
        D=D,
        states=(*(f"slow{i + 1}" for i in range(slow)), *LAGS),
        period=point.network.period,
        scale=np.ones(A.shape[:2]),
    )


def by_mode(point: OperatingPoint) -> Sequence[NDArray[np.intp]]:
    """Split a batch into index sets of one conduction mode each, empty ones left out.

    Items whose rectifier conducts other than once per period are in none: no averaged model holds for them.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).

    Returns
    -------
    sequence of ndarray
        Indices of one conduction mode each.
    """
    ordinary, light = point.ordinary, point.discontinuous
    sets = (np.flatnonzero(ordinary & ~light), np.flatnonzero(ordinary & light))
    return [s for s in sets if len(s)]
