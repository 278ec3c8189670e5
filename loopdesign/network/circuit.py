"""Derive the switched state space of any netlist.

For each set of conducting devices the network is written down by modified nodal analysis (C. Ho, A. Ruehli, P. Brennan,
"The modified nodal approach to network analysis", IEEE Trans. CAS 22(6), 1975; from memory) with every inductor as a
current source and every capacitor as a voltage source behind its series resistance:

    M z = Nx x + Nu u,        dx/dt = F (Gz z + Gx x)

``z`` holds node voltages and branch currents, ``x`` inductor currents and capacitor voltages, ``u`` the independent
sources and diode drops. Where devices are open, M can lose rank. Its left null space ``w`` then gives a constraint on
the states, ``w Nx x + w Nu u = 0`` (a SEPIC in discontinuous conduction: the inductor currents add to nothing), its
right null space the free voltage, whose size follows from differentiating the constraint.

States leave this module normalised: energy-like (``sqrt(L) i``, ``sqrt(C) v``) and with time counted in switching
periods, so that picofarads at a megohm and hundreds of microfarads live in one well-scaled matrix. Outputs and inputs
stay in volts and amperes. Every element value may carry a batch axis (B,), for corners or samples.

Nothing here knows the name of a topology.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import CircuitError
from loopdesign.network.elements import (
    GROUND,
    Amplifier,
    Capacitor,
    Coupling,
    CurrentSource,
    Diode,
    Element,
    Inductor,
    Resistor,
    Switch,
    Transconductor,
    Transformer,
    VoltageSource,
)
from loopdesign.network.linear_algebra import solve_singular

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """Linear network for one set of conducting devices, in normalised states and time.

    ``dx/dtheta = A x + B u``, ``y = C x + D u`` with ``theta`` in periods. Shapes: A (B,n,n), B (B,n,p), C (B,q,n),
    D (B,q,p). ``constraint`` (B,k,n) and ``constraint_input`` (B,k,p) hold what the states must obey here (k may be 0).
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    C: NDArray[np.float64]
    D: NDArray[np.float64]
    constraint: NDArray[np.float64]
    constraint_input: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedNetwork:
    """State space of a netlist for several sets of conducting devices.

    Attributes
    ----------
    states, inputs, outputs
        Names along the axes of the matrices: ``i(L1)``, ``v(Cs)``; source and diode names; probes.
    configurations
        One per set of conducting devices, in the order asked for.
    state_scale
        (B,n) factor from SI state to normalised state: ``sqrt(L)`` or ``sqrt(C)``.
    period
        (B,) switching period [s] that normalised time counts.
    """

    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    configurations: tuple[Configuration, ...]
    state_scale: NDArray[np.float64]
    period: NDArray[np.float64]

    def input_index(self, name: str) -> int:
        """Position of an input along the input axis."""
        return self.inputs.index(name)

    def output_index(self, name: str) -> int:
        """Position of a probe along the output axis."""
        return self.outputs.index(name)

    def take(self, items: NDArray[np.intp]) -> SwitchedNetwork:
        """Keep some items of the batch, in the order given."""
        configurations = tuple(
            Configuration(
                A=c.A[items],
                B=c.B[items],
                C=c.C[items],
                D=c.D[items],
                constraint=c.constraint[items],
                constraint_input=c.constraint_input[items],
            )
            for c in self.configurations
        )
        return SwitchedNetwork(
            states=self.states,
            inputs=self.inputs,
            outputs=self.outputs,
            configurations=configurations,
            state_scale=self.state_scale[items],
            period=self.period[items],
        )


