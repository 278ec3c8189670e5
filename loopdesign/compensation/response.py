"""Closed-form response of error amplifier, divider and network.

The network runs from node ``sense`` (top of the divider) over ``feedback`` to ``control`` (input of the comparator). A
response is C = -v(control)/v(sense), so that the loop gain of plant and compensator is T = P C.

Admittances, with s = 2 pi i f::

    Yu = 1/upper + s feedforward + s C3/(1 + s R2 C3)      sense to feedback
    Yl = 1/lower                                           feedback to ground
    Yn = s C2 + s C1/(1 + s R1 C1)                         the network of R1, C1, C2

    transconductance   C = gm Yu/(Yu + Yl) / (Yn + 1/output_resistance)       network from control to ground
    operational        C = Yu / (Yn + (Yu + Yl + Yn)/A)                       network from feedback to control
    shunt optocoupler  C = transfer_ratio pull_up/led_resistance / (1 + i f/bandwidth) (direct + operational C)

with 1/A = 1/dc_gain + i f/gain_bandwidth, the one-pole amplifier. The current of the light source is
(v(supply) - drop - v(cathode))/led_resistance, and the cathode moves by -(operational C) v(sense). Where the output
itself feeds the light source, v(supply) moves with v(sense) and ``direct`` is 1; a constant supply does not move, and
``direct`` is 0.
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

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


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
    upper = _upper(divider, s, parts.R2, parts.C3)
    lower = 1.0 / _axis(divider.lower)
    network = s * _axis(parts.C2) + _series(s, parts.R1, parts.C1)
    if isinstance(amplifier, TransconductanceAmplifier):
        load = network + 1.0 / _axis(amplifier.output_resistance)
        return np.asarray(_axis(amplifier.gm) * upper / (upper + lower) / load)
    inverse_gain = _inverse_gain(amplifier, f)
    operational = upper / (network + (upper + lower + network) * inverse_gain)
    if isinstance(amplifier, OperationalAmplifier):
        return np.asarray(operational)
    return np.asarray(optocoupler_factor(amplifier, f) * (float(amplifier.fed_from_output) + operational))


def bilinear_response(
    amplifier: ErrorAmplifier, divider: Divider, parts: NetworkParts, frequencies_hz: ArrayLike, *, of: str = "C2"
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the response as a function of one part, in which it is bilinear: C = (n0 + n1 x) / (d0 + d1 x).

    Parameters
    ----------
    amplifier : TransconductanceAmplifier, OperationalAmplifier or ShuntOptocoupler
        Error amplifier.
    divider : Divider
        Divider with its feed-forward capacitor.
    parts : NetworkParts
        Compensation network; the value of that part is not looked at.
    frequencies_hz : array_like (F,) or (B, F)
        Frequencies [Hz].
    of : {"R1", "C2", "R2", "C3"}
        Which part.

    Returns
    -------
    tuple of ndarray (..., F)
        n0, n1, d0 and d1, each with the leading axes of what it depends on; n1 and d1 per ohm or farad.
    """
    if of == "R1":
        return _bilinear_in_r1(amplifier, divider, parts, np.asarray(frequencies_hz, dtype=np.float64))
    f = np.asarray(frequencies_hz, dtype=np.float64)
    s = np.asarray(2j * np.pi * f, dtype=np.complex128)
    lower = 1.0 / _axis(divider.lower)
    plain = 1.0 / _axis(divider.upper) + s * _axis(divider.feedforward)
    network = np.asarray(_series(s, parts.R1, parts.C1))
    # upper = (u0 + u1 x) / (1 + r x) and network = m0 + m1 x, of the part x
    if of == "C2":
        u0, u1, r = np.asarray(plain + _series(s, parts.R2, parts.C3)), np.zeros_like(s), np.zeros_like(s)
        m0, m1 = network, s
    else:
        if of == "R2":
            r = np.asarray(s * _axis(parts.C3))
            u0, u1 = np.asarray(plain + r), np.asarray(plain * r)
        else:
            r = np.asarray(s * _axis(parts.R2))
            u0, u1 = np.asarray(plain), np.asarray(plain * r + s)
        m0, m1 = np.asarray(network + s * _axis(parts.C2)), np.zeros_like(s)
    if isinstance(amplifier, TransconductanceAmplifier):
        gm, load = _axis(amplifier.gm), np.asarray(m0 + 1.0 / _axis(amplifier.output_resistance))
        if of == "C2":
            return np.asarray(gm * u0 / (u0 + lower)), u1, load, m1
        return np.asarray(gm * u0), np.asarray(gm * u1), (u0 + lower) * load, (u1 + lower * r) * load
    inverse_gain = _inverse_gain(amplifier, f)
    held = np.asarray(m0 * (1.0 + inverse_gain) + lower * inverse_gain)
    below = held + u0 * inverse_gain
    per_unit = np.asarray(m1 * (1.0 + inverse_gain) if of == "C2" else held * r + u1 * inverse_gain)
    if isinstance(amplifier, OperationalAmplifier):
        return u0, u1, below, per_unit
    factor, direct = optocoupler_factor(amplifier, f), float(amplifier.fed_from_output)
    above = np.asarray(factor * (direct * below + u0)), np.asarray(factor * (direct * per_unit + u1))
    return *above, below, per_unit


