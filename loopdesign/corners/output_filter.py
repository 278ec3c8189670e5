"""The second filter stage between the output bank and the load, as elements of the netlist."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.corners.conditions import capacitor_value, inductor_value
from loopdesign.network.converter import LOAD
from loopdesign.network.elements import GROUND, Capacitor, Element, Inductor, Resistor
from loopdesign.network.topologies.base import OUTPUT

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners, Value

CAUSE = "output_filter"


def output_filter(
    case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]] | None = None
) -> tuple[tuple[Element, ...], Value]:
    """List the elements between the output bank and node ``load``, and the dc resistance on the way.

    Parameters
    ----------
    case
        The case.
    corners
        Temperature and factors ``output_filter.L.inductance``, ``output_filter.C.capacitance``,
        ``output_filter.C.esr``, ``output_filter.damper.resistance`` and ``output_filter.damper.capacitance``.
    bias
        Average voltage (B,) [V] of ``Cof`` and current (B,) [A] of ``Lof`` where they have curves.

    Returns
    -------
    tuple of Element
        Values scalar or (B,); empty where the case has no output filter.
    float or ndarray
        Resistance [ohm], zero where there is none.
    """
    given = case.output_filter
    if given is None:
        return (), 0.0
    inductor = inductor_value(given.L, "Lof", corners, bias or {}, cause=f"{CAUSE}.L")
    capacitor = capacitor_value(given.C, "Cof", corners, bias or {}, cause=f"{CAUSE}.C")
    elements: list[Element] = [
        Inductor(name="Lof", a=OUTPUT, b=LOAD, inductance=inductor.inductance, resistance=inductor.resistance),
        Capacitor(name="Cof", a=LOAD, b=GROUND, capacitance=capacitor.capacitance, esr=capacitor.esr),
    ]
    if given.damper is not None:
        R, C = (corners.factor(f"{CAUSE}.damper.{part}") for part in ("resistance", "capacitance"))
        elements += [
            Resistor(name="Rofd", a=LOAD, b="output_damper", resistance=given.damper.resistance * R),
            Capacitor(name="Cofd", a="output_damper", b=GROUND, capacitance=given.damper.capacitance * C),
        ]
    return tuple(elements), inductor.resistance
