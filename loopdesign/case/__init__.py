"""The case file: model, units, validation, errors with line and key.

`fields`    quantities with bounds, ranges and lists
`stage`     parts of the power stage and of the input filter
`model`     the whole case
`checks`    what is impossible or odd across sections
`locate`    where each key stands in the text
`faults`    sentences for what is wrong
`load`      text to case
`template`  a case file to begin from
`write`     chosen parts back into the text; JSON Schema
"""

from loopdesign.case.checks import ideal_duty
from loopdesign.case.fields import Levels
from loopdesign.case.load import load_case, parse_case, read_text
from loopdesign.case.model import (
    PART_UNITS,
    PARTS_OF_NETWORK,
    Case,
    Clamp,
    Compensation,
    ConverterSection,
    DividerSection,
    LineStep,
    LoadStep,
    OperationalSection,
    PeakCurrentSection,
    ShuntOptocouplerSection,
    Specification,
    Targets,
    TransconductanceSection,
    VoltageModeSection,
)
from loopdesign.case.stage import (
    STAGES,
    CapacitorEntry,
    Damper,
    DiodeEntry,
    FilterCapacitor,
    FilterDamper,
    FlybackStage,
    InductorEntry,
    InputFilter,
    OneInductorStage,
    Source,
    SwitchEntry,
    TwoInductorStage,
)
from loopdesign.case.template import template
from loopdesign.case.write import json_schema, write_parts

__all__ = [
    "PARTS_OF_NETWORK",
    "PART_UNITS",
    "STAGES",
    "CapacitorEntry",
    "Case",
    "Clamp",
    "Compensation",
    "ConverterSection",
    "Damper",
    "DiodeEntry",
    "DividerSection",
    "FilterCapacitor",
    "FilterDamper",
    "FlybackStage",
    "InductorEntry",
    "InputFilter",
    "Levels",
    "LineStep",
    "LoadStep",
    "OneInductorStage",
    "OperationalSection",
    "PeakCurrentSection",
    "ShuntOptocouplerSection",
    "Source",
    "Specification",
    "SwitchEntry",
    "Targets",
    "TransconductanceSection",
    "TwoInductorStage",
    "VoltageModeSection",
    "ideal_duty",
    "json_schema",
    "load_case",
    "parse_case",
    "read_text",
    "template",
    "write_parts",
]
