"""The parts of the power stage at a batch of corners."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from loopdesign import case as cases
from loopdesign.corners.conditions import (
    Corners,
    capacitor_value,
    inductor_value,
    warm,
)
from loopdesign.corners.custom.elements import custom_values, drop
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.network.topologies.base import ClampValue, DamperValue, StageValues

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from loopdesign.network.topologies.base import Topology


CAUSES = {"Lf": "filter.L", "Cf": "filter.C", "Lof": "output_filter.L", "Cof": "output_filter.C"}
"""Name of the factors of a part whose name in the netlist is another."""


def bank_names(case: cases.Case) -> tuple[str, ...]:
    """Return the names of the output capacitors in the netlist: Co, or Co1, Co2 ... for a bank of several."""
    if isinstance(case.stage, cases.CustomStage):
        return tuple(c.name for c in case.stage.bank)
    count = len(case.stage.Co)
    return ("Co",) if count == 1 else tuple(f"Co{i + 1}" for i in range(count))


def capacitors(case: cases.Case) -> dict[str, cases.CapacitorEntry]:
    """Return every capacitor of the case, dampers apart, by its name in the netlist."""
    parts: dict[str, cases.CapacitorEntry] = dict(zip(bank_names(case), case.stage.Co, strict=True))
    if isinstance(case.stage, cases.TwoInductorStage):
        parts["Cs"] = case.stage.Cs
    if isinstance(case.stage, cases.CustomStage):
        parts |= case.stage.capacitors
    if case.input_filter is not None:
        parts["Cf"] = case.input_filter.C
    if case.output_filter is not None:
        parts["Cof"] = case.output_filter.C
    return parts


def inductors(case: cases.Case) -> dict[str, cases.InductorEntry]:
    """Return every inductor of the case by its name in the netlist; what is merged into another is left out."""
    parts: dict[str, cases.InductorEntry] = {"L1": case.stage.L1}
    if isinstance(case.stage, cases.CustomStage):
        parts = {**case.stage.inductors}
    if isinstance(case.stage, cases.TwoInductorStage):
        parts["L2"] = case.stage.L2
    if case.input_filter is not None:
        parts["Lf"] = case.input_filter.L
    if case.output_filter is not None:
        parts["Lof"] = case.output_filter.L
    return parts


def device_names(case: cases.Case) -> tuple[str, ...]:
    """Return the switches and rectifiers of the case by their names in the netlist, the controlled switch first."""
    if not isinstance(case.stage, cases.CustomStage):
        return ("switch", "diode", *(["Dc"] if leaks(case) else []))
    others = (e.name for e in case.stage.elements if e.kind in {"switch", "rectifier"})
    return tuple(dict.fromkeys((case.stage.switch.name, *others)))


def leaks(case: cases.Case) -> bool:
    """Return whether the case gives the leakage of its transformer, and so its clamp."""
    return isinstance(case.stage, cases.FlybackStage) and case.stage.leakage is not None


def registered_topology(case: cases.Case) -> Topology:
    """Return the named topology of a case, in its form with a leakage where the case gives one."""
    topology = TOPOLOGIES[case.converter.topology]
    return topology.with_leakage if leaks(case) and topology.with_leakage is not None else topology


def sensed_element(case: cases.Case) -> str:
    """Return the element whose current the comparator sees."""
    return case.stage.sensed if isinstance(case.stage, cases.CustomStage) else "switch"


def rated_elements(case: cases.Case) -> list[tuple[str, float]]:
    """Return the ratings that elements of a stage of the user's own carry: ``D2_voltage`` and its value."""
    if not isinstance(case.stage, cases.CustomStage):
        return []
    found = (
        (f"{e.name}_{q}", getattr(e, f"rated_{q}", None)) for e in case.stage.elements for q in ("voltage", "current")
    )
    return [(name, rating) for name, rating in found if rating is not None]


def curved(case: cases.Case) -> dict[str, str]:
    """Return the parts whose value depends on the operating point: name in the netlist to the state that says how."""
    found = {name: f"v({name})" for name, part in capacitors(case).items() if part.bias_curve is not None}
    found |= {name: f"i({name})" for name, part in inductors(case).items() if part.current_curve is not None}
    leakage = None if case.input_filter is None else case.input_filter.choke_leakage
    if leakage is not None and leakage.current_curve is not None:
        found["Lf"] = "i(Lf)"
    return found


def stage_values(case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]]) -> StageValues:
    """Resolve every power part at a batch of corners.

    Parameters
    ----------
    case
        The case.
    corners
        Operating conditions.
    bias
        Average voltage [V] of capacitors and current [A] of inductors (B,) by name; none where absent.

    Returns
    -------
    StageValues
        Values scalar or (B,).
    """
    stage, diode = case.stage, case.stage.diode
    if isinstance(stage, cases.CustomStage):
        return custom_values(stage, corners, bias)
    values = StageValues(
        L1=inductor_value(stage.L1, "L1", corners, bias),
        Co=tuple(
            capacitor_value(part, name, corners, bias) for name, part in zip(bank_names(case), stage.Co, strict=True)
        ),
        switch_resistance=warm(stage.switch.resistance, stage.switch.temperature_coefficient, corners)
        * corners.factor("switch.resistance"),
        diode_resistance=0.0
        if diode is None
        else warm(diode.resistance, diode.temperature_coefficient, corners) * corners.factor("diode.resistance"),
        diode_drop=0.0 if diode is None else drop(diode, corners),
    )
    if isinstance(stage, cases.TwoInductorStage):
        return replace(
            values,
            L2=inductor_value(stage.L2, "L2", corners, bias),
            coupling=stage.coupling.nominal * corners.factor("coupling"),
            Cs=capacitor_value(stage.Cs, "Cs", corners, bias),
            damper=damper_value(stage.damper, "damper", corners),
        )
    if isinstance(stage, cases.FlybackStage):
        winding = warm(stage.secondary_resistance, stage.secondary_temperature_coefficient, corners)
        return _leaking(stage, corners, replace(values, turns=stage.turns, secondary_resistance=winding))
    return values


def _leaking(stage: cases.FlybackStage, corners: Corners, values: StageValues) -> StageValues:
    """Add leakage and clamp where the stage has them."""
    leakage, clamp = stage.leakage, stage.clamp
    if leakage is None or clamp is None:
        return values
    return replace(
        values,
        leakage=leakage.inductance * corners.factor("leakage.inductance"),
        clamp=ClampValue(
            resistance=clamp.resistance * corners.factor("clamp.resistance"),
            capacitance=clamp.capacitance * corners.factor("clamp.capacitance"),
            diode_resistance=clamp.diode_resistance,
        ),
        inputs={"Dc": clamp.drop},
    )


def damper_value(part: cases.Damper | None, cause: str, corners: Corners) -> DamperValue | None:
    """Resolve a damper with the factors ``CAUSE.resistance`` and ``CAUSE.capacitance``; None where there is none."""
    if part is None:
        return None
    return DamperValue(
        resistance=part.resistance * corners.factor(f"{cause}.resistance"),
        capacitance=part.capacitance * corners.factor(f"{cause}.capacitance"),
    )
