"""The filter between source and converter, as elements of the netlist."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.elements import Capacitor, Element, Inductor, Resistor
from loopdesign.topologies.base import SUPPLY

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.conditions import Corners


def filter_elements(case: cases.Case, corners: Corners) -> tuple[Element, ...]:
    """List the elements between node ``line`` and node ``supply``; empty where the case has no filter.

    Source impedance, choke and choke leakage lie in series and are one inductor, unless an R-L damper bridges the
    choke; an R-C damper lies across the filter capacitor.
    """
    given = case.input_filter
    if given is None:
        return ()
    choke = given.L.inductance * corners.factor("filter.L.inductance")
    series, resistance = given.source.inductance, given.source.resistance
    if given.choke_leakage is not None:
        series = series + given.choke_leakage.inductance
        resistance = resistance + given.choke_leakage.resistance
    damper = given.damper
    parts: list[Element] = []
    if damper is not None and damper.inductance is not None:
        parts += [
            Inductor(name="Lf", a="bridge", b=SUPPLY, inductance=choke, resistance=given.L.resistance),
            Inductor(name="Lfd", a="bridge", b=SUPPLY, inductance=damper.inductance, resistance=damper.resistance),
        ]
        if series:
            # an inductor ahead of two parallel ones would leave no path for their difference in series: see the branch
            parts.append(Inductor(name="Ls", a="line", b="bridge", inductance=series, resistance=resistance))
        else:
            parts.append(Resistor(name="Rs", a="line", b="bridge", resistance=resistance))
    else:
        parts.append(
            Inductor(
                name="Lf", a="line", b=SUPPLY, inductance=choke + series, resistance=given.L.resistance + resistance
            )
        )
    parts.append(
        Capacitor(
            name="Cf",
            a=SUPPLY,
            b="0",
            capacitance=given.C.capacitance * corners.factor("filter.C.capacitance"),
            esr=given.C.esr,
        )
    )
    if damper is not None and damper.capacitance is not None:
        parts += [
            Resistor(name="Rfd", a=SUPPLY, b="filter_damper", resistance=damper.resistance),
            Capacitor(name="Cfd", a="filter_damper", b="0", capacitance=damper.capacitance),
        ]
    return tuple(parts)
