"""What every topology is made of: part values, the node names all share, and the stage's own facts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from loopdesign.network.elements import Capacitor, Coupling, Diode, Element, Inductor, Resistor, Switch, Transformer

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

SUPPLY = "supply"
"""Node the converter draws its input current from."""
OUTPUT = "out"
"""Node of the regulated output, positive against ground."""
NEGATIVE = "negative"
"""Node of the output of a stage that inverts, before the mirror."""

Value: TypeAlias = "float | NDArray[np.float64]"


@dataclass(frozen=True, slots=True, kw_only=True)
class InductorValue:
    """Inductance [H] and winding resistance [ohm]."""

    inductance: float | NDArray[np.float64]
    resistance: float | NDArray[np.float64] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CapacitorValue:
    """Capacitance [F] at its own bias and series resistance [ohm]."""

    capacitance: float | NDArray[np.float64]
    esr: float | NDArray[np.float64] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DamperValue:
    """Resistance [ohm] in series with a capacitance [F]."""

    resistance: float | NDArray[np.float64]
    capacitance: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageValues:
    """Values of all power parts at one corner, or over a batch of corners (B,).

    ``Co`` is a bank: every capacitor has its own series resistance and its own state. ``Cs`` and ``damper`` belong to
    topologies with a coupling capacitor, ``turns`` and ``secondary_resistance`` to those with a transformer.
    """

    L1: InductorValue
    Co: tuple[CapacitorValue, ...]
    switch_resistance: float | NDArray[np.float64]
    diode_resistance: float | NDArray[np.float64]
    diode_drop: float | NDArray[np.float64]
    L2: InductorValue | None = None
    coupling: float | NDArray[np.float64] = 0.0
    Cs: CapacitorValue | None = None
    damper: DamperValue | None = None
    turns: float | NDArray[np.float64] = 1.0
    secondary_resistance: float | NDArray[np.float64] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """A topology's netlist and the facts about it that no netlist tells.

    Attributes
    ----------
    name
        As written in the case file.
    netlist
        Builds the power stage between nodes ``supply`` and ``out`` from part values. The switch is named ``switch``,
        the rectifier ``diode``; the controller senses the switch current.
    lossless_duty
        Continuous-conduction duty [unitless] of the lossless stage from input voltage, output voltage and turns.
    rhp_zero_rule
        The trade's estimate of the right-half-plane zero [Hz] from duty, load resistance and part values, or None.
    rhp_zero_source
        Where that rule is printed.
    """

    name: str
    netlist: Callable[[StageValues], tuple[Element, ...]]
    lossless_duty: Callable[[Value, Value, Value], Value]
    rhp_zero_rule: Callable[[Value, Value, StageValues], Value] | None = None
    rhp_zero_source: str = ""


def output_bank(bank: tuple[CapacitorValue, ...]) -> tuple[Element, ...]:
    """Output capacitors in parallel, named ``Co``, or ``Co1``, ``Co2`` ... for a bank of several."""
    names = ["Co"] if len(bank) == 1 else [f"Co{i}" for i in range(1, len(bank) + 1)]
    return tuple(
        Capacitor(name=n, a=OUTPUT, b="0", capacitance=c.capacitance, esr=c.esr)
        for n, c in zip(names, bank, strict=True)
    )


def inductor(name: str, value: InductorValue, a: str, b: str) -> Inductor:
    """One inductor with its winding resistance, current from ``a`` to ``b``."""
    return Inductor(name=name, a=a, b=b, inductance=value.inductance, resistance=value.resistance)


def mirror() -> Transformer:
    """Turn the sign of a negative output: an ideal transformer of turns -1 from node ``negative`` to the output.

    A stage that inverts is written as it is drawn up to node ``negative``; output capacitors, load and divider lie
    behind the mirror and see a positive voltage. The mirror keeps power, stores nothing and drops nothing, so that
    source, switch and inductor currents have their true signs and every impedance its true value.
    """
    return Transformer(name="mirror", a=NEGATIVE, b="0", c=OUTPUT, d="0", turns=-1.0)


def coupled_pair(stage: StageValues, first: tuple[str, str], second: tuple[str, str]) -> tuple[Element, ...]:
    """Inductors ``L1`` and ``L2`` between pairs of nodes, with their magnetic coupling.

    Give each pair of nodes so that the on-state voltage from the first to the second is positive: a positive coupling
    then magnetises the core the same way in both windings.
    """
    if stage.L2 is None:
        raise ValueError("this topology needs L2")
    return (
        inductor("L1", stage.L1, *first),
        inductor("L2", stage.L2, *second),
        Coupling(name="coupling", first="L1", second="L2", coefficient=stage.coupling),
    )


def coupling_capacitor(stage: StageValues, a: str, b: str) -> tuple[Element, ...]:
    """Coupling capacitor ``Cs`` with its damper, if any, across capacitor and series resistance together."""
    if stage.Cs is None:
        raise ValueError("this topology needs Cs")
    cap = Capacitor(name="Cs", a=a, b=b, capacitance=stage.Cs.capacitance, esr=stage.Cs.esr)
    if stage.damper is None:
        return (cap,)
    return (
        cap,
        Resistor(name="Rd", a=a, b="damper", resistance=stage.damper.resistance),
        Capacitor(name="Cd", a="damper", b=b, capacitance=stage.damper.capacitance),
    )


def devices(stage: StageValues, switch: tuple[str, str], diode: tuple[str, str]) -> tuple[Element, ...]:
    """Place the one switch and the one rectifier between pairs of nodes."""
    return (
        Switch(name="switch", a=switch[0], b=switch[1], resistance=stage.switch_resistance),
        Diode(name="diode", a=diode[0], b=diode[1], resistance=stage.diode_resistance),
    )
