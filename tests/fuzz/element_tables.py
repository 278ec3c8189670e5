"""Stages of the user's own with damaged element tables: what is written twice, left out, mistyped or wired another way."""

from __future__ import annotations

import copy

from hypothesis import strategies as st
from mutations import SHIPPED, toml

STAGES = tuple(sorted(name for name, case in SHIPPED.items() if case["converter"]["topology"] == "custom"))
VALUE = {
    "inductor": "inductance",
    "capacitor": "capacitance",
    "resistor": "resistance",
    "transformer": "turns",
    "rectifier": "drop",
    "switch": "resistance",
    "coupling": "coefficient",
}
"""The quantity that makes each kind what it is."""
SIZES = (
    "0", "-1", "1e-300", "1e-15", "1e-9", "1e-6", "1e-3", "1", "1e3", "1e6", "1e9", "1e15", "1e300", "nan", "inf", "",
)  # fmt: skip
UNITS = ("V", "A", "ohm", "F", "H", "Hz", "%", "uF", "mH", "kohm", "")
FURTHER = (
    {"kind": "switch", "name": "S2", "between": ["a", "0"], "resistance": "10 mohm"},
    {"kind": "switch", "name": "S2", "between": ["out", "0"], "resistance": "10 mohm", "drive": "follows"},
    {"kind": "switch", "name": "S2", "between": ["a", "0"], "resistance": "10 mohm", "drive": "follows"},
    {"kind": "switch", "name": "S2", "between": ["supply", "a"], "resistance": "10 mohm", "drive": "complement"},
    {"kind": "switch", "name": "S2", "between": ["b", "out"], "resistance": "10 mohm", "drive": "nothing"},
    {"kind": "switch", "name": "S2", "between": ["b", "out"], "resistance": "10 mohm", "follows": "switch"},
    {"kind": "rectifier", "name": "D9", "between": ["0", "a"], "drop": "0.7 V", "resistance": "10 mohm"},
    {"kind": "rectifier", "name": "D9", "between": ["out", "a"], "drop": "0 V", "resistance": "1 mohm"},
    {"kind": "rectifier", "name": "D9", "between": ["out", "nowhere"], "drop": "0.5 V", "resistance": "10 mohm"},
    {"kind": "inductor", "name": "L9", "between": ["a", "out"], "inductance": "10 uH"},
    {"kind": "inductor", "name": "L9", "between": ["supply", "supply"], "inductance": "10 uH"},
    {"kind": "capacitor", "name": "C9", "between": ["supply", "0"], "capacitance": "1 uF"},
    {"kind": "capacitor", "name": "C9", "between": ["a", "0"], "capacitance": "1 nF", "esr": "1 mohm"},
    {"kind": "capacitor", "name": "C9", "between": ["island", "other"], "capacitance": "1 uF"},
    {"kind": "coupling", "name": "K9", "of": ["L1", "L2", "L3"], "coefficient": 0.5},
    {"kind": "coupling", "name": "K9", "of": ["L1", "L2"], "coefficient": 0.98},
    {"kind": "coupling", "name": "K9", "of": ["L1", "L1"], "coefficient": 0.5},
    {"kind": "coupling", "name": "K9", "of": ["L1", "Co"], "coefficient": 1.0},
    {"kind": "coupling", "name": "K9", "of": ["L1", "nothing"], "coefficient": -0.3},
    {"kind": "transformer", "name": "T9", "primary": ["a", "0"], "secondary": ["0", "out"], "turns": 0.5},
    {"kind": "transformer", "name": "T9", "primary": ["a", "a"], "secondary": ["x", "y"], "turns": 2},
    {"kind": "valve", "name": "V9", "between": ["a", "0"]},
    {"name": "V9"},
    {},
)
"""Elements added to a stage; most do not fit any."""
WAYS = (
    "double", "drop", "end", "swap", "key", "size", "unit", "rename", "add", "short", "loose", "place",
)  # fmt: skip
"""One thing done to a stage."""


@st.composite
def damaged_stages(draw, most=2, ways=WAYS):
    """A stage of the user's own, its table of elements or outputs damaged in one or a few ways."""
    document = copy.deepcopy(SHIPPED[draw(st.sampled_from(STAGES))])
    for _ in range(draw(st.integers(1, most))):
        _damage(draw, document["stage"], draw(st.sampled_from(ways)))
    return document


def _damage(draw, stage, how):
    elements = stage["elements"]
    if not elements:
        return  # all dropped already
    k = draw(st.integers(0, len(elements) - 1))
    element = elements[k]
    ends = next((e for e in ("between", "primary", "secondary") if e in element), None)
    nodes = sorted({n for e in elements for key in ("between", "primary", "secondary") for n in e.get(key, [])})
    value = VALUE.get(element.get("kind"))
    if how == "double":
        elements.append(copy.deepcopy(element))
    elif how == "drop":
        del elements[k]
    elif how == "key":
        element.pop(draw(st.sampled_from(sorted(element))), None) if element else None
    elif how == "rename":
        element["name"] = draw(st.sampled_from(("L1", "Co", "switch", "supply", "out", "0", "", "a b", "x" * 80)))
    elif how == "add":
        elements.insert(k, copy.deepcopy(draw(st.sampled_from(FURTHER))))
    elif how == "size" and value:
        number = draw(st.sampled_from(SIZES))
        unit = {"inductance": "H", "capacitance": "F", "resistance": "ohm", "drop": "V"}.get(value, "")
        element[value] = f"{number} {unit}".strip()
    elif how == "unit" and value:
        element[value] = f"10 {draw(st.sampled_from(UNITS))}".strip()
    elif how == "place":
        stage["output"] = draw(st.permutations(nodes))[: draw(st.integers(0, 3))]
        if stage.get("outputs") and draw(st.booleans()):
            stage["outputs"][0]["between"] = draw(st.permutations(nodes))[:2]
    elif ends and how == "end":
        element[ends] = element[ends][: draw(st.integers(0, 1))]
    elif ends and how == "swap":
        element[ends] = element[ends][::-1]
    elif ends and element[ends] and how == "short":
        element[ends] = [element[ends][0]] * 2
    elif ends and element[ends] and how == "loose":
        element[ends] = [element[ends][0], draw(st.sampled_from([*nodes, "nowhere"]))]


def names_of(document):
    """Names of elements and outputs that an error may speak of, longest first."""
    stage = document["stage"]
    names = [str(e.get("name", "")) for e in [*stage["elements"], *stage.get("outputs", [])]]
    return [n for n in names if n]


def told(document):
    """Write a damaged case, its elements a line each, with the names in it."""
    text = toml(document).replace("elements = [{", "elements = [\n{").replace("}, { kind", "},\n{ kind")
    return text, names_of(document)
