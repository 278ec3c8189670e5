"""The filter between source and converter, as elements of the netlist.

Source resistance, source inductance and choke leakage lie in series ahead of the choke; an R-L damper bridges the
choke, an R-C damper lies across the filter capacitor. Inductors in series are merged into one. With an R-L damper the
series inductance ``Ls`` carries the sum of two branch currents, which as three inductors would be one state too many:
choke and damper branch then each contain ``Ls`` and are coupled through it,

    L = [[Ls + Lf, Ls], [Ls, Ls + Ld]],

two inductors with the coupling ``Ls / sqrt((Ls + Lf)(Ls + Ld))``. The resistance they share is a resistor ahead.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.conditions import capacitor_value, inductor_value
from loopdesign.network.elements import Capacitor, Coupling, Element, Inductor, Resistor
from loopdesign.network.topologies.base import SUPPLY

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners, Value

LINE = "line"
"""Node of the source's own voltage, ahead of its impedance."""


def filter_elements(
    case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]] | None = None
) -> tuple[Element, ...]:
    """List the elements between node ``line`` and node ``supply``; empty where the case has no filter.

    Parameters
    ----------
    case
        The case.
    corners
        Temperature and factors ``filter.L.inductance``, ``filter.leakage.inductance``, ``filter.C.capacitance``,
        ``filter.C.esr``, ``filter.damper.resistance``, ``filter.damper.capacitance``, ``filter.damper.inductance``.
    bias
        Average voltage (B,) [V] of ``Cf`` and current (B,) [A] of ``Lf`` where they have curves.

    Returns
    -------
    tuple of Element
        Values scalar or (B,).
    """
    given = case.input_filter
    if given is None:
        return ()
    capacitor = capacitor_value(given.C, "Cf", corners, bias or {}, cause="filter.C")
    return (
        *_inductive(given, corners, bias or {}),
        Capacitor(name="Cf", a=SUPPLY, b="0", capacitance=capacitor.capacitance, esr=capacitor.esr),
        *_capacitive_damper(given, corners),
    )


def _inductive(
    given: cases.InputFilter, corners: Corners, bias: Mapping[str, NDArray[np.float64]]
) -> tuple[Element, ...]:
    """Everything between node ``line`` and node ``supply``."""
    main = inductor_value(given.L, "Lf", corners, bias, cause="filter.L")
    choke, winding = main.inductance, main.resistance
    series: Value = given.source.inductance
    shared: Value = given.source.resistance
    if given.choke_leakage is not None:
        leakage = inductor_value(given.choke_leakage, "Lf", corners, bias, cause="filter.leakage")
        series = series + leakage.inductance
        shared = shared + leakage.resistance
    damper = given.damper
    if damper is None or damper.inductance is None:
        total, resistance = choke + series, winding + shared
        return (Inductor(name="Lf", a=LINE, b=SUPPLY, inductance=total, resistance=resistance),)
    bridge = damper.inductance * corners.factor("filter.damper.inductance")
    damping = damper.resistance * corners.factor("filter.damper.resistance")
    first, second = choke + series, bridge + series
    return (
        Resistor(name="Rs", a=LINE, b="bridge", resistance=shared),
        Inductor(name="Lf", a="bridge", b=SUPPLY, inductance=first, resistance=winding),
        Inductor(name="Lfd", a="bridge", b=SUPPLY, inductance=second, resistance=damping),
        Coupling(name="series", first="Lf", second="Lfd", coefficient=series / np.sqrt(first * second)),
    )


def _capacitive_damper(given: cases.InputFilter, corners: Corners) -> tuple[Element, ...]:
    """Return the R-C damper across the filter capacitor, if that is what the case has."""
    damper = given.damper
    if damper is None or damper.capacitance is None:
        return ()
    resistance = damper.resistance * corners.factor("filter.damper.resistance")
    capacitance = damper.capacitance * corners.factor("filter.damper.capacitance")
    return (
        Resistor(name="Rfd", a=SUPPLY, b="filter_damper", resistance=resistance),
        Capacitor(name="Cfd", a="filter_damper", b="0", capacitance=capacitance),
    )