def derive(
    elements: Sequence[Element],
    conducting: Sequence[frozenset[str]],
    outputs: Sequence[str],
    *,
    period: float | NDArray[np.float64],
) -> SwitchedNetwork:
    """Derive the switched state space of a netlist.

    Parameters
    ----------
    elements
        The netlist. Values are floats or arrays (B,) [SI units].
    conducting
        For each configuration the names of the switches and diodes that conduct.
    outputs
        Probes: ``v(node)``, ``v(node,node)`` [V] or ``i(element)`` [A].
    period
        Switching period, scalar or (B,) [s].

    Returns
    -------
    SwitchedNetwork
        Matrices with a leading batch axis (B,), B = 1 when every value is a scalar.

    Raises
    ------
    CircuitError
        For a loop of ideal capacitors or voltage sources, a floating node, an unknown name, or inductors left in
        series in every configuration.
    """
    assembly = _Assembly(elements, period)
    configurations = tuple(assembly.configuration(on, outputs) for on in conducting)
    if configurations and all(c.constraint.shape[1] for c in configurations):
        raise CircuitError(
            "inductors are in series with nothing between them in every switch state; merge them into one inductor"
        )
    return SwitchedNetwork(
        states=assembly.states,
        inputs=assembly.inputs,
        outputs=tuple(outputs),
        configurations=configurations,
        state_scale=assembly.scale,
        period=assembly.period,
    )


