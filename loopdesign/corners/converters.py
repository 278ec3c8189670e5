"""From a case to batches of converters: corners of line, load, temperature and tolerance, capacitors at their bias."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.compensation.compensator import (
    Divider,
    NetworkParts,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.corners.conditions import Corners, capacitor_value, warm
from loopdesign.corners.input_filter import filter_elements
from loopdesign.models.averaged import average_state
from loopdesign.network.converter import Converter
from loopdesign.network.modulator import Modulator, PeakCurrentMode, VoltageMode
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.network.topologies.base import DamperValue, InductorValue, StageValues
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.compensation.compensator import ErrorAmplifier
    from loopdesign.network.elements import Element
    from loopdesign.orbit.steady import Guess, OperatingPoint

BIAS_ROUNDS = 4
"""Rounds to resolve capacitors at their bias; the bias hardly depends on the capacitance, so two would do."""

Value: TypeAlias = "float | NDArray[np.float64]"


def line_load_corners(case: cases.Case) -> Corners:
    """Every listed input voltage times every listed load current, at nominal temperature and nominal parts."""
    voltage, current = np.meshgrid(
        case.specification.input_voltage.values, case.specification.output_current.values, indexing="ij"
    )
    return Corners(
        input_voltage=voltage.ravel(),
        load_current=current.ravel(),
        temperature=np.full(voltage.size, case.nominal_temperature),
    )


def one_corner(case: cases.Case, input_voltage: float, load_current: float) -> Corners:
    """Make a batch of a single operating condition with nominal parts."""
    return Corners(
        input_voltage=np.array([input_voltage]),
        load_current=np.array([load_current]),
        temperature=np.array([case.nominal_temperature]),
    )


def open_loop(case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]] | None = None) -> Converter:
    """Build the power stage of a case at a batch of corners, loop open.

    Parameters
    ----------
    case
        The case.
    corners
        Operating conditions.
    bias
        Average voltage (B,) [V] of capacitors that have a bias curve; none stands for no bias.

    Returns
    -------
    Converter
        Loop open.
    """
    return Converter(
        topology=TOPOLOGIES[case.converter.topology],
        stage=stage_values(case, corners, bias or {}),
        period=1.0 / case.converter.switching_frequency,
        input_voltage=corners.input_voltage,
        output_voltage=np.full(len(corners), case.specification.output_voltage),
        load_current=corners.load_current,
        load=case.specification.load,
        synchronous=case.converter.rectifier == "synchronous",
        modulator=_modulator(case),
        max_duty=case.modulator.max_duty,
        source=filter_elements(case, corners, bias or {}),
    )


def solved(case: cases.Case, corners: Corners, guess: Guess | None = None) -> tuple[Converter, OperatingPoint]:
    """Build the open-loop converter with every capacitor at its own bias, and solve its operating point.

    Raises
    ------
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    converter = open_loop(case, corners)
    point = operating_point(converter, guess)
    if not _bias_curves(case):
        return converter, point
    bias = _bias(case, point)
    for _ in range(BIAS_ROUNDS):
        converter = open_loop(case, corners, bias)
        point = operating_point(converter)
        again = _bias(case, point)
        change = max(float(np.abs(again[k] - bias[k]).max()) for k in bias)
        bias = again
        if change < 1e-6 * case.specification.output_voltage:
            break
    return converter, point


def _bias_curves(case: cases.Case) -> dict[str, tuple[tuple[float, float], ...]]:
    """Bias curves by the capacitor's name in the netlist."""
    bank = case.stage.Co
    parts = {"Co" if len(bank) == 1 else f"Co{i + 1}": c for i, c in enumerate(bank)}
    if getattr(case.stage, "Cs", None) is not None:
        parts["Cs"] = case.stage.Cs  # type: ignore[union-attr]
    if case.input_filter is not None:
        parts["Cf"] = case.input_filter.C
    return {name: c.bias_curve for name, c in parts.items() if c.bias_curve is not None}


def _bias(case: cases.Case, point: OperatingPoint) -> dict[str, NDArray[np.float64]]:
    """Average voltage (B,) [V] of each capacitor that has a bias curve."""
    states = point.network.states
    mean = average_state(point) / point.network.state_scale
    return {name: np.abs(mean[:, states.index(f"v({name})")]) for name in _bias_curves(case)}


def _inductor(part: cases.InductorEntry, name: str, corners: Corners) -> InductorValue:
    return InductorValue(
        inductance=part.inductance * corners.factor(f"{name}.inductance"),
        resistance=warm(part.resistance, part.temperature_coefficient, corners),
    )


