"""Power stages the tests build for themselves: published ones, and short netlists of the canonical converters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loopdesign.models.averaged import average
from loopdesign.network.converter import Converter
from loopdesign.network.elements import Diode, Inductor, Switch, Transformer
from loopdesign.network.modulator import PeakCurrentMode, VoltageMode
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.network.topologies.base import (
    CapacitorValue,
    DamperValue,
    InductorValue,
    StageValues,
    Topology,
    devices,
    output_bank,
)
from loopdesign.orbit.problem import OperatingPoint, pose
from loopdesign.orbit.search.reach import continuous

SEPIC = TOPOLOGIES["sepic"]


def _inductor(stage, a, b):
    return Inductor(name="L1", a=a, b=b, inductance=stage.L1.inductance, resistance=stage.L1.resistance)


def _buck(stage):
    return (*devices(stage, ("supply", "a"), ("0", "a")), _inductor(stage, "a", "out"), *output_bank(stage.Co))


def _boost(stage):
    return (_inductor(stage, "supply", "a"), *devices(stage, ("a", "0"), ("a", "out")), *output_bank(stage.Co))


def _buck_boost(stage):
    """One-to-one transformer across the inductor, so that the output is positive."""
    return (
        _inductor(stage, "supply", "a"),
        Transformer(name="T", a="supply", b="a", c="0", d="b", turns=1.0),
        Switch(name="switch", a="a", b="0", resistance=stage.switch_resistance),
        Diode(name="diode", a="b", b="out", resistance=stage.diode_resistance),
        *output_bank(stage.Co),
    )


BUCK = Topology(name="short buck", netlist=_buck, lossless_duty=lambda vin, v, _n: v / vin)
BOOST = Topology(name="short boost", netlist=_boost, lossless_duty=lambda vin, v, _n: 1.0 - vin / v)
BUCK_BOOST = Topology(name="short buck-boost", netlist=_buck_boost, lossless_duty=lambda vin, v, _n: v / (v + vin))


def one_inductor(L, C, *, esr=0.0, winding=0.0, switch=0.0, diode=0.0, drop=0.0):
    """Values of a stage with one inductor and one output capacitor; lossless unless told otherwise."""
    return StageValues(
        L1=InductorValue(inductance=L, resistance=winding),
        Co=(CapacitorValue(capacitance=C, esr=esr),),
        switch_resistance=switch,
        diode_resistance=diode,
        diode_drop=drop,
    )


def two_inductor(
    L1, L2, C1, C2, *, r1=0.0, r2=0.0, esr1=0.0, esr2=0.0, coupling=0.0, damper=None, switch=0.0, diode=0.0, drop=0.0
):
    """Values of a stage with two inductors and a coupling capacitor; ``damper`` is (resistance, capacitance)."""
    return StageValues(
        L1=InductorValue(inductance=L1, resistance=r1),
        L2=InductorValue(inductance=L2, resistance=r2),
        coupling=coupling,
        Cs=CapacitorValue(capacitance=C1, esr=esr1),
        damper=None if damper is None else DamperValue(resistance=damper[0], capacitance=damper[1]),
        Co=(CapacitorValue(capacitance=C2, esr=esr2),),
        switch_resistance=switch,
        diode_resistance=diode,
        diode_drop=drop,
    )


def converter(
    topology,
    stage,
    vin,
    vout,
    current,
    fs,
    *,
    modulator=None,
    load="resistive",
    synchronous=False,
    max_duty=0.97,
    source=(),
):
    """Build an open-loop converter; voltage mode with a ramp of 1 V unless told otherwise, so that control is duty."""
    vin, vout, current = np.broadcast_arrays(np.atleast_1d(np.asarray(vin, float)), vout, current)
    return Converter(
        topology=topology,
        stage=stage,
        period=1.0 / fs,
        input_voltage=vin.astype(float),
        output_voltage=vout.astype(float),
        load_current=current.astype(float),
        load=load,
        synchronous=synchronous,
        modulator=VoltageMode(ramp=1.0) if modulator is None else modulator,
        max_duty=max_duty,
        source=source,
    )


def point_at(conv, duty):
    """State a duty in continuous conduction without solving for it: the averaged model needs no more."""
    posed = pose(conv)
    b, n = posed.network.state_scale.shape
    zero = np.zeros((b, n))
    return OperatingPoint(
        problem=posed,
        inputs=posed.inputs,
        sequence=continuous(np.broadcast_to(np.asarray(duty, float), (b,)).copy()),
        states=np.repeat(zero[:, None], 3, axis=1),
    )


def averaged_at(conv, duty):
    """Average a converter at exactly this duty, free of what ripple does to the duty of the switched circuit."""
    return average(point_at(conv, duty), conv.modulator)


def trap_stage(*, damper=None, coupling=0.0):
    """Give the SEPIC whose coupling-capacitor resonance is unstable at low line with the current loop alone closed."""
    return two_inductor(
        22e-6, 22e-6, 4e-6, 100e-6, r1=0.03, r2=0.03, esr1=0.005, esr2=0.01, coupling=coupling, damper=damper,
        switch=0.02, diode=0.02, drop=0.5,
    )  # fmt: skip


def trap(vin, *, damper=None, coupling=0.0, current=1.25, load="resistive", synchronous=False):
    """Build that SEPIC: 300 kHz, 15 V, 0.05 V/A, slope 0.4 of the sensed down-slope V (1/L1 + 1/L2) (per inductor pair)."""
    stage = trap_stage(damper=damper, coupling=coupling)
    modulator = PeakCurrentMode(sense_gain=0.05, slope=0.4 * 0.05 * 15.0 * (2.0 / 22e-6))
    return converter(SEPIC, stage, vin, 15.0, current, 300e3, modulator=modulator, load=load, synchronous=synchronous)


def scaled(conv, factor):
    """Scale every impedance of a converter by a factor, its load included; voltages and times stay."""
    s = conv.stage
    if s.damper is not None or s.L2 is None:
        raise ValueError("written for two inductors without a damper")

    def inductor(v):
        return InductorValue(inductance=v.inductance * factor, resistance=v.resistance * factor)

    def capacitor(v):
        return CapacitorValue(capacitance=v.capacitance / factor, esr=v.esr * factor)

    stage = replace(
        s,
        L1=inductor(s.L1),
        L2=inductor(s.L2),
        Cs=capacitor(s.Cs),
        Co=tuple(capacitor(c) for c in s.Co),
        switch_resistance=s.switch_resistance * factor,
        diode_resistance=s.diode_resistance * factor,
    )
    modulator = conv.modulator
    if isinstance(modulator, PeakCurrentMode):
        modulator = replace(modulator, sense_gain=modulator.sense_gain * factor)
    return replace(conv, stage=stage, load_current=conv.load_current / factor, modulator=modulator)
