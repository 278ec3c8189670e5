"""Tables of the power stage and of the filters, and which topology has which."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field

from loopdesign.case.fields import CouplingRange, Levels, LevelsOf, QuantityField, Resistance, Section
from loopdesign.case.fields.levels import COUPLING
from loopdesign.case.tables.custom import CustomStage
from loopdesign.case.tables.parts import (
    CapacitorEntry,
    Damper,
    DiodeEntry,
    FilterCapacitor,
    FilterDamper,
    InductorEntry,
    Leakage,
    Source,
    SwitchClamp,
    SwitchEntry,
)
from loopdesign.errors import QuantityError
from loopdesign.network.topologies import TOPOLOGIES

if TYPE_CHECKING:
    from loopdesign.network.topologies.base import StageTable

MOST_PARTS = 20
"""Most different parts of a bank, each with a state of its own; equal ones are one entry with a `count`."""


def _bank(value: object) -> object:
    """Turn a single part into a bank of one."""
    if isinstance(value, list | tuple) and not value:
        raise QuantityError("has no parts", found="an empty list", expected="one capacitor or a list of capacitors")
    if isinstance(value, list | tuple) and len(value) > MOST_PARTS:
        raise QuantityError(
            "has too many parts",
            found=f"{len(value)} parts",
            expected=f"at most {MOST_PARTS}",
            hint="equal parts are one entry with count = 3",
        )
    return value if isinstance(value, list | tuple) else [value]


class _Stage(Section):
    """What every power stage has."""

    L1: InductorEntry
    Co: Annotated[
        tuple[CapacitorEntry, ...], BeforeValidator(_bank, json_schema_input_type=CapacitorEntry | list[CapacitorEntry])
    ]
    switch: SwitchEntry
    diode: DiodeEntry | None = None


class OneInductorStage(_Stage):
    """Stage of a topology with one inductor: L1, Co, switch, diode."""


class TwoInductorStage(_Stage):
    """Stage of a topology with two inductors: L1, L2, coupling, Cs, damper, Co, switch, diode.

    `coupling` is the magnetic coupling of L1 and L2, 0 <= k < 1, as one number or with its range; `damper` lies across
    Cs together with its series resistance.
    """

    L2: InductorEntry
    coupling: Annotated[Levels, LevelsOf(CouplingRange, COUPLING, listed=False)] = Levels(values=(0.0,), nominal=0.0)
    Cs: CapacitorEntry
    damper: Damper | None = None


class FlybackStage(_Stage):
    """Stage with a transformer: L1 (seen from the primary), turns, secondary_resistance, Co, switch, diode.

    `turns` is secondary over primary. `leakage`, seen from the primary, and `clamp`, which takes its energy, are given
    both or neither.
    """

    turns: Annotated[
        float, QuantityField("", above=0, plausible=(1e-3, 1e3), hint="turns is secondary over primary, such as 0.35")
    ]
    secondary_resistance: Resistance = 0.0
    secondary_temperature_coefficient: Annotated[float, QuantityField("ppm/K")] = 0.0
    leakage: Leakage | None = None
    clamp: SwitchClamp | None = None


_TABLES: dict[StageTable, type[OneInductorStage | TwoInductorStage | FlybackStage]] = {
    "one inductor": OneInductorStage,
    "two inductors": TwoInductorStage,
    "transformer": FlybackStage,
}
CUSTOM = "custom"
"""Word of the case file for a stage that is given element by element."""
STAGES: dict[str, type[OneInductorStage | TwoInductorStage | FlybackStage | CustomStage]] = {
    **{name: _TABLES[topology.stage_table] for name, topology in TOPOLOGIES.items()},
    CUSTOM: CustomStage,
}
"""The table [stage] of each topology."""

StageSection = OneInductorStage | TwoInductorStage | FlybackStage | CustomStage


class InputFilter(Section):
    """The filter between source and converter.

    Fields: L (the choke), C (esr required), damper (R-C or R-L), choke_leakage (a choke in series with L), source.
    """

    L: InductorEntry
    C: FilterCapacitor
    damper: FilterDamper | None = None
    choke_leakage: InductorEntry | None = None
    source: Source = Field(default_factory=Source)


class OutputFilter(Section):
    """[output_filter]: a second stage between Co and the load.

    Fields: L and C, damper across C together with its series resistance, sense: whether the divider sits behind the
    filter ("after") or on Co ("before").
    """

    L: InductorEntry
    C: CapacitorEntry
    damper: Damper | None = None
    sense: Literal["after", "before"] = "after"
