"""Random but plausible designs as case files, from a seed.

Every draw sizes a converter the way a designer begins (duty from the conversion ratio, inductance from a ripple, capacitance from a
ripple, amplifier from a crossover) and then spoils it by wide log-uniform factors, so that sound and unsound designs both occur.
All numbers are random; they describe no real product.

Strata: "ordinary"; "reach" (lossy stages, the output near the highest a duty can make); "boundary" (the valley of the inductor current
within a few percent of zero); "ripple" (small output capacitors, fast amplifiers: the ripple reaches the comparator); "ringing" (small
coupling capacitors, light loads: the rectifier may conduct again).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bruteforce.equations import TWO_INDUCTORS
from random_control import Draw, controller, e24, modulator, text_of

TOPOLOGIES = ("sepic", "cuk", "zeta", "boost", "buck", "inverting", "flyback")
STRATA = ("ordinary", "reach", "boundary", "ripple", "ringing")
OPTIONS = (
    "delay",
    "blanking",
    "output_filter",
    "voltage_load",
    "regulated_current",
    "clamp",
    "current_limit",
    "input_filter",
)


@dataclass(frozen=True, kw_only=True)
class Design:
    """A drawn case: its seed, topology, stratum and text."""

    seed: int
    topology: str
    stratum: str
    text: str


def duty_of(topology, vin, vo, turns):
    """Lossless duty in continuous conduction."""
    if topology == "buck":
        return vo / vin
    if topology == "boost":
        return 1.0 - vin / vo
    return vo / (vo + turns * vin)


def draw(seed, *, topology=None, stratum=None, options=()):
    """Draw one design; topology and stratum by the seed unless given, each of the options by chance."""
    d = Draw([seed, 20])
    topology = topology or d.one(TOPOLOGIES)
    if stratum is None:
        stratum = d.one(STRATA if topology in TWO_INDUCTORS else STRATA[:4])
    s = _specification(d, topology, stratum)
    _options(d, s, options)
    _inductors(d, s)
    _capacitors(d, s)
    _losses(d, s)
    lines = [f'title = "random {topology} {seed} ({stratum})"', *_head(s), *_stage(s)]
    lines += _filters(d, s) + modulator(d, s) + controller(d, s)
    return Design(seed=seed, topology=topology, stratum=stratum, text="\n".join(lines) + "\n")


def _specification(d, topology, stratum):
    """Voltages, currents, frequency, duty."""
    s = {"topology": topology, "stratum": stratum, "fs": e24(d.log(80e3, 700e3)), "turns": 1.0}
    s["vin"] = round(d.log(5.0, 48.0), 1)
    low, high = (0.12, 0.8) if stratum != "reach" else (0.45, 0.85)
    if stratum == "ringing":
        low, high = 0.06, 0.45
    if stratum == "reach" and topology == "buck":
        low, high = 0.7, 0.95
    duty = d.flat(low, high)
    if topology == "flyback":
        s["turns"] = round(d.log(0.15, 2.0), 2)
    n = s["turns"]
    ratio = {"buck": duty, "boost": 1.0 / (1.0 - duty)}.get(topology, n * duty / (1.0 - duty))
    s["vo"] = max(float(f"{ratio * s['vin']:.3g}"), 1.0)
    s["duty"] = duty_of(topology, s["vin"], s["vo"], n)
    s["power"] = d.log(1.5, 60.0)
    s["io"] = float(f"{s['power'] / s['vo']:.3g}")
    s["synchronous"] = d.chance(0.15) and stratum in ("ordinary", "reach", "ripple")
    s["load"] = d.one(("resistive", "resistive", "current", "power"))
    s["max_duty"] = round(d.flat(0.85, 0.97), 2)
    if stratum == "reach" and d.chance(0.3):  # the largest duty ends the reach before the fold does
        s["max_duty"] = round(min(s["duty"] * d.flat(1.0, 1.25), 0.97), 3)
    return s


def _options(d, s, options):
    """Which of the wanted options this design has; of load and regulation at most one."""
    has = {name for name in options if d.chance(0.3 if len(options) > 1 else 0.7)}
    if "regulated_current" in has:
        has.discard("voltage_load")
        has.discard("output_filter")
    s["has"] = has
    if has & {"voltage_load", "regulated_current"}:
        s["load"] = "voltage"
    s["currents"] = [s["io"]]
    if s["load"] != "voltage" and d.chance(0.5):
        s["currents"].insert(0, float(f"{s['io'] * d.log(0.05, 0.5):.3g}"))


def _inductors(d, s):
    """Inductance from the ripple of the current that the switch sees, relative to its average."""
    t, duty, period = s["topology"], s["duty"], 1.0 / s["fs"]
    s["middle"] = s["io"] if t == "buck" else s["turns"] * s["io"] / (1.0 - duty)
    v_on = s["vin"] - s["vo"] if t == "buck" else s["vin"]
    ripple = {"boundary": 2.0 * d.flat(0.96, 1.04), "ringing": d.log(0.6, 6.0)}.get(s["stratum"], d.log(0.08, 2.6))
    s["ripple"] = ripple
    combined = v_on * duty * period / (ripple * s["middle"])  # what the sum of both currents sees
    if t in TWO_INDUCTORS:
        share = d.flat(0.3, 0.7)
        s["coupling"] = 0.0 if d.chance(0.5) else round(d.one((d.flat(0.1, 0.8), d.flat(0.9, 0.99))), 3)
        k = s["coupling"]
        if k > 0.8:
            share = d.flat(0.45, 0.55)
        l1 = combined / share
        l2 = combined / (1.0 - share)
        m = k * math.sqrt(l1 * l2)
        grow = combined * (l1 + l2 - 2.0 * m) / (l1 * l2 - m * m)
        s["l1"], s["l2"] = e24(l1 * grow), e24(l2 * grow)
    else:
        s["l1"], s["l2"] = combined, 0.0
        if s["stratum"] != "boundary":
            s["l1"] = e24(combined)


def _capacitors(d, s):
    """Output bank from its ripple, coupling capacitor from its own, damper beside it."""
    period, duty, vo, io = 1.0 / s["fs"], s["duty"], s["vo"], s["io"]
    share = d.log(0.03, 0.4) if s["stratum"] == "ripple" else d.log(5e-4, 0.05)
    through = s["ripple"] * io / 8.0 / duty if s["topology"] == "buck" else io
    c = through * duty * period / (share * vo)
    r = min(d.log(0.1, 2.0) * share * vo / s["middle"], 0.2 * vo / io)
    s["bank"] = [(e24(c), float(f"{r:.2g}"))]
    if d.chance(0.35):
        s["bank"].append((e24(c * d.log(0.05, 3.0)), float(f"{r * d.log(0.05, 3.0):.2g}")))
    s["cs"] = s["damper"] = None
    if s["load"] == "power" and s["bank"][0][0] * vo / io < 3.0 * period:
        s["load"] = "current"  # a constant power would run away from so small a capacitor within the period
    if s["topology"] not in TWO_INDUCTORS:
        return
    small = s["stratum"] == "ringing"
    across = s["vin"] if s["topology"] == "sepic" else s["vin"] + vo
    swing = d.log(0.3, 4.0) if small else d.log(0.005, 0.3)
    cs = max(io * duty * period / (swing * across), 1e-9)
    slowest = 1.0 / ((2.0 * math.pi * 8.0 * s["fs"]) ** 2 * (s["l1"] + s["l2"]))  # rings at most eight times a period
    cs = max(cs, slowest)
    s["cs"] = (e24(cs), float(f"{d.log(2e-3, 30e-3):.2g}"))
    if d.chance(0.35):
        z0 = math.sqrt((s["l1"] + s["l2"]) / cs)
        s["damper"] = (e24(z0 * d.log(0.3, 3.0)), e24(cs * d.log(2.0, 12.0)))


def _losses(d, s):
    """Resistances as shares of the load's, so that the losses are a few percent, or near the fold where the reach is wanted."""
    s["vd"] = 0.0 if s["synchronous"] else round(d.flat(0.3, 0.8), 2)
    total = d.log(0.003, 0.04)
    load = s["vo"] / s["io"]
    scale = load * (1.0 - s["duty"]) ** 2 / s["turns"] ** 2 if s["topology"] != "buck" else load
    if s["stratum"] == "reach":
        # a boost of loss r reaches Vin/2 sqrt(R/r): with r the share q of R D'^2 that is 1/(2 sqrt(q)) of the wanted output
        total = 0.25 / d.flat(0.93, 1.25) ** 2
        if s["topology"] == "buck":
            total = d.log(0.01, 0.3)
    r = total * scale
    split = d.rng.dirichlet([2.0, 2.0, 2.0, 2.0])
    s["r1"], s["rsw"], s["rd"], s["r2"] = (float(f"{max(r * x, 1e-4):.3g}") for x in split)
    s["rsec"] = float(f"{max(0.3 * s['rd'], 1e-4):.3g}")


