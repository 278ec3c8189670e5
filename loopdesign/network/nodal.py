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
    """Nodal equations ``M z = Nx x + Nu u`` of one netlist; a configuration differs from another only in its devices.

    Attributes
    ----------
    core
        Number of equations that the devices touch or that drive these; they come first. Those behind them, such as a
        compensation network's, see them through controlled sources only and are the same in every configuration.
        Unless ``parted`` all are counted to it.
    M, right
        (B,m,m) and ``[Nx, Nu]`` (B,m,n+p), the devices left out.
    """

    def __init__(
        self, elements: Sequence[Element], period: float | NDArray[np.float64], *, parted: bool = True
    ) -> None:
        self.elements = tuple(elements)
        names = [e.name for e in self.elements]
        if len(set(names)) < len(names):
            twice = sorted({n for n in names if names.count(n) > 1})
            raise CircuitError(f"element names must differ; used twice: {', '.join(twice)}")
        self.batch = _batch_size(self.elements, period)
        self.period = np.broadcast_to(np.asarray(period, float), (self.batch,)).copy()
        self.inductors = [e for e in self.elements if isinstance(e, Inductor)]
        self.capacitors = [e for e in self.elements if isinstance(e, Capacitor)]
        self.states = tuple([f"i({e.name})" for e in self.inductors] + [f"v({e.name})" for e in self.capacitors])
        kinds = (VoltageSource, CurrentSource, Diode)
        self.inputs = tuple(e.name for kind in kinds for e in self.elements if isinstance(e, kind))
        self.nodes = sorted({n for e in self.elements for n in _terminals(e)} - {GROUND})
        self.branches = [
            e for e in self.elements if not isinstance(e, (Inductor, Coupling, CurrentSource, Transconductor))
        ]
        self.size = len(self.nodes) + len(self.branches)
        scale = np.empty((self.batch, len(self.states)))
        for i, e in enumerate(self.inductors):
            scale[:, i] = np.sqrt(e.inductance)
        for i, c in enumerate(self.capacitors):
            scale[:, len(self.inductors) + i] = np.sqrt(c.capacitance)
        self.scale = scale
        order, self.core = _order(self.elements, self.nodes, self.branches, parted=parted)
        place = {i: k for k, i in enumerate(order)}
        self.row = {n: place[i] for i, n in enumerate(self.nodes)}
        self.branch_row = {e.name: place[len(self.nodes) + i] for i, e in enumerate(self.branches)}
        self.M = np.zeros((self.batch, self.size, self.size))
        self.right = np.zeros((self.batch, self.size, len(self.states) + len(self.inputs)))
        for each in self.elements:
            if not isinstance(each, Switch | Diode):
                self._stamp(each, self.M, self.right, conducts=True)

    def equations(self, on: frozenset[str]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Build M (B,c,c) and ``[Nx, Nu]`` (B,c,n+p) of the core for one set of conducting devices."""
        c = self.core
        M, right = self.M[:, :c, :c].copy(), self.right[:, :c].copy()
        for e in self.elements:
            if isinstance(e, Switch | Diode):
                self._stamp(e, M, right, conducts=e.name in on)
        return M, right

    def _stamp(  # noqa: C901, PLR0912
        self,
        e: Element,
        M: NDArray[np.float64],
        right: NDArray[np.float64],
        *,
        conducts: bool,
    ) -> None:
        """Write one element into the nodal equations, ``right`` being ``[Nx, Nu]``."""
        match e:
            case Coupling():
                pass
            case Inductor():
                self._leave(right, e.a, e.b, self.states.index(f"i({e.name})"), -1.0)
            case CurrentSource():
                self._leave(right, e.a, e.b, self._input(e), -1.0)
            case Transconductor():
                for node, sign in ((e.plus, 1.0), (e.minus, -1.0)):
                    if node != GROUND:
                        self._leave(M, e.a, e.b, self.row[node], sign * np.asarray(e.gm, float))
            case Resistor():
                self._branch(M, e, e.resistance)
            case Capacitor():
                row, weight = self._branch(M, e, e.esr)
                right[:, row, self.states.index(f"v({e.name})")] = weight
            case VoltageSource():
                row, weight = self._branch(M, e, 0.0)
                right[:, row, self._input(e)] = weight
            case Switch() if conducts:
                self._branch(M, e, e.resistance)
            case Diode() if conducts:
                row, weight = self._branch(M, e, e.resistance)
                right[:, row, self._input(e)] = weight
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

    def _input(self, e: Element) -> int:
        """Column of an element that is an input."""
        return len(self.states) + self.inputs.index(e.name)

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

    def storage(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Build Gz (B,n,m) and Gx (B,n,n) of ``dx/dt = Gz z + Gx x`` in SI units."""
        n, count = len(self.states), len(self.inductors)
        Gz, Gx = np.zeros((self.batch, n, self.size)), np.zeros((self.batch, n, n))
        for i, cap in enumerate(self.capacitors, start=count):
            Gz[:, i, self.branch_row[cap.name]] = 1.0 / np.asarray(cap.capacitance, float)
        if not count:
            return Gz, Gx
        inductance = np.zeros((self.batch, count, count))
        across, drop = np.zeros((1, count, self.size)), np.zeros((self.batch, count, count))
        for i, e in enumerate(self.inductors):
            inductance[:, i, i] = e.inductance
            self._difference(across, i, e.a, e.b, 1.0)
            drop[:, i, i] = -np.asarray(e.resistance, float)
        index = {e.name: i for i, e in enumerate(self.inductors)}
        for c in (e for e in self.elements if isinstance(e, Coupling)):
            i, j = index[c.first], index[c.second]
            mutual = c.coefficient * np.sqrt(inductance[:, i, i] * inductance[:, j, j])
            inductance[:, i, j] += mutual
            inductance[:, j, i] += mutual
        F = np.linalg.inv(inductance)
        Gz[:, :count], Gx[:, :count, :count] = F @ across, F @ drop
        return Gz, Gx


def _order(
    elements: Sequence[Element], nodes: Sequence[str], branches: Sequence[Element], *, parted: bool
) -> tuple[list[int], int]:
    """Order the equations, nodes before branches, so that the core comes first; return its length too.

    Equations belong together where each stands in the other: nodes joined by a branch. A controlled source only looks
    at its controlling nodes, and an inductor joins nothing, since its current is a state.
    """
    every = list(range(len(nodes) + len(branches)))
    if not parted or not any(isinstance(e, Switch | Diode) for e in branches):
        return every, len(every)
    row = {n: i for i, n in enumerate(nodes)}
    group = every.copy()
    driven = [e for e in elements if isinstance(e, Transconductor)]
    looks: list[tuple[list[int], list[int]]] = []
    for i, e in enumerate(branches, start=len(nodes)):
        ends = [row[n] for n in (_terminals(e) if isinstance(e, Transformer) else _terminals(e)[:2]) if n != GROUND]
        old, new = {group[k] for k in ends}, group[i]
        group = [new if g in old else g for g in group]
        if isinstance(e, Amplifier):
            looks.append(([i], [row[n] for n in (e.plus, e.minus) if n != GROUND]))
    rows = [[[row[n] for n in pair if n != GROUND] for pair in ((t.a, t.b), (t.plus, t.minus))] for t in driven]
    looks += [(by, at) for by, at in rows]
    core = {group[i] for i, e in enumerate(branches, start=len(nodes)) if isinstance(e, Switch | Diode)}
    count = -1
    while len(core) > count:
        count = len(core)
        core |= {group[k] for by, at in looks if any(group[i] in core for i in by) for k in at}
    order = sorted(every, key=lambda i: group[i] not in core)
    return order, sum(g in core for g in group)


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
