"""Case files that went wrong in the ways people and programs make them: valid shipped ones, damaged by structure.

A mutation takes the nested dictionary of a valid case and changes one thing: a number to an extreme, a unit, a type, a
name; or it drops, doubles or nests a key. The result is written as TOML again, and at last the text itself may be hurt.
"""

from __future__ import annotations

import copy
import json
import re
import tomllib
from fractions import Fraction
from pathlib import Path

from hypothesis import strategies as st

from loopdesign.case import PARTS_OF_NETWORK, STAGES, template

CASES = Path(__file__).parents[2] / "cases"
FILES = sorted(path.stem for path in CASES.glob("*.toml"))
SHIPPED = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(CASES.glob("*.toml"))}
SHIPPED |= {f"start_{name}": tomllib.loads(template(name)) for name in STAGES}
FURTHER = """
[output_filter]
L = { inductance = "0.47 uH", resistance = "4 mohm" }
C = { capacitance = "22 uF", esr = "4 mohm" }
damper = { resistance = "0.2 ohm", capacitance = "100 uF" }
sense = "before"
[input_filter]
L = { inductance = "4.7 uH", resistance = "20 mohm" }
C = { capacitance = "10 uF", esr = "3 mohm" }
damper = { resistance = "1 ohm", capacitance = "47 uF" }
source = { resistance = "10 mohm", inductance = "100 nH" }
[ratings]
switch_voltage = "60 V"
diode_current = "5 A"
derating = "20 %"
"""
"""Sections that no shipped case has together."""
SHIPPED["full"] = copy.deepcopy(SHIPPED["tide_gauge_sepic_undamped"]) | tomllib.loads(FURTHER)
SHIPPED["full"]["modulator"] |= {"turn_off_delay": "60 ns", "blanking": "100 ns", "min_on_time": "100 ns"}
SHIPPED["full"]["specification"] |= {"temperature": {"min": "-20 degC", "max": "60 degC"}}
SHIPPED["full"]["stage"]["L1"] |= {
    "current_curve": [["0 A", 1.0], ["4 A", 0.75]],
    "temperature_coefficient": "3900 ppm/K",
}
STARTED = "current_profiler_bipolar"
"""A stage of the user's own to which everything of a start-up is given."""
SHIPPED[STARTED]["error_amplifier"] |= {"soft_start": "0.3 ms", "clamp": {"min": "0.05 V", "max": "1.5 V"}}
SHIPPED[STARTED]["modulator"] |= {"current_limit": "700 mV"}
SHIPPED[STARTED]["specification"] |= {"line_dropout": {"to": "3 V", "for": "0.1 ms"}}
OPEN = {"R1": "4.7 kohm", "C1": "56 nF", "C2": "1.8 nF", "R2": "4.7 kohm", "C3": "1 nF"}
"""Parts for cases that leave them open, so that a check gets as far as the loop."""
FACTORS = (0.0, -1.0, 1e-300, 1e-30, 1e-12, 1e-9, 1e-6, 1e-3, 0.03, 0.3, 3.0, 30.0, 1e3, 1e6, 1e9, 1e12, 1e30, 1e300)
NUMBERS = (
    "0", "-0", "-1", "1e-320", "1e-300", "1e-18", "1e-9", "1e9", "1e18", "1e300", "1e999999999", "nan", "inf", "-inf",
    "9" * 400, "٤", "1_0", "0x10", "1.", ".5", "1e", "--1", "−1", "1,5", "1 2", "",
)  # fmt: skip
UNITS = (
    "V",
    "A",
    "ohm",
    "F",
    "H",
    "Hz",
    "S",
    "%",
    "dB",
    "deg",
    "degC",
    "mV/us",
    "V/A",
    "",
    "m",
    "M",
    "u",
    "µF",
    "kohm",
)
TEXTS = (
    "",
    " ",
    "\u202eabc",
    "\x1b[31m",
    "\x00",
    "a\nb",
    "潮位",
    "none",
    "auto",
    "sepic",
    "x" * 3000,
    "{{7*7}}",
    "$x^",
    "\\",
)
VALUES = (
    True,
    False,
    0,
    -1,
    1,
    10**30,
    10**400,
    0.5,
    1e308,
    float("inf"),
    float("nan"),
    [],
    {},
    [[]],
    [{}],
    {"a": {"b": 1}},
    [1, "a"],
    "12 V",
)
NAMES = ("", "a.b", "Ω", "\u202e", "\x1b", "resistence", "Esr", "L3", "source", "warnings", "title", "x" * 300)


def leaves(value, path=()):
    """Paths of every key and entry, the root aside."""
    if path:
        yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, entry in inner:
        yield from leaves(entry, (*path, key))


def at(document, path):
    for step in path:
        document = document[step]
    return document


def scaled(value, factor):
    """A quantity with its number multiplied, its unit kept."""
    if isinstance(value, bool):
        return value
    if isinstance(value, int):
        return int(value * Fraction(factor)) if value else 0
    if isinstance(value, float):
        return value * factor
    if isinstance(value, str) and (match := re.match(r"[-+]?\d[\d.]*(?:e[-+]?\d+)?", value)):
        return f"{float(match.group()) * factor!r}{value[match.end() :]}"
    return value


def with_number(value, number):
    unit = re.sub(r"^[-+\d.e\s]*", "", value) if isinstance(value, str) else ""
    return f"{number} {unit}".strip()


