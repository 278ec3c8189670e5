"""Compensation parts from zeros, poles and gain around ideal amplifiers, in closed form.

Naming follows the case file: R1, C1, C2 are the network of amplifier and control (or feedback), R2 and C3 lie across
the upper divider resistor. Every function takes and returns scalars.
"""

from __future__ import annotations

import numpy as np

from loopdesign.compensation.compensator import Divider, NetworkParts, NetworkType


def place_type1_operational(crossover_hz: float, gain: float, upper: float) -> NetworkParts:
    """Return C1 = 1/(2 pi fc upper gain) around an ideal operational amplifier.

    Parameters
    ----------
    crossover_hz : float
        Frequency where the gain is wanted [Hz].
    gain : float
        Wanted gain there [unitless].
    upper : float
        Upper divider resistor, the input resistor [ohm].

    Returns
    -------
    NetworkParts
        Type I network.
    """
    return NetworkParts(network="type I", C1=1.0 / (2 * np.pi * crossover_hz * upper * gain))


def place_type1_transconductance(crossover_hz: float, gain: float, gm: float, divider_ratio: float) -> NetworkParts:
    """Return C1 = divider_ratio gm/(2 pi fc gain) around an ideal transconductance amplifier.

    Parameters
    ----------
    crossover_hz : float
        Frequency where the gain is wanted [Hz].
    gain : float
        Wanted gain there [unitless].
    gm : float
        Transconductance [S].
    divider_ratio : float
        Feedback voltage over output voltage [unitless].

    Returns
    -------
    NetworkParts
        Type I network.
    """
    return place_type1_operational(crossover_hz, gain, 1.0 / (gm * divider_ratio))


def place_type2_operational(
    crossover_hz: float, gain: float, zero_hz: float, pole_hz: float, upper: float
) -> NetworkParts:
    """Return a type II network around an ideal operational amplifier.

    C = (1/(s upper (C1 + C2))) (1 + s/wz)/(1 + s/wp); with the zero at fc/k and the pole at fc k these are Venable's
    formulas C2 = 1/(2 pi fc gain k upper), C1 = C2 (k^2 - 1), R1 = k/(2 pi fc C1).

    Parameters
    ----------
    crossover_hz : float
        Frequency where the gain is wanted [Hz].
    gain : float
        Wanted gain there [unitless].
    zero_hz, pole_hz : float
        Zero and pole, zero < pole; an infinite pole leaves C2 out [Hz].
    upper : float
        Upper divider resistor, the input resistor [ohm].

    Returns
    -------
    NetworkParts
        Type II network.

    Raises
    ------
    ValueError
        When the pole is not above the zero.
    """
    wanted = gain * _one_pole_over_zero(crossover_hz, zero_hz, pole_hz)
    return _feedback_parts("type II", crossover_hz, wanted, (zero_hz, pole_hz), upper)


def place_type2_transconductance(
    crossover_hz: float, gain: float, zero_hz: float, pole_hz: float, gm: float, divider_ratio: float
) -> NetworkParts:
    """Return a type II network around an ideal transconductance amplifier.

    With X = sqrt(1 + (fc/fp)^2)/sqrt(1 + (fz/fc)^2) and b the divider ratio: R1 = fp gain X/((fp - fz) b gm),
    C1 = 1/(2 pi R1 fz), C2 = b gm/(2 pi fp gain X) (C. Basso, "Designing Control Loops for Linear and Switching Power
    Supplies", 2012, chapter on transconductance amplifiers; from memory). The same as around an operational amplifier
    with the input resistor 1/(b gm).

    Parameters
    ----------
    crossover_hz : float
        Frequency where the gain is wanted [Hz].
    gain : float
        Wanted gain there [unitless].
    zero_hz, pole_hz : float
        Zero and pole, zero < pole; an infinite pole leaves C2 out [Hz].
    gm : float
        Transconductance [S].
    divider_ratio : float
        Feedback voltage over output voltage [unitless].

    Returns
    -------
    NetworkParts
        Type II network.

    Raises
    ------
    ValueError
        When the pole is not above the zero.
    """
    return place_type2_operational(crossover_hz, gain, zero_hz, pole_hz, 1.0 / (gm * divider_ratio))


