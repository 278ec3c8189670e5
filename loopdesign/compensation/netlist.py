"""Error amplifier, divider and network as elements of a netlist, for the exact closed loop.

The nodes are those of the closed form in `response`: ``sense`` (top of the divider), ``feedback`` and ``control``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.compensation.compensator import (
    Divider,
    ErrorAmplifier,
    NetworkParts,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
    Value,
)
from loopdesign.network.elements import GROUND, Amplifier, Capacitor, Element, Resistor, Transconductor, VoltageSource

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


BUFFER_TRANSCONDUCTANCE = 1e-3
"""Transconductance [S] of the stage that makes an operational amplifier's pole; drops out of every response."""
FILTER_RESISTANCE = 1e3
"""Resistance [ohm] of the stage that makes the optocoupler's pole; drops out as well."""


def compensator_netlist(amplifier: ErrorAmplifier, divider: Divider, parts: NetworkParts) -> tuple[Element, ...]:
    """Return divider, network, amplifier and the source ``reference`` as elements of a netlist.

    Series resistors of capacitors are given as the capacitors' own series resistance, and capacitors that would lie in
    parallel without any resistance are merged, as are one from ``sense`` and one from an amplifier's output that meet
    at the feedback node. The pull-up supply of an optocoupler is constant and stands at ground here, as does a supply
    of its light source other than the output: both shift the dc level of the control node's
    equation, which the reference takes up when it is solved for.

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
    ]
    lead = _branches(("feedforward", "C3"), ("sense", "feedback"), divider.feedforward, parts.R2, parts.C3)
    if _present("the lower divider resistor", 1.0 / np.asarray(divider.lower)):
        elements.append(Resistor(name="lower", a="feedback", b=GROUND, resistance=divider.lower))
    if isinstance(amplifier, TransconductanceAmplifier):
        elements += lead + _branches(("C2", "C1"), ("control", GROUND), parts.C2, parts.R1, parts.C1)
        elements.append(
            Transconductor(name="amplifier", a=GROUND, b="control", plus="reference", minus="feedback", gm=amplifier.gm)
        )
        if _present("the output resistance", 1.0 / np.asarray(amplifier.output_resistance)):
            elements.append(
                Resistor(name="output resistance", a="control", b=GROUND, resistance=amplifier.output_resistance)
            )
        return tuple(elements)
    output = "control" if isinstance(amplifier, OperationalAmplifier) else "cathode"
    elements += _met(lead, _branches(("C2", "C1"), ("feedback", output), parts.C2, parts.R1, parts.C1))
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
    supply = "sense" if amplifier.fed_from_output else GROUND
    elements: list[Element] = [
        Resistor(name="light source", a=supply, b="cathode", resistance=amplifier.led_resistance),
        Resistor(name="pull-up", a="control", b=GROUND, resistance=amplifier.pull_up),
    ]
    if not _present("a finite bandwidth", 1.0 / np.asarray(amplifier.bandwidth)):
        collector = Transconductor(name="collector", a="control", b=GROUND, plus=supply, minus="cathode", gm=transfer)
        return [*elements, collector]
    capacitance = 1.0 / (2 * np.pi * amplifier.bandwidth * FILTER_RESISTANCE)
    gm = 1.0 / FILTER_RESISTANCE
    return [
        *elements,
        Transconductor(name="light", a=GROUND, b="light", plus=supply, minus="cathode", gm=transfer),
        Resistor(name="light filter", a="light", b=GROUND, resistance=FILTER_RESISTANCE),
        Capacitor(name="optocoupler pole", a="light", b=GROUND, capacitance=capacitance),
        Transconductor(name="collector", a="control", b=GROUND, plus="light", minus=GROUND, gm=gm),
    ]


def _branches(
    names: tuple[str, str], nodes: tuple[str, str], plain: Value, resistance: Value, capacitance: Value
) -> list[Capacitor]:
    """Return a capacitor without and one with series resistance; merged when neither has one."""
    a, b = nodes
    fitted = _present(names[1], capacitance)
    if fitted and not _present(f"the resistor of {names[1]}", resistance):
        plain, fitted = np.asarray(plain) + capacitance, False
        names = (names[1], names[1])
    elements: list[Capacitor] = []
    if _present(names[0], plain):
        elements.append(Capacitor(name=f"compensation {names[0]}", a=a, b=b, capacitance=plain))
    if fitted:
        elements.append(Capacitor(name=f"compensation {names[1]}", a=a, b=b, capacitance=capacitance, esr=resistance))
    return elements


def _met(lead: list[Capacitor], across: list[Capacitor]) -> list[Element]:
    """Join a capacitor from ``sense`` and one from an amplifier's output that meet at the feedback node.

    Without resistance both hold the same node between ideal voltages, so that theirs are not independent. Their charges
    at that node, ``Ca (v - va) + Cb (v - vb)``, are those of one capacitor ``Ca + Cb`` from it to the mean of both
    voltages weighted by the capacitances. Nothing depends on the currents that ideal
    sources carry. The charge is continuous where the output steps; the node steps with it by ``Ca / (Ca + Cb)``.
    """
    bare = [[c for c in branch if not np.any(c.esr)] for branch in (lead, across)]
    if not all(bare):
        return [*lead, *across]
    (one,), (other,) = bare
    together = np.asarray(one.capacitance) + other.capacitance
    shares = [np.asarray(c.capacitance) / together for c in (one, other)]
    others = [c for c in (*lead, *across) if c is not one and c is not other]
    return [
        *others,
        Amplifier(name="share of the sensed voltage", a="mean", b="share", plus=one.a, minus=GROUND, gain=shares[0]),
        Amplifier(name="share of the output", a="share", b=GROUND, plus=other.b, minus=GROUND, gain=shares[1]),
        Capacitor(name=f"{one.name} with {other.name}", a="feedback", b="mean", capacitance=together),
    ]


def _present(what: str, value: ArrayLike) -> bool:
    """Tell whether a part is fitted (not zero), which every item of a batch must agree on."""
    fitted = np.asarray(value) != 0
    if fitted.any() != fitted.all():
        raise ValueError(f"{what} is fitted in some items of the batch only; split the batch")
    return bool(fitted.all())
