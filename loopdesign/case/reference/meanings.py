"""What every key of the case file means, in words: for the reference in the README and for editors.

Keys stand under the model that declares them. Units, defaults and bounds come from the models themselves.
"""

from __future__ import annotations

_PEAK = "peak current the part is rated for"
_RMS = "rms ripple current the part is rated for"
_VOLTAGE = "voltage the part is rated for"
_SATURATION = "current at which the part saturates"
_NETWORK = "left out, design chooses it"
_CANDIDATE = {
    "price": "what all `count` of it cost together, in any one currency; every candidate has a price, or every one "
    "a size",
    "size": "what room all of it takes together, in any one unit",
    "name": "what it is called in the answer",
}

MEANINGS: dict[str, dict[str, str]] = {
    "Case": {
        "title": "name of the design",
        "notes": "free text; appears in the report",
        "converter": "topology and switching frequency",
        "specification": "what the converter has to do",
        "stage": "the parts of the power stage, by designator",
        "input_filter": "filter between the source and the converter",
        "output_filter": "second filter stage between Co and the load",
        "modulator": "how the control voltage sets the duty",
        "error_amplifier": "the amplifier that closes the loop; without it only the current loop is examined",
        "divider": "from the output to the amplifier's input",
        "current_sense": "in place of the divider, where the output current is regulated",
        "compensation": "the compensation network",
        "targets": "what the loop has to reach",
        "ratings": "what the parts are rated for",
        "candidates": "parts for `size` to choose from; no other command uses them",
        "document": "who prepared and reviewed the design",
    },
    "ConverterSection": {
        "topology": "power stage",
        "switching_frequency": "switching frequency",
        "rectifier": "a synchronous rectifier conducts whenever the switch does not",
    },
    "_Specification": {
        "input_voltage": "input voltages of the corners; nominal is halfway unless given",
        "output_current": "load currents of the corners, the divider's own current included",
        "load_step": "load step that `step` makes",
        "line_step": "step of the input voltage that `step` makes",
        "line_dropout": "drop of the input voltage and its return that `step --start` makes",
        "temperature": "temperatures of the parts; nominal is the one nearest to 25 degC; left out, 25 degC",
    },
    "VoltageRegulated": {
        "regulate": "what the feedback holds",
        "output_voltage": "output voltage, positive also where the topology inverts it",
        "load": "what the load is at the operating point; a `voltage` load is a drop in series with a resistance",
        "voltage_load": "the load where `load` is `voltage`",
    },
    "CurrentRegulated": {
        "regulate": "what the feedback holds",
        "load": "a regulated current needs a load whose voltage follows from the current",
        "voltage_load": "the load; the output voltage follows from it",
    },
    "LoadStep": {"from_": "load current before the step", "to": "load current after it"},
    "LineDropout": {"to": "input voltage while it is down", "for_": "how long it is down"},
    "LineStep": {"from_": "input voltage before the step", "to": "input voltage after it"},
    "VoltageLoad": {
        "drop": "voltage of the load at no current, such as that of an LED string or a battery",
        "resistance": "resistance in series with it",
    },
    "_Stage": {
        "L1": "inductor, or first winding; in a flyback the magnetising inductance seen from the primary",
        "Co": "output capacitor; a list is a parallel bank",
        "switch": "controlled switch",
        "diode": "rectifier, synchronous ones included",
    },
    "TwoInductorStage": {
        "L2": "second inductor or winding",
        "coupling": "magnetic coupling of L1 and L2, 0 <= k < 1; positive where the on-state voltages of both windings "
        "magnetise the core the same way",
        "Cs": "coupling capacitor",
        "damper": "resistor and capacitor in series across Cs",
    },
    "FlybackStage": {
        "turns": "turns ratio, secondary over primary",
        "secondary_resistance": "resistance of the secondary winding",
        "secondary_temperature_coefficient": "relative change of that resistance per kelvin, from 25 degC",
        "leakage": "leakage inductance seen from the primary; left out, the windings are coupled perfectly. Needs "
        "`clamp`",
        "clamp": "resistor and capacitor in parallel behind a diode from the switch, returned to the supply: they take "
        "the energy of the leakage",
    },
    "CustomStage": {
        "elements": "every element of the stage with its kind, its name and its nodes; node `supply` is the input, "
        "node `0` ground",
        "output": "nodes of the regulated output, positive first; one of them is node `0`",
        "sense": "element whose current the comparator sees; left out, the controlled switch",
        "outputs": "further outputs with their own loads, none of them regulated",
    },
    "_Element": {
        "name": "name of its own; values are found by it, as in `stage.L1.inductance`",
        "between": "its two nodes; currents and voltages count from the first to the second",
    },
    "InductorElement": {"kind": "inductor or winding", "rated_current": _SATURATION},
    "CapacitorElement": {"kind": "capacitor", "rated_voltage": _VOLTAGE, "rated_current": _RMS},
    "ResistorElement": {
        "kind": "resistor",
        "resistance": "resistance",
        "tolerance": "tolerance of the resistance",
        "temperature_coefficient": "relative change of the resistance per kelvin, from 25 degC",
    },
    "SwitchElement": {
        "kind": "switch",
        "drive": "one switch is controlled; another follows it, or conducts whenever it does not",
        "rated_voltage": _VOLTAGE,
        "rated_current": _PEAK,
    },
    "RectifierElement": {"kind": "rectifier", "rated_voltage": _VOLTAGE, "rated_current": _PEAK},
    "CouplingElement": {
        "kind": "magnetic coupling of two inductors",
        "name": "name of its own",
        "of": "the two inductors",
        "coefficient": "coupling, 0 <= k < 1, as one number or with its range; positive where currents into the first "
        "nodes of both add their flux",
    },
    "TransformerElement": {
        "kind": "ideal transformer, beside the magnetising inductance as an inductor of its own",
        "name": "name of its own",
        "primary": "nodes of the primary winding",
        "secondary": "nodes of the secondary winding, the first like that of the primary",
        "turns": "turns ratio, secondary over primary",
    },
    "OutputEntry": {
        "name": "name of its own",
        "between": "its nodes, positive first",
        "voltage": "voltage at which its load current is stated; a resistive load is their ratio",
        "current": "its lightest and its fullest load; corners have the middle, tolerance ends both",
        "load": "what its load is",
    },
    "InductorEntry": {
        "inductance": "inductance at no current",
        "resistance": "winding resistance",
        "tolerance": "tolerance of the inductance",
        "temperature_coefficient": "relative change of the resistance per kelvin, from 25 degC",
        "current_curve": "share of the inductance that is left at an average current",
    },
    "CapacitorEntry": {
        "capacitance": "capacitance of one part at no dc bias",
        "esr": "equivalent series resistance of one part",
        "tolerance": "tolerance of the capacitance",
        "esr_tolerance": "tolerance of the series resistance",
        "bias_curve": "share of the capacitance that is left at a dc bias",
        "temperature_curve": "shares of capacitance and series resistance at a temperature",
        "count": "number of equal parts in parallel",
        "lot": "name of a production lot; parts of one lot vary together",
    },
    "FilterCapacitor": {"esr": "equivalent series resistance of one part"},
    "Damper": {
        "resistance": "damping resistor",
        "capacitance": "capacitor in series with it",
        "tolerance": "tolerance of both",
        "lot": "name of the capacitor's production lot",
    },
    "FilterDamper": {
        "resistance": "damping resistor",
        "capacitance": "capacitor in series with it, both across the filter capacitor",
        "inductance": "or inductor in series with it, both across the choke",
        "tolerance": "tolerance of both",
    },
    "Leakage": {
        "inductance": "all of the leakage, seen from the primary: measured there with the secondary shorted",
        "tolerance": "tolerance of the inductance",
    },
    "SwitchClamp": {
        "resistance": "resistor, across the capacitor",
        "capacitance": "capacitor, from the diode to the supply",
        "tolerance": "tolerance of both",
        "drop": "forward drop of the diode",
        "diode_resistance": "its on-resistance",
    },
    "SwitchEntry": {
        "resistance": "on-resistance",
        "temperature_coefficient": "relative change of the on-resistance per kelvin, from 25 degC",
    },
    "DiodeEntry": {
        "drop": "forward drop; 0 V for a synchronous rectifier",
        "resistance": "on-resistance",
        "temperature_coefficient": "relative change of the on-resistance per kelvin, from 25 degC",
        "drop_temperature_coefficient": "change of the forward drop per kelvin, usually negative",
    },
    "Source": {"resistance": "resistance of the supply", "inductance": "inductance of the supply"},
    "InputFilter": {
        "L": "choke",
        "C": "capacitor; it needs an esr",
        "damper": "across the capacitor or the choke",
        "choke_leakage": "a further inductor in series with L",
        "source": "impedance of the supply ahead of the filter",
    },
    "OutputFilter": {
        "L": "choke",
        "C": "capacitor",
        "damper": "resistor and capacitor in series across C",
        "sense": "whether the divider senses behind the filter or on Co",
    },
    "_Modulator": {
        "max_duty": "largest duty of the clock",
        "min_on_time": "shortest on-time",
        "turn_off_delay": "from the comparator's trip to the opening of the switch",
        "blanking": "time after turn-on during which the comparator is ignored",
    },
    "PeakCurrentSection": {
        "scheme": "peak current mode",
        "sense_gain": "volts at the comparator per ampere in the switch",
        "sense_gain_tolerance": "tolerance of the sense gain",
        "sense_gain_temperature_coefficient": "relative change of the sense gain per kelvin, from 25 degC",
        "slope": "compensating ramp at the comparator; left out, design chooses it",
        "slope_tolerance": "tolerance of the ramp",
        "slope_temperature_coefficient": "relative change of the ramp per kelvin, from 25 degC",
        "current_limit": "sensed signal at which the cycle ends whatever the control voltage says; left out, no limit",
        "current_limit_tolerance": "tolerance of the current limit",
    },
    "VoltageModeSection": {"scheme": "voltage mode", "ramp": "ramp, peak to peak"},
    "_Amplifier": {
        "reference": "reference voltage",
        "reference_tolerance": "tolerance of the reference",
        "reference_temperature_coefficient": "relative change of the reference per kelvin, from 25 degC",
        "clamp": "limits of the control voltage; left out, none",
        "soft_start": "time over which the reference rises in a straight line at start-up; left out, at once",
    },
    "Clamp": {"min": "lowest control voltage", "max": "highest control voltage"},
    "TransconductanceSection": {
        "kind": "transconductance amplifier",
        "gm": "transconductance",
        "output_resistance": "output resistance",
        "output_current_limit": "largest output current; left out, no limit",
        "gm_tolerance": "tolerance of the transconductance",
        "gm_temperature_coefficient": "relative change of the transconductance per kelvin, from 25 degC",
    },
    "OperationalSection": {
        "kind": "operational amplifier",
        "dc_gain": "open-loop gain at dc",
        "gain_bandwidth": "gain-bandwidth product",
    },
    "ShuntOptocouplerSection": {
        "kind": "shunt regulator that drives an optocoupler",
        "transfer_ratio": "current transfer ratio, typical",
        "transfer_ratio_min": "its lowest value; left out, the typical one",
        "transfer_ratio_max": "its highest value; left out, the typical one",
        "bandwidth": "bandwidth of the optocoupler",
        "bandwidth_load": "load resistance it was measured with; left out, the pull-up",
        "pull_up": "pull-up resistor at the phototransistor",
        "led_resistance": "resistor in series with the LED",
        "dc_gain": "gain of the shunt regulator at dc",
        "gain_bandwidth": "gain-bandwidth product of the shunt regulator",
        "pull_up_supply": "supply of the pull-up; given, an operating point is held only where optocoupler and pull-up "
        "deliver its control voltage at both extremes of the transfer ratio; left out, that is not examined",
        "led_drop": "forward drop of the LED; left out, none",
        "led_supply": "constant supply of the LED, so that no signal takes the fast path through the LED resistor; "
        "left out, the output feeds it",
        "regulator_minimum_voltage": "lowest cathode voltage at which the shunt regulator regulates; left out, none",
        "regulator_minimum_current": "smallest cathode current at which it does, all through the LED; left out, none",
        "saturation_voltage": "saturation voltage of the phototransistor; left out, none",
    },
    "DividerSection": {
        "lower": "resistor to ground",
        "upper": "resistor to the output; left out, it follows from output voltage and reference",
        "feedforward": "capacitor across the upper resistor",
        "tolerance": "tolerance of both resistors",
    },
    "CurrentSense": {
        "resistance": "sense resistor in series with the load, at its ground end",
        "input_resistance": "resistor from the sense resistor to the amplifier's input",
        "tolerance": "tolerance of the sense resistor",
        "temperature_coefficient": "relative change of the sense resistor per kelvin, from 25 degC",
    },
    "Compensation": {
        "network": "which network",
        "R1": _NETWORK,
        "C1": _NETWORK,
        "C2": _NETWORK,
        "R2": f"type III; {_NETWORK}",
        "C3": f"type III; {_NETWORK}",
        "resistor_tolerance": "tolerance of every resistor of the network",
        "capacitor_tolerance": "tolerance of every capacitor of the network",
    },
    "Targets": {
        "phase_margin": "least phase margin at every corner",
        "gain_margin": "least gain margin at every corner",
        "modulus_margin": "least distance of the loop gain from -1, min |1+T|",
        "crossover": "the highest crossover over all corners comes as near to this as it can, and never above",
        "crossover_limit": "no corner may cross over above this; `auto` is the lower of a tenth of the switching "
        "frequency and a quarter of the lowest right-half-plane zero",
        "crossover_min": "no corner may cross over below this; left out, no limit",
        "step_deviation": "largest departure of the output, mean of a cycle, at `load_step` at every input voltage, "
        "temperature and tolerance end; left out, no limit",
        "output_ripple": "largest ripple of the output, peak to peak, at every corner, temperature and tolerance end; "
        "left out, no limit",
        "resistor_series": "IEC 60063 series that resistors are chosen from",
        "capacitor_series": "IEC 60063 series that capacitors are chosen from",
        "prefer": "what the best combination is where no `crossover` is asked for: highest crossover, largest modulus "
        "margin, or smallest step deviation",
        "settling_band": "band around the final output within which a step has settled, as a share of the output",
        "distribution": "how tolerances are sampled; `normal` takes the tolerance as three standard deviations",
    },
    "Ratings": {
        "switch_voltage": _VOLTAGE,
        "switch_current": _PEAK,
        "diode_voltage": _VOLTAGE,
        "diode_current": _PEAK,
        "L1_current": _SATURATION,
        "L2_current": _SATURATION,
        "Cs_voltage": _VOLTAGE,
        "Cs_current": _RMS,
        "Co_voltage": _VOLTAGE,
        "Co_current": _RMS,
        "derating": "share of each rating that is kept in reserve",
    },
    "Candidates": {
        "Co": "candidates in the place of the whole output bank, each a table `[[candidates.Co]]`",
        "Cs": "candidates for the coupling capacitor, each a table `[[candidates.Cs]]`",
        "damper": "candidates for its damper, each a table `[[candidates.damper]]`",
    },
    "CapacitorCandidate": _CANDIDATE,
    "DamperCandidate": {
        **_CANDIDATE,
        "price": "what resistor and capacitor cost together, in any one currency; every "
        "candidate has a price, or every one a size",
    },
    "Document": {
        "prepared_by": "who prepared the design",
        "reviewed_by": "who reviewed it",
        "revision": "revision of the design",
        "date": "date of the revision",
    },
}
"""Meaning of each key by the model that declares it."""
