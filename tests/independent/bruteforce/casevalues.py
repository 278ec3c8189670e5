"""From the text of a case file to the plain numbers of one operating point, by tomllib and a reader of units of its own.

Nothing of the package takes part: what a key means is written here a second time, from the description of the case file.
"""

from __future__ import annotations

import math
import re
import tomllib
from types import SimpleNamespace

from bruteforce.equations import TWO_INDUCTORS

_PREFIX = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9}
_UNITS = ("V", "A", "ohm", "F", "H", "Hz", "s", "S")
_NUMBER = re.compile(r"\s*([-+]?\d+\.?\d*(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def _unit(text):
    if text == "":
        return 1.0
    if text == "%":
        return 0.01
    if text in ("dB", "deg", "degC"):
        return 1.0
    if "/" in text:
        top, bottom = text.split("/")
        return _unit(top) / _unit(bottom)
    for unit in sorted(_UNITS, key=len, reverse=True):
        if text.endswith(unit) and text[: -len(unit)] in _PREFIX:
            return _PREFIX[text[: -len(unit)]]
    raise ValueError(f"unknown unit {text!r}")


def si(value):
    """Read one quantity: a number in SI units, or text with a unit."""
    if isinstance(value, (int, float)):
        return float(value)
    found = _NUMBER.match(value)
    if found is None:
        raise ValueError(f"no quantity: {value!r}")
    number, unit = float(found[1]), _unit(found[2])
    return number / round(1.0 / unit) if 0.0 < unit < 1.0 else number * unit


def levels(value):
    """Read the values of a list or of a range with min, nominal and max."""
    if isinstance(value, dict):
        return [si(value[k]) for k in ("min", "nominal", "max") if k in value]
    return [si(v) for v in value] if isinstance(value, list) else [si(value)]


def corners(text):
    """Pairs of input voltage and load current that a case file asks for."""
    spec = tomllib.loads(text)["specification"]
    return [(v, i) for v in levels(spec["input_voltage"]) for i in levels(spec["output_current"])]


def _part(table, *keys):
    return tuple(si(table.get(key, 0.0)) for key in keys)


def _fitted(value):
    return 0.0 if value is None or value == "none" else si(value)


def read_case(text, input_voltage, load_current, *, closed=True):
    """Return the numbers of one operating point of a case file.

    Parameters
    ----------
    text : str
        The case file.
    input_voltage, load_current : float
        Operating point [V], [A].
    closed : bool
        Whether the controller is read as well.
    """
    case = tomllib.loads(text)
    stage, spec, mod, conv = case["stage"], case["specification"], case["modulator"], case["converter"]
    p = SimpleNamespace(
        topology=conv["topology"], period=1.0 / si(conv["switching_frequency"]),
        synchronous=conv.get("rectifier", "diode") == "synchronous", vin=input_voltage, io=load_current,
        rsw=si(stage["switch"]["resistance"]), turns=si(stage.get("turns", 1.0)),
        rsec=si(stage.get("secondary_resistance", 0.0)), l2=0.0, r2=0.0, m=0.0, cs=None, damper=None,
    )  # fmt: skip
    p.l1, p.r1 = _part(stage["L1"], "inductance", "resistance")
    p.vd, p.rd = _part(stage.get("diode", {}), "drop", "resistance")
    bank = stage["Co"] if isinstance(stage["Co"], list) else [stage["Co"]]
    p.bank = [_part(c, "capacitance", "esr") for c in bank]
    if p.topology in TWO_INDUCTORS:
        p.l2, p.r2 = _part(stage["L2"], "inductance", "resistance")
        p.m = si(stage.get("coupling", 0.0)) * math.sqrt(p.l1 * p.l2)
        p.cs = _part(stage["Cs"], "capacitance", "esr")
        if "damper" in stage:
            p.damper = _part(stage["damper"], "resistance", "capacitance")
    p.input_filter = _input_filter(case.get("input_filter"))
    p.output_filter = _output_filter(case.get("output_filter"))
    p.sense_after = case.get("output_filter", {}).get("sense", "after") == "after"
    _load(p, case, spec)
    _modulator(p, mod)
    p.control = _control(p, case) if closed and "error_amplifier" in case else None
    return p


def _series(table, extra=None):
    extra = extra or {}
    inductance, resistance = _part(table["L"], "inductance", "resistance")
    capacitance, esr = _part(table["C"], "capacitance", "esr")
    damper = _part(table["damper"], "resistance", "capacitance") if "damper" in table else None
    return SimpleNamespace(
        inductance=inductance + si(extra.get("inductance", 0.0)), resistance=resistance + si(extra.get("resistance", 0.0)),
        capacitance=capacitance, esr=esr, damper=damper,
    )  # fmt: skip


def _input_filter(table):
    return None if table is None else _series(table, table.get("source"))


def _output_filter(table):
    return None if table is None else _series(table)


def _load(p, case, spec):
    """Load as conductance and sink, what the feedback senses, and the average it is held at.

    With an output filter sensed before it the output voltage is that of the bank; the load sits behind the filter's resistance.
    A constant power is, to first order about the operating point, a negative conductance beside twice the current.
    """
    io, kind = p.io, spec.get("load", "resistive")
    p.load_kind, p.current_sense = kind, 0.0
    p.regulated_current = spec.get("regulate", "voltage") == "current"
    if p.regulated_current:
        p.current_sense = si(case["current_sense"]["resistance"])
    if kind == "voltage":
        drop, resistance = _part(spec["voltage_load"], "drop", "resistance")
        p.load_conductance = 1.0 / (resistance + p.current_sense)
        p.load_sink = -drop * p.load_conductance
        at_load = drop + (resistance + p.current_sense) * io
    else:
        at_load = si(spec["output_voltage"])
        if p.output_filter and not p.sense_after:
            at_load -= p.output_filter.resistance * io
        p.load_conductance, p.load_sink = {
            "resistive": (io / at_load, 0.0), "current": (0.0, io), "power": (-io / at_load, 2.0 * io),
        }[kind]  # fmt: skip
    p.at_load = at_load
    p.vout = si(spec["output_voltage"]) if "output_voltage" in spec else at_load
    p.target = p.current_sense * io if p.regulated_current else p.vout


def _modulator(p, mod):
    current = mod["scheme"] == "peak current"
    p.sense = si(mod["sense_gain"]) if current else 0.0
    p.ramp = si(mod["slope"]) * p.period if current else si(mod["ramp"])  # volts per period
    p.max_duty = si(mod.get("max_duty", 0.95))
    p.turn_off_delay = si(mod.get("turn_off_delay", 0.0)) / p.period
    p.blanking = si(mod.get("blanking", 0.0)) / p.period
    p.min_on_time = si(mod.get("min_on_time", 0.0)) / p.period
    p.current_limit = si(mod["current_limit"]) if "current_limit" in mod else None


def _control(p, case):
    amp, net, div = case["error_amplifier"], case["compensation"], case.get("divider")
    c = SimpleNamespace(
        kind=amp["kind"], reference=si(amp["reference"]), clamp=None, upper=None, lower=None, feedforward=0.0
    )
    if c.kind == "transconductance":
        c.gm, c.ro = si(amp["gm"]), si(amp["output_resistance"])
    else:
        c.dc_gain, c.gain_bandwidth = 10.0 ** (si(amp["dc_gain"]) / 20.0), si(amp["gain_bandwidth"])
    if "clamp" in amp:
        c.clamp = (si(amp["clamp"].get("min", 0.0)), si(amp["clamp"]["max"]))
    if not p.regulated_current:
        c.lower = si(div["lower"])
        c.upper = si(div["upper"]) if "upper" in div else c.lower * (p.vout / c.reference - 1.0)
        c.feedforward = _fitted(div.get("feedforward"))
    c.r1, c.c1, c.c2, c.r2, c.c3 = (_fitted(net.get(k)) for k in ("R1", "C1", "C2", "R2", "C3"))
    if c.r1 == 0.0:  # C1 without a resistor lies straight beside C2
        c.c1, c.c2 = 0.0, c.c1 + c.c2
    if c.c3 and not c.r2:
        c.feedforward, c.c3 = c.feedforward + c.c3, 0.0
    return c
