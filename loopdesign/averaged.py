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
switching frequency appears. In discontinuous conduction the diode's current is no state: its triangle follows from
duty and the slow states. What a shift of the switch-off edge moves at once and what it moves through the rest of the
triangle are told apart; the second lags by one pole at ``fs / (pi D2)``, and both together give the high-frequency
pole and right-half-plane zero of R. W. Erickson, D. Maksimovic, 2020, Table 15.4.

Valid well below half the switching frequency; time is counted in periods and states are normalised, as in the circuit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.linalg import expm
from loopdesign.modulator import VoltageMode

if TYPE_CHECKING:
    from collections.abc import Sequence

    import control
    from numpy.typing import NDArray

    from loopdesign.circuit import Configuration
    from loopdesign.modulator import Modulator
    from loopdesign.steady import OperatingPoint

INPUTS = ("control", "line", "load")
OUTPUTS = ("v(out)", "i(line)")


@dataclass(frozen=True, slots=True, kw_only=True)
class AveragedModel:
    """Averaged small-signal state space over a batch, loop open; normalised states, time in periods.

    Attributes
    ----------
    A, B, C, D
        (B,n,n), (B,n,3), (B,2,n), (B,2,3): inputs ``control``, ``line``, ``load``; outputs ``v(out)``, ``i(line)``.
    states
        Names along the state axis; ``duty`` for the sampled-data state, ``slow1`` ... in discontinuous conduction.
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
        """Respond at (F,) or (B,F) frequencies [Hz] from one input to one output; returns (B,F)."""
        angle = 2.0 * np.pi * np.atleast_2d(frequencies_hz) * self.period[:, None]
        j, i = INPUTS.index(source), OUTPUTS.index(output)
        matrix = 1j * angle[..., None, None] * np.eye(self.A.shape[-1]) - self.A[:, None]
        x = np.linalg.solve(matrix, np.broadcast_to(self.B[:, None, :, j, None], (*angle.shape, self.A.shape[-1], 1)))
        return np.einsum("bn,bfn->bf", self.C[:, i], x[..., 0]) + self.D[:, i, j, None]

    def to_control(self, item: int = 0) -> control.StateSpace:
        """Convert one item to a python-control state space in SI units, inputs and outputs named."""
        import control  # noqa: PLC0415  (a second to import; only those who ask pay)

        s = self.scale[item]
        A = self.A[item] / s[:, None] * s[None, :] / self.period[item]
        B = self.B[item] / s[:, None] / self.period[item]
        return control.ss(
            A, B, self.C[item] * s[None, :], self.D[item], inputs=list(INPUTS), outputs=list(OUTPUTS),
            states=list(self.states),
        )  # fmt: skip


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
        Order n in voltage mode, n + 1 in peak current mode; in discontinuous conduction n, the diode's current replaced
        by the lagging charge.

    Raises
    ------
    ValueError
        Where the batch mixes conduction modes; take each mode's items apart first.
    """
    if point.discontinuous.all():
        return _discontinuous(point, modulator)
    if point.discontinuous.any():
        raise ValueError("average one conduction mode at a time")
    return _continuous(point, modulator)


