"""From a case to batches of converters: corners of line, load, temperature and tolerance, capacitors at their bias."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign import case as cases
from loopdesign.compensation.compensator import (
    Divider,
    NetworkParts,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.corners.conditions import Corners, warm
from loopdesign.corners.custom.elements import custom_topology
from loopdesign.corners.input_filter import filter_elements
from loopdesign.corners.not_modelled import refuse_not_modelled
from loopdesign.corners.output_filter import output_filter
from loopdesign.corners.power_stage import curved, registered_topology, stage_values
from loopdesign.network.converter import Converter
from loopdesign.network.modulator import Modulator, PeakCurrentMode, VoltageMode
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.waveforms import average_state

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.compensation.compensator import ErrorAmplifier
    from loopdesign.network.elements import Element
    from loopdesign.network.topologies.base import Topology
    from loopdesign.orbit.operating_point import Guess
    from loopdesign.orbit.problem import OperatingPoint

BIAS_ROUNDS = 4
"""Rounds to resolve parts at their bias and current, which hardly depend on the values, so that two would do."""

DIRECT = 1.0
"""Resistance [ohm] that stands for a direct connection to an input that draws no current."""

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


def base_corners(case: cases.Case) -> Corners:
    """Every listed input voltage times load current times temperature of the case, nominal parts."""
    s = case.specification
    degrees = [case.nominal_temperature] if s.temperature is None else list(s.temperature.values)
    grid = np.meshgrid(s.input_voltage.values, s.output_current.values, degrees, indexing="ij")
    voltage, current, temperature = (np.asarray(g, float).ravel() for g in grid)
    return Corners(input_voltage=voltage, load_current=current, temperature=temperature)


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
        Average voltage (B,) [V] of capacitors and current (B,) [A] of inductors that have a curve; none where absent.

    Returns
    -------
    Converter
        Loop open.
    """
    refuse_not_modelled(case)
    return _open_loop(case, corners, bias or {}, topology_of(case))


def topology_of(case: cases.Case) -> Topology:
    """Return the topology of a case; a stage of the user's own is followed to find what its rectifiers carry.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    Topology
        Its netlist, switches and rectifiers.
    """
    stage = case.stage
    if not isinstance(stage, cases.CustomStage):
        return registered_topology(case)
    count = len(stage.rectifiers)
    if count <= 1 or case.converter.rectifier == "synchronous":
        return custom_topology(stage, 0, (1 << count) - 1)
    return _followed_topology(case, stage)


@lru_cache(maxsize=64)
def _followed_topology(case: cases.Case, stage: cases.CustomStage) -> Topology:
    """Topology of a stage with several rectifiers, at nominal line and full load."""
    from loopdesign.corners.custom.pattern import followed_topology  # noqa: PLC0415  (few stages need it)

    s = case.specification
    nominal = one_corner(case, s.input_voltage.nominal, s.output_current.highest)
    return followed_topology(
        case, stage, lambda at, made: _open_loop(case, at, {}, made), nominal, line_load_corners(case)
    )


def _open_loop(
    case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]], topology: Topology
) -> Converter:
    """Build the power stage with its topology."""
    # what is regulated moves with its reference and its sense: the current of the load, or the output
    moved = regulated_factor(case, corners)
    if case.current_sense is not None:
        corners, moved = _at_current(corners, moved), np.ones(len(corners))
    s, filtered = case.specification, case.output_filter
    behind, filter_resistance = output_filter(case, corners, bias)
    string = s.voltage_load if s.load == "voltage" else None
    return Converter(
        topology=topology,
        stage=stage_values(case, corners, bias),
        period=1.0 / case.converter.switching_frequency,
        input_voltage=corners.input_voltage,
        output_voltage=_load_voltage(case, corners) * moved,
        load_current=corners.load_current,
        load=s.load,
        synchronous=case.converter.rectifier == "synchronous" or not topology.devices.rectifiers,
        modulator=modulator(case, corners),
        max_duty=case.modulator.max_duty,
        source=filter_elements(case, corners, bias),
        output_filter=behind,
        filter_resistance=filter_resistance,
        sense="after" if filtered is None else filtered.sense,
        load_drop=0.0 if string is None else _load_voltage(case, corners) - string.resistance * corners.load_current,
        load_resistance=0.0 if string is None else string.resistance,
        current_sense=_current_sense(case, corners),
        turn_off_delay=case.modulator.turn_off_delay,
        blanking=case.modulator.blanking,
    )