def with_unit(value, unit):
    match = re.match(r"[-+\d.e]*", value) if isinstance(value, str) else None
    return f"{match.group() if match else '1'} {unit}"


@st.composite
def documents(draw, most=3, gentle=False):
    """A shipped case with a few things changed; gently: numbers only, which pass the reader and reach the arithmetic."""
    name = draw(st.sampled_from(sorted(SHIPPED)))
    document = copy.deepcopy(SHIPPED[name])
    if "R1" not in document.get("compensation", {}) and draw(st.sampled_from((True, True, False))):
        network = document["compensation"]["network"]
        document["compensation"] |= {part: OPEN[part] for part in PARTS_OF_NETWORK[network]}
    for _ in range(draw(st.integers(1, most))):
        paths = list(leaves(document))
        path = draw(st.sampled_from(paths))
        parent, key = at(document, path[:-1]), path[-1]
        if "between" in path[:-1] and draw(st.booleans()):  # a stage of the user's own, wired another way
            nodes = sorted({str(at(document, p)) for p in paths if "between" in p[:-1]})
            parent[key] = draw(st.sampled_from(nodes))
            continue
        how = (
            "scale"
            if gentle
            else draw(st.sampled_from(("scale", "number", "unit", "drop", "rename", "type", "text", "nest", "move")))
        )
        _change(draw, document, parent, key, how)
    return document


@st.composite
def started(draw, gentle=False):
    """A shipped case at one corner, most often with a soft start, with a few things changed: a start takes long."""
    document = draw(documents(most=2, gentle=gentle))
    given = document.get("specification")
    for key in ("input_voltage", "output_current"):
        levels = given.get(key) if isinstance(given, dict) else None
        if isinstance(levels, dict):
            end = draw(st.sampled_from(("min", "max")))
            given[key] = [levels[end]] if end in levels else levels
    amplifier = document.get("error_amplifier")
    if isinstance(amplifier, dict) and draw(st.booleans()):
        amplifier["soft_start"] = draw(st.sampled_from(("0.1 ms", "0.3 ms", "1 ms")))
    return document


def _change(draw, document, parent, key, how):
    value = parent[key]
    if how == "scale":
        parent[key] = scaled(value, draw(st.sampled_from(FACTORS)))
    elif how == "number":
        parent[key] = with_number(value, draw(st.sampled_from(NUMBERS)))
    elif how == "unit":
        parent[key] = with_unit(value, draw(st.sampled_from(UNITS)))
    elif how == "drop":
        del parent[key]
    elif how == "rename" and isinstance(parent, dict):
        parent[draw(st.sampled_from(NAMES) | st.text(max_size=8))] = parent.pop(key)
    elif how == "type":
        parent[key] = copy.deepcopy(draw(st.sampled_from(VALUES)))
    elif how == "text":
        parent[key] = draw(st.sampled_from(TEXTS) | st.text(max_size=20))
    elif how == "nest":
        parent[key] = draw(st.sampled_from(([value], {"a": value}, [value, copy.deepcopy(value)], [[value]])))
    elif how == "move":
        places = [p for p in leaves(document) if isinstance(at(document, p), dict)]
        at(document, draw(st.sampled_from(places)))[str(key)] = copy.deepcopy(value) if parent is not document else 1


def toml(document):
    """Write a document as TOML: tables of the first level as headers, everything within them inline."""
    plain = [f"{_key(k)} = {_value(v)}" for k, v in document.items() if not isinstance(v, dict)]
    for name, table in document.items():
        if isinstance(table, dict):
            plain += ["", f"[{_key(name)}]", *(f"{_key(k)} = {_value(v)}" for k, v in table.items())]
    return "\n".join(plain) + "\n"


def _key(name):
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _text(name)


def _text(text):
    return json.dumps(text.encode("utf-8", "replace").decode("utf-8")).replace("\x7f", "\\u007f")


def _value(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return hex(value) if isinstance(value, int) and value > 10**300 else repr(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return _text(str(value))


@st.composite
def hurt_texts(draw):
    """Text of a shipped case with lines doubled, cut, swapped or filled with strange characters."""
    text = (CASES / f"{draw(st.sampled_from(FILES))}.toml").read_text(encoding="utf-8")
    for _ in range(draw(st.integers(1, 3))):
        lines = text.split("\n")
        at_line = draw(st.integers(0, len(lines) - 1))
        line = lines[at_line]
        column = draw(st.integers(0, len(line)))
        how = draw(st.sampled_from(("double", "cut", "drop", "insert", "swap", "end", "quotes")))
        odd = draw(
            st.sampled_from(
                ("\x00", "\x1b", "\r", '"', "'", "[", "]", "{", "}", "=", "\ufeff", "\u202e", "#", ".", '"""', "\t")
            )
        )
        if how == "double":
            lines.insert(at_line, line)
        elif how == "cut":
            lines[at_line] = line[:column]
        elif how == "drop":
            del lines[at_line]
        elif how == "insert":
            lines[at_line] = line[:column] + odd + line[column:]
        elif how == "swap":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at_line], lines[other] = lines[other], line
        elif how == "end":
            lines = lines[: at_line + 1]
        elif how == "quotes":
            lines[at_line] = line.replace('"', draw(st.sampled_from(("", "'", "“"))))
        text = "\n".join(lines)
    return text