def stage_values(case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]]) -> StageValues:
    """Resolve every power part at a batch of corners."""
    stage = case.stage
    bank = stage.Co
    diode = stage.diode
    values = StageValues(
        L1=_inductor(stage.L1, "L1", corners),
        Co=tuple(
            capacitor_value(c, "Co" if len(bank) == 1 else f"Co{i + 1}", corners, bias) for i, c in enumerate(bank)
        ),
        switch_resistance=warm(stage.switch.resistance, stage.switch.temperature_coefficient, corners),
        diode_resistance=0.0 if diode is None else warm(diode.resistance, diode.temperature_coefficient, corners),
        diode_drop=0.0 if diode is None else diode.drop,
    )
    two = getattr(stage, "L2", None)
    if two is not None:
        damper = stage.damper  # type: ignore[union-attr]
        values = replace(
            values,
            L2=_inductor(two, "L2", corners),
            coupling=stage.coupling,  # type: ignore[union-attr]
            Cs=capacitor_value(stage.Cs, "Cs", corners, bias),  # type: ignore[union-attr]
            damper=None
            if damper is None
            else DamperValue(
                resistance=damper.resistance * corners.factor("damper.resistance"),
                capacitance=damper.capacitance * corners.factor("damper.capacitance"),
            ),
        )
    if getattr(stage, "turns", None) is not None:
        values = replace(
            values,
            turns=stage.turns,  # type: ignore[union-attr]
            secondary_resistance=warm(
                stage.secondary_resistance,  # type: ignore[union-attr]
                stage.secondary_temperature_coefficient,  # type: ignore[union-attr]
                corners,
            ),
        )
    return values


def _modulator(case: cases.Case) -> Modulator:
    """Return the comparator of the case; an open slope counts as none."""
    m = case.modulator
    if m.scheme == "voltage":
        return VoltageMode(ramp=m.ramp)
    return PeakCurrentMode(sense_gain=m.sense_gain, slope=m.slope or 0.0)


def amplifier(case: cases.Case, corners: Corners | None = None) -> ErrorAmplifier:
    """Error amplifier of the case, at the corners' tolerances where given.

    Raises
    ------
    ValueError
        Where the case has none.
    """
    given = case.error_amplifier
    if given is None:
        raise ValueError("the case has no [error_amplifier]")
    factor = (lambda _name: 1.0) if corners is None else corners.factor
    if given.kind == "transconductance":
        return TransconductanceAmplifier(gm=given.gm * factor("gm"), output_resistance=given.output_resistance)
    gain = 10.0 ** (given.dc_gain / 20.0)
    if given.kind == "operational":
        return OperationalAmplifier(dc_gain=gain, gain_bandwidth=given.gain_bandwidth)
    return ShuntOptocoupler(
        transfer_ratio=given.transfer_ratio * factor("transfer_ratio"),
        # the phototransistor's capacitance meets its load: common practice
        bandwidth=given.bandwidth * (given.bandwidth_load or given.pull_up) / given.pull_up,
        pull_up=given.pull_up,
        led_resistance=given.led_resistance,
        dc_gain=gain,
        gain_bandwidth=given.gain_bandwidth,
    )


def divider(case: cases.Case, corners: Corners | None = None) -> Divider:
    """Divider of the case; the upper resistor follows from output and reference unless given.

    Raises
    ------
    ValueError
        Where the case has no divider or no error amplifier.
    """
    if case.divider is None or case.error_amplifier is None:
        raise ValueError("the case has no [divider] or no [error_amplifier]")
    lower = case.divider.lower
    ratio = case.specification.output_voltage / case.error_amplifier.reference - 1.0
    upper = case.divider.upper if case.divider.upper is not None else lower * ratio
    factor = (lambda _name: 1.0) if corners is None else corners.factor
    return Divider(
        upper=upper * factor("divider.upper"),
        lower=lower * factor("divider.lower"),
        feedforward=case.divider.feedforward,
    )


def network_parts(case: cases.Case, parts: Mapping[str, float], corners: Corners | None = None) -> NetworkParts:
    """Compensation network of the case with the given part values, at the corners' tolerances where given."""
    network = case.compensation.network if case.compensation is not None else "type II"
    values = {}
    for name in ("R1", "C1", "C2", "R2", "C3"):
        value = parts.get(name, 0.0)
        values[name] = value * corners.factor(f"compensation.{name}") if corners is not None and value else value
    return NetworkParts(network=network, **values)


def compensation(case: cases.Case, parts: Mapping[str, float], corners: Corners | None = None) -> tuple[Element, ...]:
    """Compensation network of the case as elements of the closed loop's netlist."""
    return compensator_netlist(amplifier(case, corners), divider(case, corners), network_parts(case, parts, corners))