def solved(case: cases.Case, corners: Corners, guess: Guess | None = None) -> tuple[Converter, OperatingPoint]:
    """Build the open-loop converter with every part at its own bias and current, and solve its operating point.

    Raises
    ------
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    converter = open_loop(case, corners)
    point = operating_point(converter, guess)
    if not curved(case):
        return converter, point
    bias = averages(case, point)
    for _ in range(BIAS_ROUNDS):
        converter = open_loop(case, corners, bias)
        point = operating_point(converter, point.sequence)
        before, bias = bias, averages(case, point)
        if _settled(bias, before):
            break
    return converter, point


def averages(case: cases.Case, point: OperatingPoint) -> dict[str, NDArray[np.float64]]:
    """Read the average voltage [V] or current [A] (B,) of each part whose value depends on it.

    Parameters
    ----------
    case
        The case.
    point
        Operating points of its converter.

    Returns
    -------
    dict of str to ndarray
        Magnitudes (B,) by the part's name in the netlist; empty where no part has such a curve.
    """
    states = point.network.states
    mean = average_state(point) / point.network.state_scale
    return {name: np.abs(mean[:, states.index(state)]) for name, state in curved(case).items()}


def _settled(again: Mapping[str, NDArray[np.float64]], before: Mapping[str, NDArray[np.float64]]) -> bool:
    """Whether another round moved no average by more than a millionth of the largest of its kind."""
    return all(np.abs(again[k] - before[k]).max() <= 1e-6 * np.abs(again[k]).max() for k in again)


def _at_current(corners: Corners, factor: NDArray[np.float64]) -> Corners:
    """Scale the load current of corners."""
    return replace(corners, load_current=corners.load_current * factor)


def _load_voltage(case: cases.Case, corners: Corners) -> NDArray[np.float64]:
    """Average voltage (B,) [V] that the loop holds, or that the load has where its current is regulated."""
    given = case.specification
    if given.regulate == "voltage":
        return np.full(len(corners), given.output_voltage)
    return given.voltage_load.drop + given.voltage_load.resistance * corners.load_current


def _current_sense(case: cases.Case, corners: Corners) -> Value | None:
    """Resistance [ohm] at the ground end of the load, None where the output voltage is regulated."""
    given = case.current_sense
    if given is None:
        return None
    return warm(given.resistance, given.temperature_coefficient, corners) * corners.factor("current_sense.resistance")


def has_feedback(case: cases.Case) -> bool:
    """Return whether the case says what the error amplifier sees: a divider, or a resistor that senses the current."""
    return case.error_amplifier is not None and (case.divider is not None or case.current_sense is not None)


def regulated_factor(case: cases.Case, corners: Corners) -> NDArray[np.float64]:
    """Regulated quantity over its nominal value (B,) [unitless]: what reference and its sense make of it."""
    reference = np.broadcast_to(np.asarray(reference_factor(case, corners), float), (len(corners),))
    if case.error_amplifier is None:
        return np.ones(len(corners))
    if case.current_sense is not None:
        sense = case.current_sense
        cold = replace(corners, temperature=np.full(len(corners), case.nominal_temperature))
        nominal = warm(sense.resistance, sense.temperature_coefficient, cold)
        return np.asarray(reference * nominal / np.asarray(_current_sense(case, corners)))
    if case.divider is None:
        return np.ones(len(corners))
    upper, lower = corners.factor("divider.upper"), corners.factor("divider.lower")
    ratio = case.specification.output_voltage / case.error_amplifier.reference - 1.0
    return np.asarray(reference * (1.0 + ratio * np.asarray(upper) / np.asarray(lower)) / (1.0 + ratio))


def modulator(case: cases.Case, corners: Corners) -> Modulator:
    """Return the comparator of the case at its corners; an open slope counts as zero."""
    m = case.modulator
    if m.scheme == "voltage":
        return VoltageMode(ramp=m.ramp)
    gain = warm(m.sense_gain, m.sense_gain_temperature_coefficient, corners)
    slope = warm(m.slope or 0.0, m.slope_temperature_coefficient, corners)
    return PeakCurrentMode(sense_gain=gain * corners.factor("sense_gain"), slope=slope * corners.factor("slope"))


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
        gm = given.gm if corners is None else warm(given.gm, given.gm_temperature_coefficient, corners)
        return TransconductanceAmplifier(
            gm=gm * factor("gm"), output_resistance=given.output_resistance * factor("output_resistance")
        )
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
        fed_from_output=given.led_supply is None,
    )


def reference_factor(case: cases.Case, corners: Corners) -> Value:
    """Return the reference of each corner over its value at the nominal temperature (B,) or one number [unitless]."""
    factor = corners.factor("reference")
    if case.error_amplifier is None or not case.error_amplifier.reference_temperature_coefficient:
        return factor
    change = corners.temperature - case.nominal_temperature
    return factor * (1.0 + case.error_amplifier.reference_temperature_coefficient * change)


def divider(case: cases.Case, corners: Corners | None = None) -> Divider:
    """Divider of the case; the upper resistor follows from output and reference unless given.

    A sensed current reaches the amplifier undivided: through its input resistor, or directly.

    Raises
    ------
    ValueError
        Where the case has neither divider nor current sense, or no error amplifier.
    """
    if case.current_sense is not None:
        return Divider(upper=case.current_sense.input_resistance or DIRECT)
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
