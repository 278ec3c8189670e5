"""The case file: model, units, validation, errors with line and key.

`fields`    quantities with bounds, ranges, tolerances and curves
`tables`    every table of the file
`model`     the whole case
`checks`    what is impossible or odd across sections
`locate`    where each key stands in the text
`kinds`     which model fills which table
`faults`    sentences for what is wrong
`read`      the text of a file, within bounds
`load`      text to case
`template`  a case file to begin from
`write`     chosen parts back into the text; JSON Schema
`words`     words people write for a key or a choice
`vary`      values of a case file set anew
`reference` what every key means, takes and defaults to
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from loopdesign.case.fields import EXACT, Levels, Tolerance
from loopdesign.case.load import load_case, parse_case
from loopdesign.case.model import Case
from loopdesign.case.read import CaseFile, read_file, read_text
from loopdesign.case.tables.control import (
    PART_UNITS,
    PARTS_OF_NETWORK,
    Clamp,
    Compensation,
    CurrentSense,
    DividerSection,
    OperationalSection,
    PeakCurrentSection,
    ShuntOptocouplerSection,
    TransconductanceSection,
    VoltageModeSection,
)
from loopdesign.case.tables.custom import CustomStage
from loopdesign.case.tables.demands import (
    ConverterSection,
    CurrentRegulated,
    Document,
    LineDropout,
    LineStep,
    LoadStep,
    Ratings,
    Specification,
    Targets,
    VoltageLoad,
    VoltageRegulated,
)
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
from loopdesign.case.tables.stage import (
    CUSTOM,
    STAGES,
    FlybackStage,
    InputFilter,
    OneInductorStage,
    OutputFilter,
    TwoInductorStage,
)
from loopdesign.case.template import template

if TYPE_CHECKING:
    from loopdesign.case.write import json_schema, write_parts

__all__ = [
    "CUSTOM",
    "EXACT",
    "PARTS_OF_NETWORK",
    "PART_UNITS",
    "STAGES",
    "CapacitorEntry",
    "Case",
    "CaseFile",
    "Clamp",
    "Compensation",
    "ConverterSection",
    "CurrentRegulated",
    "CurrentSense",
    "CustomStage",
    "Damper",
    "DiodeEntry",
    "DividerSection",
    "Document",
    "FilterCapacitor",
    "FilterDamper",
    "FlybackStage",
    "InductorEntry",
    "InputFilter",
    "Leakage",
    "Levels",
    "LineDropout",
    "LineStep",
    "LoadStep",
    "OneInductorStage",
    "OperationalSection",
    "OutputFilter",
    "PeakCurrentSection",
    "Ratings",
    "ShuntOptocouplerSection",
    "Source",
    "Specification",
    "SwitchClamp",
    "SwitchEntry",
    "Targets",
    "Tolerance",
    "TransconductanceSection",
    "TwoInductorStage",
    "VoltageLoad",
    "VoltageModeSection",
    "VoltageRegulated",
    "json_schema",
    "load_case",
    "parse_case",
    "read_file",
    "read_text",
    "template",
    "write_parts",
]

_WRITERS = ("json_schema", "write_parts")
"""What writes a case file: those who only read one do not load it."""


def __getattr__(name: str) -> Any:  # noqa: ANN401  (a function of theirs)
    """Import what writes a case file when it is asked for."""
    if name not in _WRITERS:
        raise AttributeError(f"module 'loopdesign.case' has no attribute {name!r}")
    return getattr(import_module("loopdesign.case.write"), name)
