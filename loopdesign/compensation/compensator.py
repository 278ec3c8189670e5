"""Error amplifiers and the networks around them: closed-form response, features by name, and the netlist.

The network runs from node ``sense`` (top of the divider) over ``feedback`` to ``control`` (input of the comparator). A
response is C = -v(control)/v(sense), so that the loop gain of plant and compensator is T = P C.

Admittances, with s = 2 pi i f::

    Yu = 1/upper + s feedforward + s C3/(1 + s R2 C3)      sense to feedback
    Yl = 1/lower                                           feedback to ground
    Yn = s C2 + s C1/(1 + s R1 C1)                         the network of R1, C1, C2

    transconductance   C = gm Yu/(Yu + Yl) / (Yn + 1/output_resistance)       network from control to ground
    operational        C = Yu / (Yn + (Yu + Yl + Yn)/A)                       network from feedback to control
    shunt optocoupler  C = transfer_ratio pull_up/led_resistance / (1 + i f/bandwidth) (1 + operational C)

with 1/A = 1/dc_gain + i f/gain_bandwidth, the one-pole amplifier. A shunt regulator with an optocoupler feeds its light
source from the output itself, hence the 1 beside the operational response.

A new amplifier provides: a frozen dataclass of its parameters, its line in `compensator_response`, its elements in
`compensator_netlist` and its corner frequencies in `loopdesign.features`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from loopdesign.network.elements import GROUND, Amplifier, Capacitor, Element, Resistor, Transconductor, VoltageSource

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

Value = float | NDArray[np.float64]
NetworkType = Literal["type I", "type II", "type III"]

BUFFER_TRANSCONDUCTANCE = (
    1e-3  # [S] of the stage that makes an operational amplifier's pole; drops out of every response
)
FILTER_RESISTANCE = 1e3  # [ohm] of the stage that makes the optocoupler's pole; drops out as well


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
    """Describe a programmable shunt regulator driving an optocoupler whose light source is fed from the output.

    The collector pulls the control node down against a pull-up resistor; more output, more light, less control voltage.

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
    """

    transfer_ratio: Value
    bandwidth: Value
    pull_up: Value
    led_resistance: Value
    dc_gain: Value = np.inf
    gain_bandwidth: Value = np.inf

    def __post_init__(self) -> None:
        """Refuse values that are not positive."""
        _require_positive(self)


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


def compensator_response(
    amplifier: ErrorAmplifier, divider: Divider, parts: NetworkParts, frequencies_hz: ArrayLike
) -> NDArray[np.complex128]:
    """Return the response C = -v(control)/v(sense) in closed form; see the head of the module for the equations.

    Parameters
    ----------
    amplifier : TransconductanceAmplifier, OperationalAmplifier or ShuntOptocoupler
        Error amplifier.
    divider : Divider
        Divider with its feed-forward capacitor.
    parts : NetworkParts
        Compensation network.
    frequencies_hz : array_like (F,) or (B, F)
        Frequencies; 0 is allowed where the dc gain is finite [Hz].

    Returns
    -------
    ndarray (..., F)
        Response; leading axes are those of the values broadcast together [unitless].
    """
    f = np.asarray(frequencies_hz, dtype=np.float64)
    s = np.asarray(2j * np.pi * f, dtype=np.complex128)
    upper = 1.0 / _axis(divider.upper) + s * _axis(divider.feedforward) + _series(s, parts.R2, parts.C3)
    lower = 1.0 / _axis(divider.lower)
    network = s * _axis(parts.C2) + _series(s, parts.R1, parts.C1)
    if isinstance(amplifier, TransconductanceAmplifier):
        load = network + 1.0 / _axis(amplifier.output_resistance)
        return np.asarray(_axis(amplifier.gm) * upper / (upper + lower) / load)
    inverse_gain = 1.0 / _axis(amplifier.dc_gain) + 1j * f / _axis(amplifier.gain_bandwidth)
    operational = upper / (network + (upper + lower + network) * inverse_gain)
    if isinstance(amplifier, OperationalAmplifier):
        return np.asarray(operational)
    return np.asarray(optocoupler_factor(amplifier, f) * (1.0 + operational))


def optocoupler_factor(amplifier: ShuntOptocoupler, frequencies_hz: ArrayLike) -> NDArray[np.complex128]:
    """Return the response from the voltage across light source and its resistor to the fall of the control node.

    Parameters
    ----------
    amplifier : ShuntOptocoupler
        Shunt regulator with optocoupler.
    frequencies_hz : array_like (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (..., F)
        transfer_ratio pull_up/led_resistance / (1 + i f/bandwidth) [unitless].
    """
    gain = _axis(amplifier.transfer_ratio) * _axis(amplifier.pull_up) / _axis(amplifier.led_resistance)
    return np.asarray(gain / (1.0 + 1j * np.asarray(frequencies_hz, dtype=np.float64) / _axis(amplifier.bandwidth)))


def compensator_netlist(amplifier: ErrorAmplifier, divider: Divider, parts: NetworkParts) -> tuple[Element, ...]:
    """Return divider, network, amplifier and the source ``reference`` as elements of a netlist.

    Series resistors of capacitors are given as the capacitors' own series resistance, and capacitors that would lie in
    parallel without any resistance are merged. The pull-up supply of an optocoupler is constant and stands at ground
    here: it shifts the dc level of the control node's equation, which the reference takes up when it is solved for.

    Parameters
    ----------
    amplifier : TransconductanceAmplifier, OperationalAmplifier or ShuntOptocoupler
        Error amplifier.
    divider : Divider
        Divider with its feed-forward capacitor.
    parts : NetworkParts
        Compensation network.

    Returns
    -------
    tuple of Element
        From node ``sense`` to node ``control``, with the node ``reference`` driven by the source of that name.

    Raises
    ------
    ValueError
        When a part is fitted in some items of a batch only, or an operational amplifier has neither finite dc gain nor
        finite gain-bandwidth.
    """
    elements: list[Element] = [
        VoltageSource(name="reference", a="reference", b=GROUND),
        Resistor(name="upper", a="sense", b="feedback", resistance=divider.upper),
        *_branches(("feedforward", "C3"), ("sense", "feedback"), divider.feedforward, parts.R2, parts.C3),
    ]
    if _present("the lower divider resistor", 1.0 / np.asarray(divider.lower)):
        elements.append(Resistor(name="lower", a="feedback", b=GROUND, resistance=divider.lower))
    if isinstance(amplifier, TransconductanceAmplifier):
        elements += _branches(("C2", "C1"), ("control", GROUND), parts.C2, parts.R1, parts.C1)
        elements.append(
            Transconductor(name="amplifier", a=GROUND, b="control", plus="reference", minus="feedback", gm=amplifier.gm)
        )
        if _present("the output resistance", 1.0 / np.asarray(amplifier.output_resistance)):
            elements.append(
                Resistor(name="output resistance", a="control", b=GROUND, resistance=amplifier.output_resistance)
            )
        return tuple(elements)
    output = "control" if isinstance(amplifier, OperationalAmplifier) else "cathode"
    elements += _branches(("C2", "C1"), ("feedback", output), parts.C2, parts.R1, parts.C1)
    elements += _operational_elements(amplifier, output)
    if isinstance(amplifier, ShuntOptocoupler):
        elements += _optocoupler_elements(amplifier)
    return tuple(elements)


def _operational_elements(amplifier: OperationalAmplifier | ShuntOptocoupler, output: str) -> list[Element]:
    """Return a transconductor into R parallel C, R gm = dc gain and gm/(2 pi C) = gain-bandwidth, and a buffer."""
    dc_gain, bandwidth = np.asarray(amplifier.dc_gain), np.asarray(amplifier.gain_bandwidth)
    finite_gain = _present("a finite dc gain", 1.0 / dc_gain)
    if not _present("a finite gain-bandwidth", 1.0 / bandwidth):
        if not finite_gain:
            raise ValueError("a netlist needs a finite dc gain or a finite gain-bandwidth of the amplifier")
        return [
            Amplifier(name="amplifier", a=output, b=GROUND, plus="reference", minus="feedback", gain=amplifier.dc_gain)
        ]
    gm = BUFFER_TRANSCONDUCTANCE
    elements: list[Element] = [
        Transconductor(name="amplifier", a=GROUND, b="amplifier", plus="reference", minus="feedback", gm=gm),
        Capacitor(name="amplifier pole", a="amplifier", b=GROUND, capacitance=gm / (2 * np.pi * bandwidth)),
        Amplifier(name="amplifier buffer", a=output, b=GROUND, plus="amplifier", minus=GROUND, gain=1.0),
    ]
    if finite_gain:
        elements.append(Resistor(name="amplifier gain", a="amplifier", b=GROUND, resistance=dc_gain / gm))
    return elements


def _optocoupler_elements(amplifier: ShuntOptocoupler) -> list[Element]:
    """Return the light source's resistor, the filtered transfer ratio and the pull-up resistor."""
    transfer = amplifier.transfer_ratio / amplifier.led_resistance
    elements: list[Element] = [
        Resistor(name="light source", a="sense", b="cathode", resistance=amplifier.led_resistance),
        Resistor(name="pull-up", a="control", b=GROUND, resistance=amplifier.pull_up),
    ]
    if not _present("a finite bandwidth", 1.0 / np.asarray(amplifier.bandwidth)):
        collector = Transconductor(name="collector", a="control", b=GROUND, plus="sense", minus="cathode", gm=transfer)
        return [*elements, collector]
    capacitance = 1.0 / (2 * np.pi * amplifier.bandwidth * FILTER_RESISTANCE)
    gm = 1.0 / FILTER_RESISTANCE
    return [
        *elements,
        Transconductor(name="light", a=GROUND, b="light", plus="sense", minus="cathode", gm=transfer),
        Resistor(name="light filter", a="light", b=GROUND, resistance=FILTER_RESISTANCE),
        Capacitor(name="optocoupler pole", a="light", b=GROUND, capacitance=capacitance),
        Transconductor(name="collector", a="control", b=GROUND, plus="light", minus=GROUND, gm=gm),
    ]


def _branches(
    names: tuple[str, str], nodes: tuple[str, str], plain: Value, resistance: Value, capacitance: Value
) -> list[Element]:
    """Return a capacitor without and one with series resistance; merged when neither has one."""
    a, b = nodes
    fitted = _present(names[1], capacitance)
    if fitted and not _present(f"the resistor of {names[1]}", resistance):
        plain, fitted = np.asarray(plain) + capacitance, False
        names = (names[1], names[1])
    elements: list[Element] = []
    if _present(names[0], plain):
        elements.append(Capacitor(name=f"compensation {names[0]}", a=a, b=b, capacitance=plain))
    if fitted:
        elements.append(Capacitor(name=f"compensation {names[1]}", a=a, b=b, capacitance=capacitance, esr=resistance))
    return elements


def _present(what: str, value: ArrayLike) -> bool:
    """Tell whether a part is fitted (not zero), which every item of a batch must agree on."""
    fitted = np.asarray(value) != 0
    if fitted.any() != fitted.all():
        raise ValueError(f"{what} is fitted in some items of the batch only; split the batch")
    return bool(fitted.all())


def _axis(value: Value) -> NDArray[np.float64]:
    """Give a value (B,) a last axis for the frequencies."""
    return np.asarray(value, dtype=np.float64)[..., np.newaxis]


def _series(s: NDArray[np.complex128], resistance: Value, capacitance: Value) -> NDArray[np.complex128]:
    """Return the admittance of a resistor in series with a capacitor."""
    r, c = _axis(resistance), _axis(capacitance)
    return np.asarray(s * c / (1.0 + s * r * c))


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
