"""Parts of the power path with designators and values, taken from the case; which nodes they join, from the netlist."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from loopdesign import case as cases
from loopdesign.corners.converters import line_load_corners
from loopdesign.corners.power_stage import bank_names, registered_topology, stage_values
from loopdesign.network.elements import Capacitor, Coupling, Diode, Inductor, Resistor, Switch, Transformer
from loopdesign.network.topologies.base import NEGATIVE, OUTPUT, SUPPLY
from loopdesign.report.basics.exact import exact_text, tolerance_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from loopdesign.corners.conditions import Corners
    from loopdesign.network.elements import Element

Kind: TypeAlias = Literal[
    "resistor", "inductor", "capacitor", "switch", "diode", "rectifier switch", "source", "sink", "led"
]  # fmt: skip
GROUND = "0"


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPart:
    """One symbol.

    Attributes
    ----------
    kind
        Which symbol.
    a, b
        Nodes it joins; a rectifier conducts from ``a`` to ``b``.
    lines
        Designator, then its values.
    dotted
        Whether its first end carries the dot of coupled windings.
    """

    kind: Kind
    a: str
    b: str
    lines: tuple[str, ...]
    dotted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PathSection:
    """One part of the path from source to load.

    Attributes
    ----------
    title
        What it is.
    first, last
        Nodes at its ends.
    parts
        Its symbols.
    transformer
        The transformer in it, if any: nodes of primary and secondary, each with its dotted end first.
    notes
        What a drawing cannot show.
    """

    title: str
    first: str
    last: str
    parts: tuple[DrawnPart, ...]
    transformer: Transformer | None = None
    notes: tuple[str, ...] = ()


def sections(case: cases.Case) -> tuple[PathSection, ...]:
    """List what lies between source and load, in order.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    tuple of PathSection
        Input filter, power stage and output filter, each where the case has it; a stage of the user's own has no
        drawing.
    """
    found = [] if case.input_filter is None else [_input_filter(case.input_filter)]
    found += [] if isinstance(case.stage, cases.CustomStage) else [_stage(case)]
    found += [] if case.output_filter is None else [_output_filter(case.output_filter)]
    return tuple(found)


def _value(value: float, unit: str, tolerance: cases.Tolerance | None = None) -> str:
    return exact_text(value, unit) + (f" {tolerance_text(tolerance)}" if tolerance else "")


def _inductor(name: str, part: cases.InductorEntry, a: str, b: str, *, dotted: bool = False) -> DrawnPart:
    lines = [name, _value(part.inductance, "H", part.tolerance)]
    lines += [_value(part.resistance, "ohm")] if part.resistance else []
    return DrawnPart(kind="inductor", a=a, b=b, lines=tuple(lines), dotted=dotted)


def _capacitor(name: str, part: cases.CapacitorEntry, a: str, b: str) -> DrawnPart:
    count = f"{part.count} × " if part.count > 1 else ""
    lines = [name, count + _value(part.capacitance, "F", part.tolerance)]
    lines += [_value(part.esr, "ohm", part.esr_tolerance)] if part.esr else []
    return DrawnPart(kind="capacitor", a=a, b=b, lines=tuple(lines))


def _plain(kind: Kind, name: str, text: str, a: str, b: str) -> DrawnPart:
    return DrawnPart(kind=kind, a=a, b=b, lines=(name, text))


def _damper(names: tuple[str, str], part: cases.Damper, a: str, b: str) -> tuple[DrawnPart, ...]:
    inner = f"{names[0]}-{names[1]}"
    return (
        _plain("resistor", names[0], _value(part.resistance, "ohm", part.tolerance), a, inner),
        _plain("capacitor", names[1], _value(part.capacitance, "F", part.tolerance), inner, b),
    )


def _input_filter(given: cases.InputFilter) -> PathSection:
    chain: list[DrawnPart] = []
    series = (
        ("resistor", "Rs", given.source.resistance, "ohm"),
        ("inductor", "Ls", given.source.inductance, "H"),
    )  # fmt: skip
    node = "line"
    for kind, name, value, unit in series:
        if value:
            chain.append(_plain(kind, name, exact_text(value, unit), node, f"after {name}"))  # type: ignore[arg-type]
            node = f"after {name}"
    if given.choke_leakage is not None:
        chain.append(_inductor("choke leakage", given.choke_leakage, node, "after leakage"))
        node = "after leakage"
    parts = [*chain, _inductor("Lf", given.L, node, SUPPLY), _capacitor("Cf", given.C, SUPPLY, GROUND)]
    damper = given.damper
    if damper is not None and damper.capacitance is not None:
        across = cases.Damper(resistance=damper.resistance, capacitance=damper.capacitance, tolerance=damper.tolerance)
        parts += _damper(("Rfd", "Cfd"), across, SUPPLY, GROUND)
    elif damper is not None and damper.inductance is not None:
        parts.append(_plain("resistor", "Rfd", _value(damper.resistance, "ohm", damper.tolerance), node, "bridge"))
        parts.append(_plain("inductor", "Lfd", _value(damper.inductance, "H", damper.tolerance), "bridge", SUPPLY))
    return PathSection(title="Input filter", first="line", last=SUPPLY, parts=tuple(parts))


def _output_filter(given: cases.OutputFilter) -> PathSection:
    parts = [_inductor("Lof", given.L, OUTPUT, "load"), _capacitor("Cof", given.C, "load", GROUND)]
    if given.damper is not None:
        parts += _damper(("Rofd", "Cofd"), given.damper, "load", GROUND)
    return PathSection(title="Output filter", first=OUTPUT, last="load", parts=tuple(parts))


def _stage(case: cases.Case) -> PathSection:
    """Take the nodes from the netlist and the values from the case."""
    corners: Corners = line_load_corners(case)
    elements = registered_topology(case).netlist(stage_values(case, corners, {}))
    inverted = any(isinstance(e, Transformer) and e.a == NEGATIVE for e in elements)
    coupled = any(isinstance(e, Coupling) and bool(e.coefficient != 0.0) for e in elements)
    transformer = next((e for e in elements if isinstance(e, Transformer) and e.a != NEGATIVE), None)
    notes = []
    if inverted:
        notes.append("The output is negative against ground; its size is what this report speaks of.")
    if coupled and isinstance(case.stage, cases.TwoInductorStage):
        k = case.stage.coupling
        spread = f" ({k.lowest:g} to {k.highest:g})" if k.lowest != k.highest else ""
        notes.append(f"L1 and L2 share one core, k = {k.nominal:g}{spread}; the dots mark ends of like polarity.")
    if isinstance(case.stage, cases.FlybackStage):
        notes.append(f"Turns, secondary over primary: {case.stage.turns:g}. L1 is the magnetising inductance.")
        if case.stage.leakage is not None:
            notes.append("The leakage is seen from the primary; Dc, Rc and Cc clamp the switch.")
    return PathSection(
        title="Power stage",
        first=SUPPLY,
        last=OUTPUT,
        parts=tuple(_drawn(case, elements, coupled=coupled)),
        transformer=transformer,
        notes=tuple(notes),
    )


def _drawn(case: cases.Case, elements: Sequence[Element], *, coupled: bool) -> Iterator[DrawnPart]:
    stage = case.stage
    bank = dict(zip(bank_names(case), stage.Co, strict=True))
    for e in elements:
        if isinstance(e, Coupling | Transformer):
            continue
        a, b = (OUTPUT if node == NEGATIVE else node for node in (e.a, e.b))
        if isinstance(stage, cases.FlybackStage) and (part := _leaking(stage, e, a, b)) is not None:
            yield part
            continue
        match e:
            case Inductor(name=name):
                part = getattr(stage, name)
                if isinstance(stage, cases.FlybackStage):  # its winding resistance is a symbol of its own
                    part = part.model_copy(update={"resistance": 0.0})
                yield _inductor(name, part, a, b, dotted=coupled)
            case Capacitor(name=name) if name in bank:
                yield _capacitor(name, bank[name], a, b)
            case Capacitor(name="Cs") if isinstance(stage, cases.TwoInductorStage):
                yield _capacitor("Cs", stage.Cs, a, b)
            case Switch():
                yield _plain("switch", "switch", _value(stage.switch.resistance, "ohm"), a, b)
            case Diode():
                yield _rectifier(case, a, b)
            case _:
                yield from _further(stage, e, a, b)


def _leaking(stage: cases.FlybackStage, e: Element, a: str, b: str) -> DrawnPart | None:
    """Draw the leakage and the parts of its clamp; None for any other element."""
    leakage, clamp = stage.leakage, stage.clamp
    if leakage is None or clamp is None:
        return None
    drops = [exact_text(clamp.drop, "V")] if clamp.drop else []
    drops += [exact_text(clamp.diode_resistance, "ohm")] if clamp.diode_resistance else []
    drawn: dict[str, tuple[Kind, str]] = {
        "leakage": ("inductor", _value(leakage.inductance, "H", leakage.tolerance)),
        "Rc": ("resistor", _value(clamp.resistance, "ohm", clamp.tolerance)),
        "Cc": ("capacitor", _value(clamp.capacitance, "F", clamp.tolerance)),
        "Dc": ("diode", ", ".join(drops)),
    }
    return _plain(drawn[e.name][0], e.name, drawn[e.name][1], a, b) if e.name in drawn else None


def _rectifier(case: cases.Case, a: str, b: str) -> DrawnPart:
    """Draw a diode, or the switch that takes its place."""
    part = case.stage.diode
    told = [] if part is None else [exact_text(part.drop, "V")] if part.drop else []
    told += [exact_text(part.resistance, "ohm")] if part is not None and part.resistance else []
    if case.converter.rectifier == "synchronous":
        return DrawnPart(kind="rectifier switch", a=a, b=b, lines=("rectifier", *told))
    return DrawnPart(kind="diode", a=a, b=b, lines=("diode", ", ".join(told)))


def _further(stage: object, e: Element, a: str, b: str) -> Iterator[DrawnPart]:
    """Draw the damper across the coupling capacitor and the resistances of a transformer's windings."""
    if isinstance(stage, cases.TwoInductorStage) and stage.damper is not None:
        d = stage.damper
        if isinstance(e, Capacitor):
            yield _plain("capacitor", "Cd", _value(d.capacitance, "F", d.tolerance), a, b)
        else:
            yield _plain("resistor", "Rd", _value(d.resistance, "ohm", d.tolerance), a, b)
    elif isinstance(e, Resistor) and isinstance(stage, cases.FlybackStage):
        primary = e.a == SUPPLY
        value = stage.L1.resistance if primary else stage.secondary_resistance
        if value or not primary:
            yield _plain("resistor", "Rpri" if primary else "Rsec", exact_text(value, "ohm"), a, b)
