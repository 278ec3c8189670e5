"""The elements a netlist is made of.

Nodes are strings, ground is ``"0"``. Every value is a float or an array (B,) over corners or samples, in SI units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

GROUND = "0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistor:
    """Resistance between nodes ``a`` and ``b`` [ohm]; zero and negative values are allowed."""

    name: str
    a: str
    b: str
    resistance: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inductor:
    """Inductance [H] with series resistance [ohm]; its current flows from ``a`` to ``b``."""

    name: str
    a: str
    b: str
    inductance: float | NDArray[np.float64]
    resistance: float | NDArray[np.float64] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacitor:
    """Capacitance [F] with series resistance [ohm]; the state is the voltage behind the resistance, ``a`` positive."""

    name: str
    a: str
    b: str
    capacitance: float | NDArray[np.float64]
    esr: float | NDArray[np.float64] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Coupling:
    """Magnetic coupling [unitless, -1 < k < 1] of two inductors; positive when currents into both ``a`` add flux."""

    name: str
    first: str
    second: str
    coefficient: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Transformer:
    """Ideal transformer: ``v(c)-v(d) = turns (v(a)-v(b))``; ``turns`` [unitless] is secondary over primary."""

    name: str
    a: str
    b: str
    c: str
    d: str
    turns: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageSource:
    """Independent voltage source, ``v(a)-v(b)`` [V]; an input of the network."""

    name: str
    a: str
    b: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentSource:
    """Independent current source [A] that drives its current from ``a`` to ``b``; an input of the network."""

    name: str
    a: str
    b: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Transconductor:
    """Current ``gm (v(plus)-v(minus))`` [A] from ``a`` through the source to ``b``; ``gm`` [S]."""

    name: str
    a: str
    b: str
    plus: str
    minus: str
    gm: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """Ideal voltage source ``v(a)-v(b) = gain (v(plus)-v(minus))``; ``gain`` [unitless]."""

    name: str
    a: str
    b: str
    plus: str
    minus: str
    gain: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Controlled switch with on-resistance [ohm], conducting when named in the set of conducting devices."""

    name: str
    a: str
    b: str
    resistance: float | NDArray[np.float64] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Diode:
    """Rectifier from ``a`` to ``b``: a constant drop [V] (an input) and an on-resistance [ohm] while conducting."""

    name: str
    a: str
    b: str
    resistance: float | NDArray[np.float64] = 0.0


Element = (
    Resistor
    | Inductor
    | Capacitor
    | Coupling
    | Transformer
    | VoltageSource
    | CurrentSource
    | Transconductor
    | Amplifier
    | Switch
    | Diode
)
