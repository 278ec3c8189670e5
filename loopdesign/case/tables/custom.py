"""Table [stage] of a stage of the user's own: its elements one by one, its outputs, and what the comparator senses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from loopdesign.case.fields import (
    EXACT,
    CouplingRange,
    CurrentRange,
    Levels,
    LevelsOf,
    PartTolerance,
    QuantityField,
    Resistance,
    Section,
    TemperatureCoefficient,
)
from loopdesign.case.fields.levels import COUPLING
from loopdesign.case.tables.parts import CapacitorEntry, DiodeEntry, InductorEntry, SwitchEntry
from loopdesign.errors import QuantityError
from loopdesign.units.quantities import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

MOST_ELEMENTS = 60
"""Most elements of a stage."""
MOST_RECTIFIERS = 6
"""Most rectifiers of a stage: each doubles the number of sets of conducting devices."""
PAIR = 2


def _name(value: object) -> object:
    """Refuse what cannot be part of a dotted key."""
    if not isinstance(value, str) or not value or not value.replace("_", "a").isalnum() or not value[0].isalpha():
        raise QuantityError(
            "is not a name", found=shown(value), expected='letters, digits and underscores, such as "L1"'
        )
    return value


def _pair(value: object) -> object:
    """Refuse what is not a pair of nodes; ground is node "0"."""
    if isinstance(value, list | tuple) and len(value) == PAIR and all(isinstance(v, str) and v.strip() for v in value):
        return ["0" if v.strip().lower() in {"ground", "gnd"} else v.strip() for v in value]
    found = shown(value)
    if isinstance(value, list | tuple) and value and all(isinstance(v, str | int | float) for v in value[: PAIR + 1]):
        listed = [shown(v) for v in value[: PAIR + 1]]
        found = f"[{', '.join(listed)}{', ...' if len(value) > len(listed) else ''}]"
    raise QuantityError("is not a pair of nodes", found=found, expected='two names of nodes such as ["a", "0"]')


def _windings(value: object) -> object:
    """Refuse a coupling of anything but two inductors."""
    listed = isinstance(value, list | tuple) and all(isinstance(v, str) for v in value)
    if listed and len(value) == PAIR:  # type: ignore[arg-type]
        return value
    count = f"{len(value)} inductors" if listed else shown(value)  # type: ignore[arg-type]
    raise QuantityError(
        "couples other than two inductors",
        found=count,
        expected='the names of two inductors such as ["L1", "L2"]',
        hint="several windings on one core are one inductor with a transformer for every further winding",
    )


def _elements(value: object) -> object:
    """Refuse a stage without elements, or with more than can be examined."""
    if not isinstance(value, list | tuple) or not value:
        raise QuantityError(
            "is not a list of elements", found=shown(value), expected="a list of tables with kind, name"
        )
    if len(value) > MOST_ELEMENTS:
        raise QuantityError("has too many elements", found=f"{len(value)}", expected=f"at most {MOST_ELEMENTS}")
    return value


Name = Annotated[str, BeforeValidator(_name, json_schema_input_type=str)]
Nodes = Annotated[tuple[str, str], BeforeValidator(_pair, json_schema_input_type=list[str])]
_RatedVoltage = Annotated[float | None, QuantityField("V", above=0)]
_RatedCurrent = Annotated[float | None, QuantityField("A", above=0)]


class _Element(Section):
    """What every element with two ends has."""

    name: Name
    between: Nodes


class InductorElement(_Element, InductorEntry):
    """An inductor; its current is counted from the first node to the second."""

    kind: Literal["inductor"]
    rated_current: _RatedCurrent = None


class CapacitorElement(_Element, CapacitorEntry):
    """A capacitor; its voltage is counted from the first node to the second."""

    kind: Literal["capacitor"]
    rated_voltage: _RatedVoltage = None
    rated_current: _RatedCurrent = None


class ResistorElement(_Element):
    """A resistor, its tolerance [unitless] and temperature coefficient [1/K]."""

    kind: Literal["resistor"]
    resistance: Resistance
    tolerance: PartTolerance = EXACT
    temperature_coefficient: TemperatureCoefficient = 0.0


class SwitchElement(_Element, SwitchEntry):
    """A switch, whose current is positive from the first node to the second.

    One is controlled; the others follow it, or conduct whenever it does not.
    """

    kind: Literal["switch"]
    drive: Literal["controlled", "follows", "complement"] = "controlled"
    rated_voltage: _RatedVoltage = None
    rated_current: _RatedCurrent = None


class RectifierElement(_Element, DiodeEntry):
    """A rectifier, which conducts from the first node to the second."""

    kind: Literal["rectifier"]
    rated_voltage: _RatedVoltage = None
    rated_current: _RatedCurrent = None


class CouplingElement(Section):
    """Magnetic coupling of two inductors, positive where currents into the first nodes of both add their flux."""

    kind: Literal["coupling"]
    name: Name
    of: Annotated[tuple[str, str], BeforeValidator(_windings, json_schema_input_type=list[str])]
    coefficient: Annotated[Levels, LevelsOf(CouplingRange, COUPLING, listed=False)]


class TransformerElement(Section):
    """An ideal transformer: the secondary voltage is the turns ratio times the primary one, first nodes alike."""

    kind: Literal["transformer"]
    name: Name
    primary: Nodes
    secondary: Nodes
    turns: Annotated[
        float, QuantityField("", above=0, plausible=(1e-3, 1e3), hint="turns is secondary over primary, such as 0.35")
    ]


AnyElement = (
    InductorElement
    | CapacitorElement
    | ResistorElement
    | SwitchElement
    | RectifierElement
    | CouplingElement
    | TransformerElement
)
"""An element of any kind."""
StageElement = Annotated[AnyElement, Field(discriminator="kind")]


class OutputEntry(Section):
    """A further output with its own load.

    Fields: nodes, positive first; voltage at which its current is stated [V]; current, from its lightest to its fullest
    load [A]; load.
    """

    name: Name
    between: Nodes
    voltage: Annotated[float, QuantityField("V", above=0)]
    current: Annotated[Levels, LevelsOf(CurrentRange, QuantityField("A", above=0), listed=False)]
    load: Literal["resistive", "current"] = "resistive"


class CustomStage(Section):
    """Stage of the user's own: its elements, the nodes of the regulated output, what is sensed, further outputs."""

    elements: Annotated[tuple[StageElement, ...], BeforeValidator(_elements)]
    output: Nodes = ("out", "0")
    sense: str | None = None
    outputs: tuple[OutputEntry, ...] = ()

    def of_kind(self, kind: type[Any]) -> Iterator[Any]:
        """Yield the elements of one kind in their order.

        Parameters
        ----------
        kind : type
            Class of the elements.
        """
        yield from (e for e in self.elements if isinstance(e, kind))

    @property
    def switch(self) -> SwitchElement:
        """The controlled switch."""
        return next(e for e in self.of_kind(SwitchElement) if e.drive == "controlled")

    @property
    def sensed(self) -> str:
        """Name of the element whose current the comparator sees."""
        return self.sense or self.switch.name

    @property
    def rectifiers(self) -> tuple[RectifierElement, ...]:
        """Rectifiers, one named diode first, the others in their order."""
        return tuple(sorted(self.of_kind(RectifierElement), key=lambda e: e.name != "diode"))

    @property
    def inductors(self) -> dict[str, InductorElement]:
        """Inductors by name."""
        return {e.name: e for e in self.of_kind(InductorElement)}

    @property
    def capacitors(self) -> dict[str, CapacitorElement]:
        """Capacitors by name."""
        return {e.name: e for e in self.of_kind(CapacitorElement)}

    @property
    def resistors(self) -> tuple[ResistorElement, ...]:
        """Resistors in their order."""
        return tuple(self.of_kind(ResistorElement))

    @property
    def bank(self) -> tuple[CapacitorElement, ...]:
        """Capacitors across the regulated output."""
        return tuple(c for c in self.of_kind(CapacitorElement) if set(c.between) == set(self.output))

    @property
    def Co(self) -> tuple[CapacitorElement, ...]:
        """The same, by the designator that other stages give it."""
        return self.bank

    @property
    def L1(self) -> InductorElement:
        """The first inductor."""
        return next(iter(self.inductors.values()))

    @property
    def diode(self) -> RectifierElement | None:
        """The first rectifier; None where switches take its place."""
        return next(iter(self.rectifiers), None)

    @property
    def couplings(self) -> tuple[CouplingElement, ...]:
        """Magnetic couplings."""
        return tuple(self.of_kind(CouplingElement))
