"""The elements of a stage of the user's own in words: name, kind, nodes and nominal value."""

from __future__ import annotations

from dataclasses import dataclass

from loopdesign import case as cases
from loopdesign.case.tables import custom as tables
from loopdesign.units.quantities import format_quantity

_VALUES = (("inductance", "H"), ("capacitance", "F"), ("drop", "V"), ("resistance", "ohm"), ("esr", "ohm"))


@dataclass(frozen=True, slots=True, kw_only=True)
class StageElement:
    """One element of a stage.

    Attributes
    ----------
    name, kind
        As the case file has them.
    nodes
        Its nodes, first to last; the inductors of a coupling.
    value
        Nominal values with units, in one text.
    """

    name: str
    kind: str
    nodes: tuple[str, ...]
    value: str


def stage_elements(case: cases.Case) -> tuple[StageElement, ...]:
    """List the elements of a stage that is given element by element.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of StageElement
        In the order of the case file, loads of further outputs last; empty for a named topology.
    """
    if not isinstance(case.stage, cases.CustomStage):
        return ()
    listed = [_described(e) for e in case.stage.elements]
    for output in case.stage.outputs:
        low, high = (format_quantity(v, "A") for v in (output.current.lowest, output.current.highest))
        value = f"{output.load}, {low} to {high} at {format_quantity(output.voltage, 'V')}"
        listed.append(StageElement(name=output.name, kind="load", nodes=output.between, value=value))
    return tuple(listed)


def _described(element: tables.AnyElement) -> StageElement:
    """Describe one element."""
    if isinstance(element, tables.CouplingElement):
        value = f"k = {element.coefficient.nominal:g}"
        return StageElement(name=element.name, kind=element.kind, nodes=element.of, value=value)
    if isinstance(element, tables.TransformerElement):
        nodes = (*element.primary, *element.secondary)
        return StageElement(name=element.name, kind=element.kind, nodes=nodes, value=f"turns {element.turns:g}")
    told = []
    for quantity, unit in _VALUES:
        if amount := float(getattr(element, quantity, 0.0)):
            text = format_quantity(amount, unit)
            told.append(f"{quantity} {text}" if quantity in {"esr", "drop"} else text)
    told += [element.drive] if isinstance(element, tables.SwitchElement) else []
    return StageElement(name=element.name, kind=element.kind, nodes=element.between, value=", ".join(told))
