"""What every topology is made of: part values, the node names all share, and the stage's own facts."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt
from typing import TYPE_CHECKING, Literal, TypeAlias

from loopdesign.network.elements import Capacitor, Coupling, Diode, Element, Inductor, Resistor, Switch, Transformer
from loopdesign.network.places import SwitchingDevices

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

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
class ClampValue:
    """Resistance [ohm] and capacitance [F] in parallel behind a diode of an on-resistance [ohm]."""

    resistance: float | NDArray[np.float64]
    capacitance: float | NDArray[np.float64]
    diode_resistance: float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageValues:
    """Values of all power parts at one corner, or over a batch of corners (B,).

    ``Co`` is a bank: every capacitor has its own series resistance and its own state. ``Cs`` and ``damper`` belong to
    topologies with a coupling capacitor, ``turns``, ``secondary_resistance``, ``leakage`` [H] seen from the primary and
    its ``clamp`` to those with a transformer. A stage that is given element by element has them in ``elements``. The
    values of a stage's own inputs stand by name in ``inputs``: drops of its rectifiers [V], sinks of further outputs
    [A]. The ``Co`` of a stage of elements is what lies across the regulated output, and ``L1`` its first inductor.
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
    leakage: float | NDArray[np.float64] | None = None
    clamp: ClampValue | None = None
    elements: tuple[Element, ...] = ()
    inputs: Mapping[str, float | NDArray[np.float64]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LosslessLoad:
    """What a lossless stage is asked for, and the inductances it has for it.

    Attributes
    ----------
    input_voltage, output_voltage : float
        [V]; the output is positive.
    output_current : float
        [A].
    period : float
        Switching period [s].
    L1, L2 : float
        Inductances, L2 None where the stage has one only [H].
    coupling : float
        Magnetic coupling of L1 and L2 [unitless].
    turns : float
        Secondary over primary [unitless].
    """

    input_voltage: float
    output_voltage: float
    output_current: float
    period: float
    L1: float
    L2: float | None = None
    coupling: float = 0.0
    turns: float = 1.0

    @property
    def input_current(self) -> float:
        """Average input current, for the power is the same on both sides [A]."""
        return self.output_voltage * self.output_current / self.input_voltage


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstInductor:
    """L1 of a lossless stage in continuous conduction: voltages while the switch is on and off [V], average [A]."""

    on_voltage: float
    off_voltage: float
    average: float


StageTable = Literal["one inductor", "two inductors", "transformer"]
"""Which table [stage] the case file has: L1; L1, L2, coupling, Cs and damper; L1 and the secondary winding."""
Conversion = Literal["steps down", "steps up", "steps up and down"]
"""Which outputs the stage reaches from an input."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """Invented numbers of the case file that ``start`` writes, as texts with units.

    Attributes
    ----------
    title
        What the supply is for.
    switching_frequency
        [Hz].
    input_voltage
        Lowest, nominal and highest.
    output_voltage
        Positive, also where the stage inverts.
    output_current
        Lightest load, load before the step, full load.
    scheme
        Modulator, which brings its usual error amplifier and network with it.
    """

    title: str
    switching_frequency: str
    input_voltage: tuple[str, str, str]
    output_voltage: str
    output_current: tuple[str, str, str]
    scheme: Literal["peak current", "voltage"] = "peak current"


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """A netlist, and what the engine asks of it beside.

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
    devices
        Its switches and rectifiers.
    outputs
        Nodes, positive first, of each further output by name.
    simpler
        The same stage with fewer devices, from whose operating point the search for this one's begins; None where
        there is none.
    """

    name: str
    netlist: Callable[[StageValues], tuple[Element, ...]]
    lossless_duty: Callable[[Value, Value, Value], Value]
    rhp_zero_rule: Callable[[Value, Value, StageValues], Value] | None = None
    rhp_zero_source: str = ""
    devices: SwitchingDevices = field(default_factory=SwitchingDevices)
    outputs: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    simpler: Topology | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisteredTopology(Topology):
    """A topology that a case file can name, with the facts that its checks and its template need.

    Attributes
    ----------
    discontinuous_duty
        Duty [unitless] of the lossless stage in discontinuous conduction.
    first_inductor
        Voltages and average current of L1 in the lossless stage in continuous conduction. An L2 sees the same voltages
        and carries the output current.
    stage_table
        Parts the stage is made of, as the case file has them.
    example
        Numbers of a case file to begin from.
    conversion
        Outputs that the stage reaches.
    inverts
        Whether the output is negative against ground; the case file gives it as a positive number.
    other_names
        What people also call it, in small letters without hyphens; the case file answers them with its name.
    with_leakage
        The stage with the leakage inductance of its transformer and the clamp that takes its energy.
    """

    discontinuous_duty: Callable[[LosslessLoad], float]
    first_inductor: Callable[[LosslessLoad], FirstInductor]
    stage_table: StageTable
    example: Example
    conversion: Conversion = "steps up and down"
    inverts: bool = False
    other_names: tuple[str, ...] = ()
    with_leakage: Topology | None = None


def stored_energy_duty(load: LosslessLoad, share: float = 1.0) -> float:
    """Return the duty at which the inductor takes up what the load needs, by energy balance.

    While the switch conducts the inductor sees the input voltage and stores ``(D T Vin)^2 / (2 L)`` from zero.

    Parameters
    ----------
    load : LosslessLoad
        What the stage is asked for.
    share : float
        Part of the load's energy that passes through the inductor's store, above one where energy also reaches the
        load while the store fills [unitless].

    Returns
    -------
    float
        ``D = sqrt(2 L share P T) / (Vin T)`` with P the power of the load [unitless].
    """
    energy = share * load.output_voltage * load.output_current * load.period
    return sqrt(2.0 * switched_inductance(load) * energy) / (load.input_voltage * load.period)


def input_carrying_inductor(load: LosslessLoad) -> FirstInductor:
    """Return L1 in series with the source, with the coupling capacitor between it and the output.

    On the input voltage while the switch is on, on the output voltage while it is off: SEPIC, Cuk and Zeta, the last
    with the input current flowing through L1 by charge balance of the capacitor.
    """
    return FirstInductor(on_voltage=load.input_voltage, off_voltage=load.output_voltage, average=load.input_current)


def switched_inductance(load: LosslessLoad) -> float:
    """Return the inductance that the switch sees [H]: L1, or both windings in parallel with their coupling."""
    if load.L2 is None:
        return load.L1
    mutual = load.coupling * sqrt(load.L1 * load.L2)
    return (load.L1 * load.L2 - mutual**2) / (load.L1 + load.L2 - 2.0 * mutual)


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