class _Assembly:
    """Nodal equations of one netlist; a configuration differs from another only in its device rows."""

    def __init__(self, elements: Sequence[Element], period: float | NDArray[np.float64]) -> None:
        self.elements = tuple(elements)
        names = [e.name for e in self.elements]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise CircuitError(f"element names must differ; used twice: {', '.join(twice)}")
        self.batch = _batch_size(self.elements, period)
        self.period = np.broadcast_to(np.asarray(period, float), (self.batch,)).copy()
        self.inductors = [e for e in self.elements if isinstance(e, Inductor)]
        self.capacitors = [e for e in self.elements if isinstance(e, Capacitor)]
        self.states = tuple([f"i({e.name})" for e in self.inductors] + [f"v({e.name})" for e in self.capacitors])
        kinds = (VoltageSource, CurrentSource, Diode)
        self.inputs = tuple(e.name for kind in kinds for e in self.elements if isinstance(e, kind))
        nodes = {n for e in self.elements if not isinstance(e, Coupling) for n in _terminals(e)} - {GROUND}
        self.nodes = sorted(nodes)
        self.branches = [
            e for e in self.elements if not isinstance(e, (Inductor, Coupling, CurrentSource, Transconductor))
        ]
        self.row = {n: i for i, n in enumerate(self.nodes)}
        self.branch_row = {e.name: len(self.nodes) + i for i, e in enumerate(self.branches)}
        self.size = len(self.nodes) + len(self.branches)
        scale = np.empty((self.batch, len(self.states)))
        for i, e in enumerate(self.inductors):
            scale[:, i] = np.sqrt(e.inductance)
        for i, c in enumerate(self.capacitors):
            scale[:, len(self.inductors) + i] = np.sqrt(c.capacitance)
        self.scale = scale

    def _equations(self, on: frozenset[str]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Build M (B,m,m), Nx (B,m,n) and Nu (B,m,p) for one set of conducting devices."""
        b, m = self.batch, self.size
        M = np.zeros((b, m, m))
        Nx = np.zeros((b, m, len(self.states)))
        Nu = np.zeros((b, m, len(self.inputs)))
        for e in self.elements:
            self._stamp(e, M, Nx, Nu, conducts=e.name in on)
        return M, Nx, Nu

    def _stamp(  # noqa: C901, PLR0912
        self,
        e: Element,
        M: NDArray[np.float64],
        Nx: NDArray[np.float64],
        Nu: NDArray[np.float64],
        *,
        conducts: bool,
    ) -> None:
        """Write one element into the nodal equations."""
        match e:
            case Coupling():
                pass
            case Inductor():
                self._leave(Nx, e.a, e.b, self.states.index(f"i({e.name})"), -1.0)
            case CurrentSource():
                self._leave(Nu, e.a, e.b, self.inputs.index(e.name), -1.0)
            case Transconductor():
                for node, sign in ((e.plus, 1.0), (e.minus, -1.0)):
                    if node != GROUND:
                        self._leave(M, e.a, e.b, self.row[node], sign * np.asarray(e.gm, float))
            case Resistor():
                self._branch(M, e, e.resistance)
            case Capacitor():
                row, weight = self._branch(M, e, e.esr)
                Nx[:, row, self.states.index(f"v({e.name})")] = weight
            case VoltageSource():
                row, weight = self._branch(M, e, 0.0)
                Nu[:, row, self.inputs.index(e.name)] = weight
            case Switch() if conducts:
                self._branch(M, e, e.resistance)
            case Diode() if conducts:
                row, weight = self._branch(M, e, e.resistance)
                Nu[:, row, self.inputs.index(e.name)] = weight
            case Switch() | Diode():
                row = self.branch_row[e.name]
                M[:, row, row] = 1.0  # an open device carries no current
            case Amplifier():
                row, _ = self._branch(M, e, 0.0)
                self._difference(M, row, e.plus, e.minus, -np.asarray(e.gain, float))
            case Transformer():
                row = self.branch_row[e.name]  # primary current; the secondary returns current / turns
                turns = np.asarray(e.turns, float)
                self._leave(M, e.a, e.b, row, 1.0)
                self._leave(M, e.c, e.d, row, -1.0 / turns)
                self._difference(M, row, e.a, e.b, turns)
                self._difference(M, row, e.c, e.d, -1.0)

    def _branch(
        self, M: NDArray[np.float64], e: Element, resistance: float | NDArray[np.float64]
    ) -> tuple[int, NDArray[np.float64]]:
        """Write ``v(a)-v(b)-R i`` with its current into the nodal equations; return its row and the row's weight."""
        row = self.branch_row[e.name]
        a, b = _terminals(e)[:2]
        R = np.clip(np.asarray(resistance, float), -1e15, 1e15)  # an infinite one is a load that draws nothing
        # divide by large resistances, so that no column of a high-ohm node vanishes beside ones
        weight = 1.0 / np.maximum(np.abs(R), 1.0)
        self._leave(M, a, b, row, 1.0)
        self._difference(M, row, a, b, weight)
        M[:, row, row] -= R * weight
        return row, weight

    def _leave(
        self, target: NDArray[np.float64], a: str, b: str, column: int, value: float | NDArray[np.float64]
    ) -> None:
        """Add a current out of ``a`` into ``b`` to the nodal equations."""
        if a != GROUND:
            target[:, self.row[a], column] += value
        if b != GROUND:
            target[:, self.row[b], column] -= value

    def _difference(self, M: NDArray[np.float64], row: int, a: str, b: str, value: float | NDArray[np.float64]) -> None:
        """Add ``value (v(a)-v(b))`` to one equation."""
        if a != GROUND:
            M[:, row, self.row[a]] += value
        if b != GROUND:
            M[:, row, self.row[b]] -= value

    def _storage(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Build F (B,n,n), Gz (n,m), Gx (B,n,n) of ``dx/dt = F (Gz z + Gx x)`` in SI units."""
        n, count = len(self.states), len(self.inductors)
        inductance = np.zeros((self.batch, count, count))
        F = np.zeros((self.batch, n, n))
        Gz = np.zeros((1, n, self.size))
        Gx = np.zeros((self.batch, n, n))
        index = {e.name: i for i, e in enumerate(self.inductors)}
        for i, e in enumerate(self.inductors):
            inductance[:, i, i] = e.inductance
            self._difference(Gz, i, e.a, e.b, 1.0)
            Gx[:, i, i] = -np.asarray(e.resistance, float)
        for c in (e for e in self.elements if isinstance(e, Coupling)):
            i, j = index[c.first], index[c.second]
            mutual = c.coefficient * np.sqrt(inductance[:, i, i] * inductance[:, j, j])
            inductance[:, i, j] += mutual
            inductance[:, j, i] += mutual
        if count:
            F[:, :count, :count] = np.linalg.inv(inductance)
        for i, cap in enumerate(self.capacitors):
            F[:, count + i, count + i] = 1.0 / np.asarray(cap.capacitance, float)
            Gz[0, count + i, self.branch_row[cap.name]] = 1.0
        return F, Gz[0], Gx

    def configuration(self, on: frozenset[str], outputs: Sequence[str]) -> Configuration:
        """Reduce one set of conducting devices to its normalised state space."""
        M, Nx, Nu = self._equations(on)
        n = len(self.states)
        particular, left, right = solve_singular(M, np.concatenate([Nx, Nu], axis=2))
        F, Gz, Gx = self._storage()
        drift = F @ (Gz @ particular)
        drift[:, :, :n] += F @ Gx
        Kx, Ku = left @ Nx, left @ Nu
        if left.shape[1]:
            self._refuse_loops(Kx[0], Ku[0], right[0])
            # differentiate the constraint: Kx dx/dt = 0 fixes the free voltages
            free = -np.linalg.solve(Kx @ F @ (Gz @ right), Kx @ drift)
            particular = particular + right @ free
            drift = drift + F @ (Gz @ right) @ free
        rows = np.stack([self._probe(p, particular) for p in outputs], axis=1)
        s, period = self.scale, self.period[:, None, None]
        return Configuration(
            A=drift[:, :, :n] * s[:, :, None] / s[:, None, :] * period,
            B=drift[:, :, n:] * s[:, :, None] * period,
            C=rows[:, :, :n] / s[:, None, :],
            D=rows[:, :, n:],
            constraint=Kx / s[:, None, :],
            constraint_input=Ku,
        )

    def _refuse_loops(self, Kx: NDArray[np.float64], Ku: NDArray[np.float64], right: NDArray[np.float64]) -> None:
        """Tell apart an inductor cut set (fine) from a capacitor loop or a floating node (refused)."""
        count = len(self.inductors)
        capacitors = [e.name for i, e in enumerate(self.capacitors) if np.any(np.abs(Kx[:, count + i]) > 1e-9)]
        if capacitors:
            raise CircuitError(
                f"ideal capacitor loop through {', '.join(capacitors)}: give the capacitor its series resistance (esr)"
            )
        if np.linalg.matrix_rank(Kx[:, :count], tol=1e-9) < Kx.shape[0]:
            if np.any(np.abs(Ku) > 1e-9):
                raise CircuitError("ideal voltage sources in a loop: give the source or the device a resistance")
            nodes = [n for i, n in enumerate(self.nodes) if np.any(np.abs(right[i]) > 1e-6)]
            raise CircuitError(f"no path to ground from {', '.join(nodes) or 'part of the netlist'}")

    def _probe(self, probe: str, solution: NDArray[np.float64]) -> NDArray[np.float64]:
        """Row (B, n+p) of one probe in terms of states and inputs."""
        kind, _, rest = probe.partition("(")
        row = np.zeros((self.batch, solution.shape[2]))
        if probe in self.states:
            row[:, self.states.index(probe)] = 1.0
            return row
        if kind == "v":
            for node, sign in zip(rest.rstrip(")").split(","), (1.0, -1.0), strict=False):
                if node != GROUND:
                    row += sign * solution[:, self.row[node]]
            return row
        name = rest.rstrip(")")
        if name in self.branch_row:
            row += solution[:, self.branch_row[name]]
        elif name in self.inputs:
            row[:, len(self.states) + self.inputs.index(name)] = 1.0
        else:
            raise CircuitError(f"no probe {probe!r}; states are {', '.join(self.states)}")
        return row


def _terminals(e: Element) -> tuple[str, ...]:
    """Nodes an element touches, sensed ones included."""
    match e:
        case Coupling():
            return ()
        case Transformer():
            return (e.a, e.b, e.c, e.d)
        case Transconductor() | Amplifier():
            return (e.a, e.b, e.plus, e.minus)
        case _:
            return (e.a, e.b)


def _batch_size(elements: Sequence[Element], period: float | NDArray[np.float64]) -> int:
    """Length of the common batch axis of all values."""
    shapes = {np.shape(getattr(e, f)) for e in elements for f in e.__slots__ if not isinstance(getattr(e, f), str)}
    shape = np.broadcast_shapes(*shapes, np.shape(period))
    if len(shape) > 1:
        raise CircuitError(f"element values carry one batch axis at most, found shape {shape}")
    return shape[0] if shape else 1
