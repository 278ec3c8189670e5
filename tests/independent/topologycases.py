"""One plausible converter of each topology, for the energy check and the comparison with the program."""

from __future__ import annotations

_LOOP = {
    "error_amplifier": {"kind": "transconductance", "gm": 0.8e-3, "output_resistance": 1.5e6, "reference": 1.2},
    "compensation": {"network": "type II", "R1": 4.7e3, "C1": 33e-9, "C2": 330e-12},
}
_PAIR = {
    "L1": {"inductance": 33e-6, "resistance": 0.05},
    "L2": {"inductance": 27e-6, "resistance": 0.04},
    "coupling": 0.3,
    "Cs": {"capacitance": 6.8e-6, "esr": 6e-3},
    "damper": {"resistance": 2.7, "capacitance": 33e-6},
}
_SWITCH = {"switch": {"resistance": 0.025}, "diode": {"drop": 0.45, "resistance": 0.02}}


def _case(topology, vin, vo, currents, stage, modulator, *, fs=300e3):
    return {
        "title": f"buoy telemetry supply, {topology}",
        "converter": {"topology": topology, "switching_frequency": fs, "rectifier": "diode"},
        "specification": {
            "input_voltage": [vin], "output_voltage": vo, "output_current": currents, "load": "resistive",
        },
        "stage": stage | _SWITCH | {"Co": {"capacitance": 100e-6, "esr": 0.015}},
        "modulator": modulator | {"max_duty": 0.97},
        "divider": {"lower": 10e3, "upper": 10e3 * (vo / 1.2 - 1.0)},
    } | _LOOP  # fmt: skip


def _current(gain, slope):
    return {"scheme": "peak current", "sense_gain": gain, "slope": slope}


_ONE = {"L1": {"inductance": 22e-6, "resistance": 0.04}}
_FLYBACK = {"L1": {"inductance": 100e-6, "resistance": 0.06}, "turns": 0.4, "secondary_resistance": 0.012}

# Two load currents each: the first in discontinuous, the second in continuous conduction.
CASES = {
    "sepic": _case("sepic", 12.0, 9.0, [0.05, 1.0], _PAIR, _current(0.07, 40e3)),
    "cuk": _case("cuk", 12.0, 15.0, [0.05, 0.8], _PAIR, _current(0.07, 60e3)),
    "zeta": _case("zeta", 18.0, 9.0, [0.05, 1.0], _PAIR, _current(0.07, 40e3)),
    "boost": _case("boost", 9.0, 18.0, [0.02, 0.7], _ONE, _current(0.08, 40e3)),
    "flyback": _case("flyback", 36.0, 12.0, [0.1, 1.5], _FLYBACK, _current(0.15, 60e3), fs=150e3),
    "buck": _case("buck", 24.0, 9.0, [0.05, 1.5], _ONE, _current(0.1, 30e3)),
    "inverting": _case("inverting", 12.0, 9.0, [0.05, 1.0], _ONE, _current(0.08, 40e3)),
}

VOLTAGE_MODE = {"scheme": "voltage", "ramp": 1.5, "max_duty": 0.97}