def _product(row: NDArray[np.float64], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.einsum("bi,bij->bj", row, matrix)


def _continuous(point: OperatingPoint, modulator: Modulator) -> AveragedModel:
    network = point.network
    on, off = network.configurations[:2]
    u = point.inputs
    D = point.duty[:, None, None]
    A, B = D * on.A + (1 - D) * off.A, D * on.B + (1 - D) * off.B
    C, Du = D * on.C + (1 - D) * off.C, D * on.D + (1 - D) * off.D
    X = -np.linalg.solve(A, np.einsum("bnp,bp->bn", B, u)[..., None])[..., 0]

    def flow(c: Configuration) -> NDArray[np.float64]:
        return np.einsum("bij,bj->bi", c.A, X) + np.einsum("bij,bj->bi", c.B, u)

    Bd = flow(on) - flow(off)
    Ed = np.einsum("bij,bj->bi", on.C - off.C, X) + np.einsum("bij,bj->bi", on.D - off.D, u)
    columns = [network.input_index(n) for n in INPUTS]
    rows = [network.output_index(n) for n in OUTPUTS]
    control = np.array([n == "control" for n in INPUTS], float)
    if isinstance(modulator, VoltageMode):
        gain = control / point.problem.threshold.ramp[:, None]
        return AveragedModel(
            A=A,
            B=B[:, :, columns] + Bd[:, :, None] * gain[:, None, :],
            C=C[:, rows],
            D=Du[:, rows][:, :, columns] + Ed[:, rows, None] * gain[:, None, :],
            states=network.states,
            period=network.period,
            scale=network.state_scale,
        )
    Bu = B[:, :, columns] * (1.0 - control)
    state, direct = _sampled_duty(point, A, Bu, Bd, (flow(on), flow(off)))
    n = A.shape[-1]
    bigger = np.zeros((len(A), n + 1, n + 1))
    bigger[:, :n, :n], bigger[:, :n, n], bigger[:, n] = A, Bd, state[:, : n + 1]
    # duty is the new state less what the inputs feed through it
    inputs = np.concatenate([Bu - Bd[:, :, None] * direct[:, None, :], state[:, None, n + 1 :]], axis=1)
    return AveragedModel(
        A=bigger,
        B=inputs,
        C=np.concatenate([C[:, rows], Ed[:, rows, None]], axis=2),
        D=Du[:, rows][:, :, columns] - Ed[:, rows, None] * direct[:, None, :],
        states=(*network.states, "duty"),
        period=network.period,
        scale=np.concatenate([network.state_scale, np.ones((len(A), 1))], axis=1),
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _SlowStates:
    """Coordinates in discontinuous conduction: ``x = P slow + q i`` with ``i`` the diode's current."""

    P: NDArray[np.float64]
    q: NDArray[np.float64]
    N: NDArray[np.float64]
    diode_row: NDArray[np.float64]


def _slow_states(point: OperatingPoint, X: NDArray[np.float64]) -> _SlowStates:
    """Choose the fast direction so that the slow states' slopes do not jump when the switch opens."""
    network = point.network
    on, off = network.configurations[:2]
    u = point.inputs
    jump = np.einsum("bij,bj->bi", on.A - off.A, X) + np.einsum("bij,bj->bi", on.B - off.B, u)
    inductive = np.array([s.startswith("i(") for s in network.states])
    q = np.where(inductive, jump, 0.0)
    row = network.configurations[1].C[:, network.output_index("i(diode)")]
    q = q / np.einsum("bi,bi->b", row, q)[:, None]
    _, _, Vh = np.linalg.svd(row[:, None, :])
    P = Vh[:, 1:].transpose(0, 2, 1)
    N = np.linalg.inv(np.concatenate([P, q[:, :, None]], axis=2))[:, :-1]
    return _SlowStates(P=P, q=q, N=N, diode_row=row)


def average_state(point: OperatingPoint) -> NDArray[np.float64]:
    """Exact average (B,n) of the normalised states over the period."""
    b, n = point.start.shape
    total = np.zeros((b, n))
    starts = (point.start, point.at_duty, point.at_rectifier_end)
    for k, c in enumerate(point.network.configurations):
        M = np.zeros((b, 2 * n + 1, 2 * n + 1))
        M[:, :n, :n] = c.A
        M[:, :n, n] = np.einsum("bnp,bp->bn", c.B, point.inputs)
        M[:, n + 1 :, :n] = np.eye(n)
        E = expm(M * point.lengths[:, k, None, None])
        total += np.einsum("bij,bj->bi", E[:, n + 1 :, :n], starts[k]) + E[:, n + 1 :, n]
    return total


def _discontinuous(point: OperatingPoint, modulator: Modulator) -> AveragedModel:
    """Reduced-order model: differentiate the averaged triangle with complex steps (exact to rounding)."""
    network = point.network
    X = average_state(point)
    slow = _slow_states(point, X)
    xi = np.einsum("bij,bj->bi", slow.N, X)
    b, m = xi.shape
    columns = [network.input_index(n) for n in INPUTS]
    step = 1e-30j
    base = [xi.astype(complex), point.duty.astype(complex), point.inputs.astype(complex)]
    by_state, by_input = [], []
    for j in range(m):
        moved = base[0].copy()
        moved[:, j] += step
        by_state.append(_triangle(point, slow, moved, base[1], base[2]).imag / step.imag)
    by_duty = _triangle(point, slow, base[0], base[1] + step, base[2]).imag / step.imag
    for j in columns:
        moved = base[2].copy()
        moved[:, j] += step
        by_input.append(_triangle(point, slow, base[0], base[1], moved).imag / step.imag)
    Jx, Ju = np.stack(by_state, axis=2), np.stack(by_input, axis=2)
    control = np.array([n == "control" for n in INPUTS], float)
    if isinstance(modulator, VoltageMode):
        duty_x, duty_u = np.zeros((b, m)), control / point.problem.threshold.ramp[:, None]
    else:  # the threshold, sensed peak plus ramp less control, stays at zero: it is the last row
        duty_x = -Jx[:, -1] / by_duty[:, -1, None]
        duty_u = (control - Ju[:, -1] * (1 - control)) / by_duty[:, -1, None]
    at_edge = _edge_share(point, slow)
    spread = by_duty[:, : m + len(OUTPUTS)] - at_edge
    rate = 2.0 / (point.rectifier_end - point.duty)  # the pole fs / (pi D2), in radians per period
    J, Ju = Jx[:, : m + len(OUTPUTS)], Ju[:, : m + len(OUTPUTS)] * (1 - control)
    wide = np.zeros((b, m + 1, m + 1 + len(INPUTS)))
    wide[:, :m] = _with_duty(J[:, :m], spread[:, :m], Ju[:, :m], at_edge[:, :m], duty_x, duty_u)
    wide[:, m, :m], wide[:, m, m], wide[:, m, m + 1 :] = rate[:, None] * duty_x, -rate, rate[:, None] * duty_u
    rows = _with_duty(J[:, m:], spread[:, m:], Ju[:, m:], at_edge[:, m:], duty_x, duty_u)
    return AveragedModel(
        A=wide[:, :, : m + 1],
        B=wide[:, :, m + 1 :],
        C=rows[:, :, : m + 1],
        D=rows[:, :, m + 1 :],
        states=(*(f"slow{i + 1}" for i in range(m)), "charge"),
        period=network.period,
        scale=np.ones((b, m + 1)),
    )


def _with_duty(
    by_state: NDArray[np.float64],
    spread: NDArray[np.float64],
    by_input: NDArray[np.float64],
    at_edge: NDArray[np.float64],
    duty_x: NDArray[np.float64],
    duty_u: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Rows over ``[slow, charge, inputs]``: duty acts at its edge at once, the rest through the lagging charge."""
    return np.concatenate(
        [
            by_state + at_edge[:, :, None] * duty_x[:, None, :],
            spread[:, :, None],
            by_input + at_edge[:, :, None] * duty_u[:, None, :],
        ],
        axis=2,
    )


def _edge_share(point: OperatingPoint, slow: _SlowStates) -> NDArray[np.float64]:
    """Tell what a shift of the switch-off edge does at that very moment, to slow slopes and outputs (B, m+2)."""
    on, off = point.network.configurations[:2]
    rows = [point.network.output_index(n) for n in OUTPUTS]
    x, u = point.at_duty, point.inputs
    flow = np.einsum("bij,bj->bi", on.A - off.A, x) + np.einsum("bij,bj->bi", on.B - off.B, u)
    out = np.einsum("bij,bj->bi", (on.C - off.C)[:, rows], x) + np.einsum("bij,bj->bi", (on.D - off.D)[:, rows], u)
    return np.concatenate([np.einsum("bij,bj->bi", slow.N, flow), out], axis=1)


def _triangle(
    point: OperatingPoint,
    slow: _SlowStates,
    xi: NDArray[np.complex128],
    duty: NDArray[np.complex128],
    u: NDArray[np.complex128],
) -> NDArray[np.complex128]:
    """Average slopes of the slow states, average outputs and the sensed peak with its ramp, stacked (B, m+2+1)."""
    on, off, idle = point.network.configurations
    rows = [point.network.output_index(n) for n in OUTPUTS]
    idle_x = np.einsum("bij,bj->bi", slow.P, xi)

    def flow(c: Configuration, x: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.einsum("bij,bj->bi", c.A, x) + np.einsum("bij,bj->bi", c.B, u)

    def out(c: Configuration, x: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.einsum("bij,bj->bi", c.C[:, rows], x) + np.einsum("bij,bj->bi", c.D[:, rows], u)

    def rate(c: Configuration, x: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.einsum("bi,bi->b", slow.diode_row, flow(c, x))

    # slopes at the middle of the triangle's sides: the first guess from its foot, then once more
    peak = duty * rate(on, idle_x)
    for _ in range(2):
        middle = idle_x + slow.q * (peak / 2.0)[:, None]
        peak = duty * rate(on, middle)
    middle = idle_x + slow.q * (peak / 2.0)[:, None]
    fall = -peak / rate(off, middle)
    shares = (duty[:, None], fall[:, None], (1.0 - duty - fall)[:, None])
    states = (middle, middle, idle_x)
    slopes = sum(w * flow(c, x) for w, c, x in zip(shares, (on, off, idle), states, strict=True))
    outputs = sum(w * out(c, x) for w, c, x in zip(shares, (on, off, idle), states, strict=True))
    th = point.problem.threshold
    top = idle_x + slow.q * peak[:, None]
    sensed = np.einsum("bi,bi->b", th.sensed_state, top) + np.einsum("bi,bi->b", th.sensed_input, u) + th.ramp * duty
    return np.concatenate([np.einsum("bij,bj->bi", slow.N, slopes), outputs, sensed[:, None]], axis=1)


def by_mode(point: OperatingPoint) -> Sequence[NDArray[np.intp]]:
    """Split a batch into index sets of one conduction mode each, empty ones left out."""
    sets = (np.flatnonzero(~point.discontinuous), np.flatnonzero(point.discontinuous))
    return [s for s in sets if len(s)]
