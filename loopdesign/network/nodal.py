"""Nodal equations of a netlist, written element by element; see `loopdesign.network.circuit` for what they mean."""

from __future__ import annotations

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

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


class NodalEquations:
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

    def equations(self, on: frozenset[str]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
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

    def storage(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
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
