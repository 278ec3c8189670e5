"""The seven named topologies written down element by element, from the text of their case files; a forward converter."""

import re
import tomllib
from pathlib import Path

ENTRY = {
    "sepic": ["L1 supply a", "L2 0 b", "coupling", "Cs a b", "switch a 0", "diode b out", "Co"],
    "boost": ["L1 supply a", "switch a 0", "diode a out", "Co"],
    "buck": ["switch supply a", "diode 0 a", "L1 a out", "Co"],
    "inverting": ["switch supply a", "diode negative a", "L1 a 0", "Co"],
    "cuk": ["L1 supply a", "L2 negative b", "coupling", "Cs a b", "switch a 0", "diode b 0", "Co"],
    "zeta": ["switch supply a", "diode 0 b", "L1 a 0", "L2 b out", "coupling", "Cs b a", "Co"],
    "flyback": ["Rprimary", "L1 primary a", "transformer", "Rsecondary", "switch a 0", "diode rectifier out", "Co"],
}
"""Elements of each stage in the order and at the nodes of its netlist."""
KINDS = {"L": "inductor", "C": "capacitor", "s": "switch", "d": "rectifier"}


def written(value):
    """Write one value of a case file."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {written(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(written(v) for v in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else repr(value)


def elements_of(topology, stage):
    """Yield the elements of a stage as tables."""
    out = ["0", "negative"] if topology in {"inverting", "cuk"} else ["out", "0"]
    for words in ENTRY[topology]:
        name, *nodes = words.split()
        if name == "Co":
            bank = stage["Co"] if isinstance(stage["Co"], list) else [stage["Co"]]
            for k, part in enumerate(bank):
                label = "Co" if len(bank) == 1 else f"Co{k + 1}"
                yield {"kind": "capacitor", "name": label, "between": out, **part}
        elif name == "coupling":
            yield {
                "kind": "coupling",
                "name": "coupling",
                "of": ["L1", "L2"],
                "coefficient": stage.get("coupling", 0.0),
            }
        elif name == "transformer":
            yield {
                "kind": "transformer", "name": "transformer", "primary": ["primary", "a"],
                "secondary": ["0", "secondary"], "turns": stage["turns"],
            }  # fmt: skip
        elif name == "Rprimary":
            ohm = stage["L1"].get("resistance", 0.0)
            yield {"kind": "resistor", "name": name, "between": ["supply", "primary"], "resistance": ohm}
        elif name == "Rsecondary":
            ohm = stage.get("secondary_resistance", 0.0)
            yield {"kind": "resistor", "name": name, "between": ["secondary", "rectifier"], "resistance": ohm}
        elif name in stage:
            part = dict(stage[name])
            if topology == "flyback" and name == "L1":
                part.pop("resistance", None)
            yield {"kind": KINDS[name[0]], "name": name, "between": nodes, **part}
            if name == "Cs" and "damper" in stage:
                damper = stage["damper"]
                plain = {k: v for k, v in damper.items() if k not in {"resistance", "capacitance"}}
                first, second = nodes
                yield {
                    "kind": "resistor",
                    "name": "Rd",
                    "between": [first, "damper"],
                    "resistance": damper["resistance"],
                    **plain,
                }
                yield {
                    "kind": "capacitor",
                    "name": "Cd",
                    "between": ["damper", second],
                    "capacitance": damper["capacitance"],
                    **plain,
                }


def as_custom(text):
    """Rewrite a case file of a named topology as a custom one; everything but the stage stays as it is."""
    document = tomllib.loads(text)
    topology = document["converter"]["topology"]
    lines = ",\n".join(f"  {written(e)}" for e in elements_of(topology, document["stage"]))
    output = '["0", "negative"]' if topology in {"inverting", "cuk"} else '["out", "0"]'
    stage = f"[stage]\noutput = {output}\nelements = [\n{lines},\n]\n\n"
    text = text.replace(f'topology = "{topology}"', 'topology = "custom"')
    return re.sub(r"(?ms)^\[stage\].*?(?=^# \[input_filter\]|^\[)", lambda _: stage, text, count=1)


FORWARD = """
elements = [
  { kind = "switch", name = "S1", between = ["pb", "0"], resistance = "60 mohm" },
  { kind = "switch", name = "S2", between = ["supply", "pa"], resistance = "60 mohm", drive = "follows" },
  { kind = "inductor", name = "Lm", between = ["pa", "pb"], inductance = "900 uH" },
  { kind = "resistor", name = "Rf", between = ["pb", "0"], resistance = "100 kohm" },
  { kind = "transformer", name = "T1", primary = ["pa", "pb"], secondary = ["s", "0"], turns = 0.75 },
  { kind = "rectifier", name = "Dr1", between = ["pb", "supply"], drop = "0.7 V", resistance = "50 mohm" },
  { kind = "rectifier", name = "Dr2", between = ["0", "pa"], drop = "0.7 V", resistance = "50 mohm" },
  { kind = "rectifier", name = "Df", between = ["s", "y"], drop = "0.5 V", resistance = "10 mohm" },
  { kind = "rectifier", name = "Dw", between = ["0", "y"], drop = "0.5 V", resistance = "10 mohm" },
  { kind = "inductor", name = "L1", between = ["y", "out"], inductance = "33 uH" },
  { kind = "capacitor", name = "Co", between = ["out", "0"], capacitance = "220 uF", esr = "20 mohm" },
]
"""
"""A forward converter with two switches, the second of which follows; its reset rectifiers stop within the off-time."""


def forward_case(path):
    """Write the mooring-head case with the forward converter for its stage to a path; return the path."""
    text = (Path(__file__).parents[1] / "cases" / "mooring_head_flyback.toml").read_text(encoding="utf-8")
    begin, end = text.index("[stage]"), text.index("[modulator]")
    rest = text[end:].replace("max_duty = 0.75", "max_duty = 0.48")
    path.write_text(text[:begin] + "[stage]\n" + FORWARD + rest, encoding="utf-8")
    return path