def _head(s):
    kind = "synchronous" if s["synchronous"] else "diode"
    lines = ["[converter]", f'topology = "{s["topology"]}"', f"switching_frequency = {text_of(s['fs'], 'Hz')}",
             f'rectifier = "{kind}"', "[specification]", f"input_voltage = [{text_of(s['vin'], 'V')}]"]  # fmt: skip
    if "regulated_current" not in s["has"]:
        lines.append(f"output_voltage = {text_of(s['vo'], 'V')}")
    lines.append("output_current = [" + ", ".join(text_of(i, "A") for i in s["currents"]) + "]")
    lines.append(f'load = "{s["load"]}"')
    if s["load"] == "voltage":
        lines += _voltage_load(s)
    return lines


def _voltage_load(s):
    """A drop in series with a resistance that together draw the current at the output voltage (behind what lies in between)."""
    drop = float(f"{0.8 * s['vo']:.3g}")
    sense = 0.0
    lines = []
    if "regulated_current" in s["has"]:
        sense = float(f"{0.02 * s['vo'] / s['io']:.2g}")
        s["sense_resistance"] = sense
        lines.append('regulate = "current"')
    rest = (s["vo"] - drop) / s["io"] - sense
    s["filter_resistance"] = 0.02 * rest if "output_filter" in s["has"] else 0.0
    s["sensed_before"] = False  # the output voltage is then the load's own
    lines.append(f'voltage_load = {{ drop = "{drop:.12g} V", resistance = "{rest:.12g} ohm" }}')
    return lines