def parted_response(
    amplifier: ErrorAmplifier, divider: Divider, lead: tuple[Value, Value], frequencies_hz: ArrayLike
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the response as a function of the network's admittance: C = direct + above / (held + per Yn).

    Parameters
    ----------
    amplifier : TransconductanceAmplifier, OperationalAmplifier or ShuntOptocoupler
        Error amplifier.
    divider : Divider
        Divider with its feed-forward capacitor.
    lead : tuple of float or ndarray (B,)
        R2 [ohm] and C3 [F], 0 where not fitted; the other parts make Yn (`network_admittance`).
    frequencies_hz : array_like (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    tuple of ndarray (..., F)
        direct [unitless], above [S], held [S] and per [unitless], each with the leading axes of what it depends on.
    """
    f = np.asarray(frequencies_hz, dtype=np.float64)
    s = np.asarray(2j * np.pi * f, dtype=np.complex128)
    upper = _upper(divider, s, *lead)
    lower, none, one = 1.0 / _axis(divider.lower), np.zeros_like(s), np.ones_like(s)
    if isinstance(amplifier, TransconductanceAmplifier):
        above = np.asarray(_axis(amplifier.gm) * upper / (upper + lower))
        return none, above, 1.0 / _axis(amplifier.output_resistance) + none, one
    inverse_gain = _inverse_gain(amplifier, f)
    held, per = np.asarray((upper + lower) * inverse_gain), np.asarray(one + inverse_gain)
    if isinstance(amplifier, OperationalAmplifier):
        return none, np.asarray(upper), held, per
    factor = optocoupler_factor(amplifier, f)
    return factor * float(amplifier.fed_from_output), np.asarray(factor * upper), held, per


def network_admittance(
    resistance: Value, capacitance: Value, shunt: Value, frequencies_hz: ArrayLike
) -> NDArray[np.complex128]:
    """Return the admittance Yn of the network of R1, C1 and C2.

    Parameters
    ----------
    resistance, capacitance, shunt : float or ndarray (B,)
        R1 [ohm], C1 and C2 [F].
    frequencies_hz : array_like (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (..., F)
        Admittance [S].
    """
    s = np.asarray(2j * np.pi * np.asarray(frequencies_hz, dtype=np.float64), dtype=np.complex128)
    return np.asarray(s * _axis(shunt) + _series(s, resistance, capacitance))


def _bilinear_in_r1(
    amplifier: ErrorAmplifier, divider: Divider, parts: NetworkParts, f: NDArray[np.float64]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Return n0, n1, d0 and d1 of R1: with it the network is (m0 + m1 R1) / (1 + q R1)."""
    s = np.asarray(2j * np.pi * f, dtype=np.complex128)
    lower = 1.0 / _axis(divider.lower)
    upper = _upper(divider, s, parts.R2, parts.C3)
    q, shunt = np.asarray(s * _axis(parts.C1)), np.asarray(s * _axis(parts.C2))
    m0, m1 = q + shunt, q * shunt
    if isinstance(amplifier, TransconductanceAmplifier):
        leak = 1.0 / _axis(amplifier.output_resistance)
        above = np.asarray(_axis(amplifier.gm) * upper / (upper + lower))
        return above, above * q, m0 + leak, m1 + leak * q
    inverse_gain = _inverse_gain(amplifier, f)
    held = np.asarray((upper + lower) * inverse_gain)
    below, per_ohm = m0 * (1.0 + inverse_gain) + held, m1 * (1.0 + inverse_gain) + held * q
    if isinstance(amplifier, OperationalAmplifier):
        return np.asarray(upper), upper * q, below, per_ohm
    factor, direct = optocoupler_factor(amplifier, f), float(amplifier.fed_from_output)
    return factor * (direct * below + upper), factor * (direct * per_ohm + upper * q), below, per_ohm


def _upper(
    divider: Divider, s: NDArray[np.complex128], resistance: Value, capacitance: Value
) -> NDArray[np.complex128]:
    """Admittance Yu from sense to feedback, R2 and C3 across the divider's upper resistor."""
    return np.asarray(1.0 / _axis(divider.upper) + s * _axis(divider.feedforward) + _series(s, resistance, capacitance))


def _inverse_gain(amplifier: OperationalAmplifier | ShuntOptocoupler, f: NDArray[np.float64]) -> NDArray[np.complex128]:
    """1/A of the one-pole amplifier."""
    return np.asarray(1.0 / _axis(amplifier.dc_gain) + 1j * f / _axis(amplifier.gain_bandwidth))


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


def _axis(value: Value) -> NDArray[np.float64]:
    """Give a value (B,) a last axis for the frequencies."""
    return np.asarray(value, dtype=np.float64)[..., np.newaxis]


def _series(s: NDArray[np.complex128], resistance: Value, capacitance: Value) -> NDArray[np.complex128]:
    """Return the admittance of a resistor in series with a capacitor."""
    r, c = _axis(resistance), _axis(capacitance)
    return np.asarray(s * c / (1.0 + s * r * c))
