"""How far a part is commonly from its value, as a share of it: what weighs causes that the data hardly part.

A transconductance and a divider change a loop gain alike; the one is commonly off by tens of percent, the other by one.
All numbers here are common practice, and only weigh: a wrong part of any size can still be found.
"""

from __future__ import annotations

import numpy as np

from loopdesign.bench.keys import DELAY

SPREAD = {
    "capacitance": 0.25, "esr": 1.0, "inductance": 0.2, "resistance": 0.3, "secondary_resistance": 0.3, "drop": 0.1,
    "coupling": 0.02, "turns": 0.02, "sense_gain": 0.05, "slope": 0.15, "ramp": 0.1, "gm": 0.2,
    "output_resistance": 0.5, "gain_bandwidth": 0.3, "reference": 0.005, "transfer_ratio": 0.3, "bandwidth": 0.3,
    "pull_up": 0.02, "led_resistance": 0.02, "upper": 0.01, "lower": 0.01, "feedforward": 0.1,
    "input_resistance": 0.01, "R1": 0.01, "R2": 0.01, "C1": 0.1, "C2": 0.1, "C3": 0.1,
}  # fmt: skip
"""Share by the last word of a key."""
DELAY_SPREAD = 0.05
"""The same of a delay, in periods."""


def spread_of(key: str) -> float:
    """Return how far a value is commonly off: a share, of a delay periods.

    Parameters
    ----------
    key : str
        Its dotted path.

    Returns
    -------
    float
        Half of all parts lie nearer than this [unitless].
    """
    if key == DELAY:
        return DELAY_SPREAD
    return SPREAD.get(key.rpartition(".")[2], 0.1)


def log_likelihood(key: str, place: float) -> float:
    """Return the logarithm of how likely a part is at a place, by a distribution with long tails (Cauchy's).

    Parameters
    ----------
    key : str
        Its dotted path.
    place : float
        Logarithm of the value over the nominal one; of a delay, periods more than none [unitless].

    Returns
    -------
    float
        Logarithm of the density [unitless].
    """
    width = spread_of(key)
    return float(-np.log(np.pi * width * (1.0 + (place / width) ** 2)))
