"""Corner frequencies of the compensation networks by name, from the part values.

Each network admittance is 1/R parallel C parallel (R in series with C), whose two zeros are always real; the exact
roots of its quadratic are returned, not the usual far-apart approximations.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loopdesign.compensation.compensator import (
    Divider,
    ErrorAmplifier,
    NetworkParts,
    ShuntOptocoupler,
    TransconductanceAmplifier,
    Value,
)

FloatArray = NDArray[np.float64]


def network_features(amplifier: ErrorAmplifier, divider: Divider, parts: NetworkParts) -> dict[str, FloatArray]:
    """Return the poles and zeros of a compensator by name.

    Names, each present only where the network has it: ``integrator`` (where the integrating part alone would have gain
    one), ``low-frequency pole`` (where the integrator meets the finite dc gain), ``zero``, ``high-frequency pole``,
    ``lead zero``, ``lead pole`` (and ``second lead zero``, ``second lead pole``) of the parts across the upper divider
    resistor, ``amplifier bandwidth``, ``optocoupler pole``. Around an operational amplifier the lead pole is that of R2
    and C3, and the amplifier is taken as ideal except for the low-frequency pole. Around a shunt regulator with
    optocoupler that is fed from the output the zeros are those of 1 + operational response and are given without lead
    parts only; with a supply of its own for the light source they are those of the operational response.

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
    dict of str to ndarray () or (B,)
        Frequencies [Hz].
    """
    features: dict[str, FloatArray] = {}
    total = np.asarray(parts.C1) + parts.C2
    upper, both = 1.0 / np.asarray(divider.upper), 1.0 / np.asarray(divider.upper) + 1.0 / np.asarray(divider.lower)
    if np.all(np.asarray(parts.R1) > 0):
        features["zero"] = 1.0 / (2 * np.pi * np.asarray(parts.R1) * parts.C1)
    if isinstance(amplifier, TransconductanceAmplifier):
        features["integrator"] = np.asarray(amplifier.gm * divider.ratio / (2 * np.pi * total))
        output = 1.0 / np.asarray(amplifier.output_resistance)
        low, high = _roots(output, parts.C2, parts.R1, parts.C1)
        _add(features, "low-frequency pole", low)
        _add(features, "high-frequency pole", high)
        _add_pair(features, "lead zero", _roots(upper, divider.feedforward, parts.R2, parts.C3))
        _add_pair(features, "lead pole", _roots(both, divider.feedforward, parts.R2, parts.C3))
        return features
    features["integrator"] = np.asarray(upper / (2 * np.pi * total))
    _add(features, "low-frequency pole", both / (2 * np.pi * np.asarray(amplifier.dc_gain) * total))
    _add(features, "high-frequency pole", _roots(np.zeros(()), parts.C2, parts.R1, parts.C1)[1])
    _add(features, "amplifier bandwidth", np.asarray(amplifier.gain_bandwidth, dtype=np.float64))
    lead = _roots(upper, divider.feedforward, parts.R2, parts.C3)
    with np.errstate(divide="ignore"):
        _add(features, "lead pole", 1.0 / (2 * np.pi * np.asarray(parts.R2) * parts.C3))
    if isinstance(amplifier, ShuntOptocoupler):
        _add(features, "optocoupler pole", np.asarray(amplifier.bandwidth, dtype=np.float64))
    if not isinstance(amplifier, ShuntOptocoupler) or not amplifier.fed_from_output:
        _add_pair(features, "lead zero", lead)
        return features
    features.pop("zero", None)
    if not np.isfinite(lead[0]).any():
        # 1 + Yu/Yn vanishes where 1/upper + Yn does.
        _add_pair(features, "zero", _roots(upper, parts.C2, parts.R1, parts.C1))
    return features


def _roots(
    conductance: FloatArray, plain: Value, resistance: Value, capacitance: Value
) -> tuple[FloatArray, FloatArray]:
    """Return where g + s Cp + s C/(1 + s R C) vanishes: roots of g + s (Cp + C + g R C) + s^2 R C Cp, lower first [Hz].

    The larger root is found first and the smaller from their product, because their ratio may pass 1e6. A root that
    does not exist is infinite.
    """
    product = np.asarray(resistance) * capacitance
    linear, square = plain + capacitance + conductance * product, product * plain
    # Real always: linear^2 - 4 g square >= (Cp + g R C)^2 - 4 Cp g R C >= 0.
    half_sum = 0.5 * (linear + np.sqrt(np.maximum(linear**2 - 4.0 * conductance * square, 0.0)))
    with np.errstate(divide="ignore", invalid="ignore"):
        high = np.where(square > 0, half_sum / square, np.inf)
        low = np.where(half_sum > 0, conductance / half_sum, np.inf)
    return low / (2 * np.pi), high / (2 * np.pi)


def _add(features: dict[str, FloatArray], name: str, hz: FloatArray) -> None:
    if np.all(np.isfinite(hz)) and np.all(hz > 0):
        features[name] = np.asarray(hz)


def _add_pair(features: dict[str, FloatArray], name: str, pair: tuple[FloatArray, FloatArray]) -> None:
    _add(features, name, pair[0])
    _add(features, f"second {name}", pair[1])
