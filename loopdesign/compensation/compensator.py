"""Error amplifiers, the divider and the compensation networks: what they are made of.

A new amplifier provides: a frozen dataclass of its parameters here, its line in `response.compensator_response`, its
elements in `netlist.compensator_netlist` and its corner frequencies in `features`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

Value = float | NDArray[np.float64]
NetworkType = Literal["type I", "type II", "type III"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TransconductanceAmplifier:
    """Describe an error amplifier with current output.

    Parameters
    ----------
    gm : float or ndarray (B,)
        Transconductance [S], positive.
    output_resistance : float or ndarray (B,)
        Resistance of the output to ground, infinity allowed [ohm].
    """

    gm: Value
    output_resistance: Value = np.inf

    def __post_init__(self) -> None:
        """Refuse values that are not positive."""
        _require_positive(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class OperationalAmplifier:
    """Describe an error amplifier with voltage output and one pole.

    Parameters
    ----------
    dc_gain : float or ndarray (B,)
        Gain at dc as a ratio, infinity allowed [unitless].
    gain_bandwidth : float or ndarray (B,)
        Frequency where the gain would reach one, infinity allowed [Hz].
    """

    dc_gain: Value = np.inf
    gain_bandwidth: Value = np.inf

    def __post_init__(self) -> None:
        """Refuse values that are not positive."""
        _require_positive(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntOptocoupler:
    """Describe a programmable shunt regulator driving an optocoupler.

    The collector pulls the control node down against a pull-up resistor; more output, more light, less control voltage.
    Fed from the output, the light source follows the output also past the regulator, through its resistor.

    Parameters
    ----------
    transfer_ratio : float or ndarray (B,)
        Collector current over the current of the light source [unitless].
    bandwidth : float or ndarray (B,)
        Pole of the transfer ratio, infinity allowed [Hz].
    pull_up : float or ndarray (B,)
        Resistor from the control node to its fixed supply [ohm].
    led_resistance : float or ndarray (B,)
        Resistor in series with the light source [ohm].
    dc_gain : float or ndarray (B,)
        Gain of the regulator from its reference pin to its cathode at dc, as a ratio, infinity allowed [unitless].
    gain_bandwidth : float or ndarray (B,)
        Frequency where that gain would reach one, infinity allowed [Hz].
    fed_from_output : bool
        Whether the light source is fed from the sensed output; False where a constant supply feeds it [unitless].
    """

    transfer_ratio: Value
    bandwidth: Value
    pull_up: Value
    led_resistance: Value
    dc_gain: Value = np.inf
    gain_bandwidth: Value = np.inf
    fed_from_output: bool = True

    def __post_init__(self) -> None:
        """Refuse values that are not positive."""
        _require_positive(self, skip=("fed_from_output",))


ErrorAmplifier = TransconductanceAmplifier | OperationalAmplifier | ShuntOptocoupler


@dataclass(frozen=True, slots=True, kw_only=True)
class Divider:
    """Describe the divider from the output to the feedback node.

    Parameters
    ----------
    upper : float or ndarray (B,)
        Resistor from the sensed output to the feedback node [ohm].
    lower : float or ndarray (B,)
        Resistor from the feedback node to ground, infinity where there is none [ohm].
    feedforward : float or ndarray (B,)
        Capacitor across the upper resistor, 0 where not fitted [F].
    """

    upper: Value
    lower: Value = np.inf
    feedforward: Value = 0.0

    def __post_init__(self) -> None:
        """Refuse resistors that are not positive and a negative capacitor."""
        _require_positive(self, may_be_zero=("feedforward",))

    @property
    def ratio(self) -> Value:
        """Feedback voltage over output voltage at dc [unitless]."""
        # Written with one division so that an infinite lower resistor gives one.
        return 1.0 / (1.0 + self.upper / self.lower)


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkParts:
    """Hold the parts of a compensation network; a capacitor of 0 is not fitted.

    Parameters
    ----------
    network : {"type I", "type II", "type III"}
        Type I is C1 alone, type II adds R1 in series with it and C2 in parallel with both, type III adds R2 in series
        with C3 across the upper divider resistor.
    R1, R2 : float or ndarray (B,)
        Resistors, 0 allowed [ohm].
    C1, C2, C3 : float or ndarray (B,)
        Capacitors [F].

    Raises
    ------
    ValueError
        When a value is negative, C1 is missing, or a part does not belong to the network.
    """

    network: NetworkType
    C1: Value
    R1: Value = 0.0
    C2: Value = 0.0
    R2: Value = 0.0
    C3: Value = 0.0

    def __post_init__(self) -> None:
        """Refuse negative values and parts that do not belong to the network."""
        if self.network not in get_args(NetworkType):
            raise ValueError(f"network must be one of {', '.join(get_args(NetworkType))}, got {self.network!r}")
        _require_positive(self, may_be_zero=("R1", "C2", "R2", "C3"), skip=("network",))
        foreign = {"type I": ("C2", "R2", "C3"), "type II": ("R2", "C3"), "type III": ()}[self.network]
        present = [name for name in foreign if np.any(np.asarray(getattr(self, name)) > 0)]
        if present:
            raise ValueError(f"a {self.network} network has no {', '.join(present)}")


def _require_positive(record: object, *, may_be_zero: tuple[str, ...] = (), skip: tuple[str, ...] = ()) -> None:
    """Refuse values of a dataclass that are not numbers, negative, or zero where that means nothing."""
    for entry in fields(record):  # type: ignore[arg-type]
        if entry.name in skip:
            continue
        value = np.asarray(getattr(record, entry.name), dtype=np.float64)
        allowed = value >= 0 if entry.name in may_be_zero else value > 0
        if not allowed.all():
            limit = "zero or positive" if entry.name in may_be_zero else "positive"
            raise ValueError(f"{entry.name} must be {limit}, got {getattr(record, entry.name)}")