def place_type3_operational(
    crossover_hz: float,
    gain: float,
    zeros_hz: tuple[float, float],
    poles_hz: tuple[float, float],
    upper: float,
) -> NetworkParts:
    """Return a type III network around an ideal operational amplifier.

    The first zero and pole are those of R1, C1, C2; the second are those of the parts across the upper resistor,
    R2 = upper/(pole/zero - 1), C3 = 1/(2 pi pole R2).

    Parameters
    ----------
    crossover_hz : float
        Frequency where the gain is wanted [Hz].
    gain : float
        Wanted gain there [unitless].
    zeros_hz, poles_hz : tuple of two floats
        Zeros and poles, each zero below its pole; the second pole is finite [Hz].
    upper : float
        Upper divider resistor, the input resistor [ohm].

    Returns
    -------
    NetworkParts
        Type III network.

    Raises
    ------
    ValueError
        When a pole is not above its zero.
    """
    (z1, z2), (p1, p2) = zeros_hz, poles_hz
    wanted = gain * _one_pole_over_zero(crossover_hz, z1, p1) * _one_pole_over_zero(crossover_hz, z2, p2)
    r2 = upper / (p2 / z2 - 1.0)
    lead = (r2, 1.0 / (2 * np.pi * p2 * r2))
    return _feedback_parts("type III", crossover_hz, wanted, (z1, p1), upper, lead)


def place_type3_transconductance(
    crossover_hz: float,
    gain: float,
    zeros_hz: tuple[float, float],
    poles_hz: tuple[float, float],
    gm: float,
    divider: Divider,
) -> NetworkParts:
    """Return a type III network around an ideal transconductance amplifier.

    The second zero and pole are made across the upper divider resistor and can be apart by less than the factor
    1 + upper/lower: zero = 1/(2 pi (upper + R2) C3), pole = 1/(2 pi (upper || lower + R2) C3).

    Parameters
    ----------
    crossover_hz : float
        Frequency where the gain is wanted [Hz].
    gain : float
        Wanted gain there [unitless].
    zeros_hz, poles_hz : tuple of two floats
        Zeros and poles, each zero below its pole; the second pole is finite [Hz].
    gm : float
        Transconductance [S].
    divider : Divider
        Divider, scalar, without feed-forward capacitor.

    Returns
    -------
    NetworkParts
        Type III network.

    Raises
    ------
    ValueError
        When a pole is not above its zero, or the second pair is further apart than the divider allows.
    """
    (z1, z2), (p1, p2) = zeros_hz, poles_hz
    upper, parallel = float(divider.upper), float(divider.upper * divider.ratio)
    wanted = gain * _one_pole_over_zero(crossover_hz, z1, p1) * _one_pole_over_zero(crossover_hz, z2, p2)
    ratio = p2 / z2
    r2 = (upper - ratio * parallel) / (ratio - 1.0)
    if r2 < 0:
        raise ValueError(
            f"the lead pole at {p2:.4g} Hz is {ratio:.4g} times the lead zero; this divider allows less than "
            f"{upper / parallel:.4g}"
        )
    lead = (r2, 1.0 / (2 * np.pi * z2 * (upper + r2)))
    return _feedback_parts("type III", crossover_hz, wanted, (z1, p1), 1.0 / (gm * float(divider.ratio)), lead)


def _one_pole_over_zero(hz: float, zero_hz: float, pole_hz: float) -> float:
    """Return |1 + i f/pole| / |1 + i f/zero|."""
    if not 0 < zero_hz < pole_hz:
        raise ValueError(f"the pole must lie above the zero, got zero {zero_hz:.6g} Hz and pole {pole_hz:.6g} Hz")
    return float(np.hypot(1.0, hz / pole_hz) / np.hypot(1.0, hz / zero_hz))


def _feedback_parts(
    network: NetworkType,
    crossover_hz: float,
    integrator_gain: float,
    section_hz: tuple[float, float],
    input_resistance: float,
    lead: tuple[float, float] = (0.0, 0.0),
) -> NetworkParts:
    """Return R1, C1, C2 whose integrating part has the given gain at the crossover; `lead` is R2 and C3."""
    zero_hz, pole_hz = section_hz
    total = 1.0 / (2 * np.pi * crossover_hz * input_resistance * integrator_gain)
    c2 = total * zero_hz / pole_hz
    c1 = total - c2
    return NetworkParts(network=network, C1=c1, R1=1.0 / (2 * np.pi * zero_hz * c1), C2=c2, R2=lead[0], C3=lead[1])
