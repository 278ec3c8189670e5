"""Field types of the case file.

Each type tells three readers the same thing: the validator (what is allowed), the message (what is expected) and the
JSON Schema that an editor uses.

`quantity`   one quantity with its bounds
`levels`     a range, a list or one value: where the corners lie
`tolerance`  one number or a pair of ends
`curve`      a list of points, such as bias and share of capacitance
"""

from loopdesign.case.fields.curve import CurveField
from loopdesign.case.fields.levels import (
    CouplingRange,
    CurrentRange,
    Levels,
    LevelsOf,
    Range,
    TemperatureRange,
    VoltageRange,
)
from loopdesign.case.fields.quantity import QuantityField, Resistance, Section, TemperatureCoefficient
from loopdesign.case.fields.tolerance import EXACT, PartTolerance, Tolerance, ToleranceField

__all__ = [
    "EXACT",
    "CouplingRange",
    "CurrentRange",
    "CurveField",
    "Levels",
    "LevelsOf",
    "PartTolerance",
    "QuantityField",
    "Range",
    "Resistance",
    "Section",
    "TemperatureCoefficient",
    "TemperatureRange",
    "Tolerance",
    "ToleranceField",
    "VoltageRange",
]
