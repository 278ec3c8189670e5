"""Words people write for a key or a choice: another letter case is read, another word answered by the right one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from loopdesign.case.kinds import CHOICES, choices_of, field_of, models_of
from loopdesign.network.topologies import TOPOLOGIES

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

_KEYS: dict[str, str] = {
    # parts
    "inductance": "l ind value", "capacitance": "c cap value",
    "resistance": "r dcr rdc dc_resistance winding_resistance rds rds_on rdson ron r_on on_resistance",
    "esr": "series_resistance rs", "drop": "vf v_f forward_voltage forward_drop voltage_drop vd",
    "tolerance": "tol", "temperature_coefficient": "tc tcr tempco", "bias_curve": "bias dc_bias derating_curve",
    "current_curve": "saturation saturation_curve isat", "count": "qty quantity number parallel",
    "L1": "l lm lp lmag magnetizing_inductance magnetising_inductance", "Co": "cout c_out output_capacitor",
    "Cs": "cc ccoupling coupling_capacitor series_capacitor", "switch": "q q1 fet mosfet transistor",
    "diode": "d d1", "coupling": "k coupling_coefficient coupling_factor", "turns": "n turns_ratio",
    "leakage": "lleak l_leak leakage_inductance", "clamp": "snubber rcd_clamp primary_clamp",
    # what it has to do
    "switching_frequency": "fsw f_sw fs frequency switching_freq", "input_voltage": "vin v_in input vbat",
    "output_voltage": "vout v_out output vo", "output_current": "iout i_out load_current io output_load",
    "nominal": "typ typical nom", "min": "minimum low lowest", "max": "maximum high highest", "from": "start begin",
    "to": "end stop", "phase_margin": "pm", "gain_margin": "gm",
    "output_ripple": "ripple voltage_ripple vripple ripple_voltage",
    "crossover": "fc bandwidth crossover_frequency",
    # control
    "sense_gain": "sense_resistor rsense r_sense rcs ri sense_resistance current_sense_gain",
    "slope": "se slope_compensation ramp_slope compensation_slope", "ramp": "vramp ramp_voltage ramp_amplitude",
    "max_duty": "dmax duty_max max_duty_cycle maximum_duty", "min_on_time": "ton_min t_on_min minimum_on_time",
    "blanking": "leb leading_edge_blanking blanking_time", "turn_off_delay": "delay propagation_delay",
    "current_limit": "ilim i_lim current_limit_threshold", "reference": "vref v_ref reference_voltage",
    "gm": "transconductance", "output_resistance": "rout r_out ro", "dc_gain": "gain aol open_loop_gain",
    "gain_bandwidth": "gbw gbp gain_bandwidth_product unity_gain_frequency",
    "transfer_ratio": "ctr current_transfer_ratio", "upper": "rtop r_top r_upper upper_resistor top",
    "lower": "rbot rbottom r_bottom r_lower lower_resistor bottom", "feedforward": "cff c_ff feed_forward",
    "kind": "type", "scheme": "type mode control_mode", "network": "type", "topology": "type",
    # sections
    "stage": "power_stage", "modulator": "controller pwm", "error_amplifier": "amplifier ea",
    "divider": "feedback feedback_divider", "compensation": "compensator", "targets": "limits goals",
    "input_filter": "filter emi_filter", "output_filter": "second_stage",
}  # fmt: skip
_CHOICES: dict[str, str] = {
    **{name: ",".join(topology.other_names) for name, topology in TOPOLOGIES.items()},
    "diode": "schottky,asynchronous", "synchronous": "sync,mosfet", "resistive": "resistor,constant resistance",
    "current": "constant current,sink", "power": "constant power",
    "voltage": "led,battery,constant voltage,voltage mode",
    "peak current": "current,current mode,peak current mode,peak", "transconductance": "ota,gm",
    "operational": "opamp,op amp,operational amplifier", "shunt optocoupler": "optocoupler,opto,shunt regulator",
    "type I": "type 1,1,i", "type II": "type 2,2,ii,type 2a", "type III": "type 3,3,iii",
}  # fmt: skip
_NOTES = {
    "sense_gain": "it is volts at the comparator per ampere in the switch: the resistor times its amplifier's gain",
    "turns": "it is secondary over primary",
}
"""What to bear in mind where a key is not quite what the other word means."""
_NOT_MODELLED = {
    "esl": "the series inductance of a capacitor is not modelled; leave it out",
    "leakage": "leakage follows from the coupling of the windings; only a flyback's is given, in its [stage]",
    "cin": "capacitors at the input belong in [input_filter], as C",
    "c_in": "capacitors at the input belong in [input_filter], as C",
    "qrr": "the rectifier's reverse recovery is not modelled; leave it out",
    "coss": "the switch's own capacitance is not modelled; leave it out",
}
"""Keys that no table has, and what to do about them."""


def plain(word: str) -> str:
    """Write a word without letter case, hyphens and doubled spaces.

    Parameters
    ----------
    word : str
        A word as a person wrote it.

    Returns
    -------
    str
        The same with small letters and single spaces.
    """
    return " ".join(re.split(r"[\s_-]+", word.casefold().strip()))


def spelled(document: dict[str, Any]) -> dict[str, Any]:
    """Write the words of a document that are chosen from a list in the letter case of the list.

    Parameters
    ----------
    document : dict
        The whole document as read.

    Returns
    -------
    dict
        The same document, or a copy where a word was written otherwise.
    """
    changed: dict[str, Any] = {}
    for section, table in document.items():
        if not isinstance(table, dict):
            continue
        words = {key: _listed(section, key, value) for key, value in table.items() if isinstance(value, str)}
        words = {key: word for key, word in words.items() if word != table[key]}
        if words:
            changed[section] = {**table, **words}
    return {**document, **changed} if changed else document


def key_hint(key: str, known: Collection[str]) -> str:
    """Say which key was probably meant by another word for it.

    Parameters
    ----------
    key : str
        The unknown key.
    known : collection of str
        The keys that its table has.

    Returns
    -------
    str
        A hint, empty where the word is not known either.
    """
    word = plain(key).replace(" ", "_")
    if word in _NOT_MODELLED:
        return _NOT_MODELLED[word]
    meant = [name for name, words in _KEYS.items() if name in known and word in words.split()]
    if not meant:
        return ""
    note = "; ".join(_NOTES[name] for name in meant if name in _NOTES)
    return f"did you mean {' or '.join(meant)}?" + (f" {note}" if note else "")


def choice_meant(word: str, choices: Iterable[str]) -> list[str]:
    """Return the choices that another word stands for.

    Parameters
    ----------
    word : str
        The word in the file.
    choices : iterable of str
        The words allowed.

    Returns
    -------
    list of str
        Those it may mean, in the order of the choices.
    """
    return [choice for choice in choices if plain(word) in _CHOICES.get(choice, "").split(",")]


def _listed(section: str, key: str, value: str) -> str:
    """Return the word of the list that a value is, whatever its letter case; the value itself where it is none."""
    words: set[str] = set()
    for model in models_of(section):
        words |= set(choices_of(field_of(model, key)))
    for table, chooser, models in CHOICES.values():
        if (table, chooser) == (section, key):
            words |= set(models)
    same = [word for word in words if word.casefold() == value.strip().casefold()]
    return same[0] if value not in words and len(same) == 1 else value