def _stage(s):
    lines = ["[stage]", f"L1 = {{ inductance = {text_of(s['l1'], 'H', 6)}, resistance = {text_of(s['r1'], 'ohm')} }}"]
    if s["topology"] in TWO_INDUCTORS:
        lines.append(f"L2 = {{ inductance = {text_of(s['l2'], 'H', 6)}, resistance = {text_of(s['r2'], 'ohm')} }}")
        lines.append(f"coupling = {s['coupling']}")
        lines.append(f"Cs = {{ capacitance = {text_of(s['cs'][0], 'F')}, esr = {text_of(s['cs'][1], 'ohm')} }}")
        if s["damper"]:
            r, c = s["damper"]
            lines.append(f"damper = {{ resistance = {text_of(r, 'ohm')}, capacitance = {text_of(c, 'F')} }}")
    if s["topology"] == "flyback":
        lines += [f"turns = {s['turns']}", f"secondary_resistance = {text_of(s['rsec'], 'ohm')}"]
    bank = [f"{{ capacitance = {text_of(c, 'F')}, esr = {text_of(r, 'ohm')} }}" for c, r in s["bank"]]
    lines.append("Co = " + (bank[0] if len(bank) == 1 else "[" + ", ".join(bank) + "]"))
    lines.append(f"switch = {{ resistance = {text_of(s['rsw'], 'ohm')} }}")
    lines.append(f"diode = {{ drop = {text_of(s['vd'], 'V')}, resistance = {text_of(s['rd'], 'ohm')} }}")
    return lines


def _lc(name, inductance, resistance, capacitance, esr, damper):
    lines = [f"[{name}]", f"L = {{ inductance = {text_of(inductance, 'H')}, resistance = {text_of(resistance, 'ohm')} }}",
             f"C = {{ capacitance = {text_of(capacitance, 'F')}, esr = {text_of(esr, 'ohm')} }}"]  # fmt: skip
    if damper:
        lines.append(
            f"damper = {{ resistance = {text_of(damper[0], 'ohm')}, capacitance = {text_of(damper[1], 'F')} }}"
        )
    return lines


def _filters(d, s):
    lines = []
    if "input_filter" in s["has"]:
        z0 = d.log(0.02, 0.5) * s["vin"] ** 2 / s["power"]
        w0 = 2.0 * math.pi * s["fs"] * d.log(0.03, 0.3)
        damper = (e24(z0 * d.log(0.5, 2.0)), e24(d.log(2.0, 8.0) / (z0 * w0))) if d.chance(0.6) else None
        lines += _lc("input_filter", e24(z0 / w0), e24(0.02 * z0), e24(1.0 / (z0 * w0)), e24(0.02 * z0), damper)
    if "output_filter" in s["has"]:
        load, c0 = s["vo"] / s["io"], s["bank"][0][0]
        c = e24(c0 * d.log(0.1, 1.0))
        w0 = 2.0 * math.pi * s["fs"] * d.log(0.04, 0.3)
        inductance = e24(1.0 / (c * w0**2))
        z0 = math.sqrt(inductance / c)
        resistance = s.get("filter_resistance") or d.log(1e-3, 1e-2) * load
        damper = (e24(z0 * d.log(0.5, 2.0)), e24(c * d.log(2.0, 6.0))) if d.chance(0.5) else None
        lines += _lc("output_filter", inductance, float(f"{resistance:.2g}"), c, e24(0.05 * z0), damper)
        lines.append('sense = "before"' if s.get("sensed_before", d.chance(0.5)) else 'sense = "after"')
    return lines
