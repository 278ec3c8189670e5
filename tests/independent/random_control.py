"""Modulator, amplifier and network of a random design, and the kit that draws and writes its values."""

from __future__ import annotations

import math

import numpy as np


class Draw:
    """Random draws of the kinds that part values need."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)

    def log(self, low, high):
        return float(math.exp(self.rng.uniform(math.log(low), math.log(high))))

    def flat(self, low, high):
        return float(self.rng.uniform(low, high))

    def chance(self, share):
        return bool(self.rng.random() < share)

    def one(self, values):
        return values[int(self.rng.integers(len(values)))]


def e24(value):
    """Nearest value with two significant digits, as parts are sold."""
    exponent = math.floor(math.log10(value))
    return round(value / 10.0**exponent, 1) * 10.0**exponent


_SCALES = ((1e-12, "p"), (1e-9, "n"), (1e-6, "u"), (1e-3, "m"), (1.0, ""), (1e3, "k"), (1e6, "M"))


def text_of(value, unit, digits=4):
    """Write a quantity with a prefix: 4.7e-6, "F" becomes "4.7 uF"."""
    if value == 0.0:
        return f'"0 {unit}"'
    scale, prefix = max((s for s in _SCALES if s[0] <= abs(value) * (1 + 1e-12)), default=_SCALES[0])
    return f'"{value / scale:.{digits}g} {prefix}{unit}"'


def modulator(d, s):
    """Sense gain for a few hundred millivolts at the peak; slope as a share of the sensed down-slope."""
    peak = s["middle"] * (1.0 + 0.5 * s["ripple"])
    current = d.chance(0.7) or "current_limit" in s["has"]
    s["current_mode"] = current
    lines = ["[modulator]"]
    if current:
        s["sense"] = float(f"{d.log(0.08, 0.6) / peak:.2g}")
        down = s["sense"] * s["ripple"] * s["middle"] * s["fs"] / max(1.0 - s["duty"], 0.1)
        slope = down * d.one((0.0, d.log(0.05, 0.4), d.log(0.3, 1.5)))
        lines += ['scheme = "peak current"', f"sense_gain = {s['sense']:.6g}", f"slope = {slope:.4g}"]
    else:
        s["ramp"] = round(d.flat(0.6, 3.0), 2)
        lines += ['scheme = "voltage"', f"ramp = {text_of(s['ramp'], 'V')}"]
    lines.append(f"max_duty = {s['max_duty']}")
    if "delay" in s["has"]:
        lines.append(f'turn_off_delay = "{d.log(20.0, 0.08e9 / s["fs"]):.3g} ns"')
    if "blanking" in s["has"]:
        lines.append(f'blanking = "{d.log(30.0, 0.1e9 / s["fs"]):.3g} ns"')
    if "current_limit" in s["has"]:
        lines.append(f"current_limit = {text_of(s['sense'] * peak * d.log(0.9, 2.5), 'V')}")
    return lines


def controller(d, s):
    """Amplifier and network for a drawn crossover, the plant taken as its one pole above the output capacitor's corner."""
    regulated = "regulated_current" in s["has"]
    reference = s["sense_resistance"] * s["io"] if regulated else d.one((0.6, 0.8, 1.2, 2.5))
    reference = min(reference, 0.9 * s["vo"])
    ratio = 1.0 if regulated else reference / s["vo"]
    operational = d.chance(0.35) and not regulated
    span = (0.02, 0.25) if s["stratum"] == "ripple" else (0.003, 0.12)
    fc = s["fs"] * d.log(*span)
    plant = _plant_gain(s, fc) * (s["sense_resistance"] * s["io"] / (0.2 * s["vo"]) if regulated else 1.0)
    middle = d.log(0.25, 3.0) / max(plant * ratio, 1e-9)  # gain of the amplifier from its input to the control pin
    lines = [f'[error_amplifier]\nkind = "{"operational" if operational else "transconductance"}"']
    lower = e24(d.log(1e3, 30e3))
    upper = lower * (s["vo"] / reference - 1.0)
    if operational:
        lines += [
            f'dc_gain = "{d.flat(60.0, 100.0):.0f} dB"',
            f"gain_bandwidth = {text_of(e24(d.log(1e6, 2e7)), 'Hz')}",
        ]
        r1 = e24(max(middle * ratio * upper, 100.0))
    else:
        gm = e24(d.log(1e-4, 4e-3))
        lines += [f"gm = {gm:.4g}", f"output_resistance = {text_of(e24(d.log(3e5, 5e6)), 'ohm')}"]
        r1 = e24(max(middle / gm, 100.0))
    lines.append(f"reference = {reference:.9g}")
    if "clamp" in s["has"]:
        lines.append(_clamp(d, s))
    if regulated:
        lines += ["[current_sense]", f'resistance = "{s["sense_resistance"]:.6g} ohm"']
    else:
        lines += ["[divider]", f"lower = {text_of(lower, 'ohm')}"]
    return lines + _network(d, s, fc, r1, upper, operational=operational, regulated=regulated)


def _network(d, s, fc, r1, upper, *, operational, regulated):
    c1 = e24(1.0 / (2.0 * math.pi * r1 * fc * d.log(0.03, 0.5)))
    high = 1.0 / (2.0 * math.pi * r1 * min(fc * d.log(2.0, 20.0), s["fs"]))
    c2 = e24(max(high, 2e-12))
    kind = "type III" if operational and d.chance(0.5) else "type II"
    fitted = not d.chance(0.2)
    lines = ["[compensation]", f'network = "{kind}"', f"R1 = {text_of(r1, 'ohm')}", f"C1 = {text_of(c1, 'F')}",
             f"C2 = {text_of(c2, 'F')}" if fitted else 'C2 = "none"']  # fmt: skip
    if kind == "type III":
        r2 = e24(max(upper * d.log(0.03, 0.5), 10.0))
        c3 = e24(1.0 / (2.0 * math.pi * upper * fc * d.log(0.3, 3.0)))
        lines += [f"R2 = {text_of(r2, 'ohm')}", f"C3 = {text_of(c3, 'F')}"]
    return lines


def _plant_gain(s, fc):
    """Size of control to output near a frequency: controlled current into the output capacitor, or the filter's roll-off."""
    c = sum(x[0] for x in s["bank"])
    z = 1.0 / (2.0 * math.pi * fc * c) + s["bank"][0][1]
    z = min(z, s["vo"] / s["io"])
    if s["current_mode"]:
        share = 1.0 if s["topology"] == "buck" else (1.0 - s["duty"]) / s["turns"]
        return z * share / s["sense"]
    dc = s["vin"] if s["topology"] == "buck" else s["vin"] * s["turns"] / (1.0 - s["duty"]) ** 2
    inductance = s["l1"] / (1.0 if s["topology"] == "buck" else (1.0 - s["duty"]) ** 2)
    corner = 1.0 / (2.0 * math.pi * math.sqrt(inductance * c))
    return dc / s["ramp"] * min(1.0, (corner / fc) ** 2 + z * corner / fc * math.sqrt(c / inductance))


def _clamp(d, s):
    """Limits around the control voltage that the rough numbers say is needed."""
    peak = s["middle"] * (1.0 + 0.5 * s["ripple"])
    needed = s["sense"] * peak if s["current_mode"] else s["ramp"] * s["duty"]
    return f"clamp = {{ min = {needed * d.flat(0.0, 0.7):.4g}, max = {needed * d.log(1.05, 4.0):.4g} }}"
