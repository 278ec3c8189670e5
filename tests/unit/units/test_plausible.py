"""Where a quantity begins to look like a slip of the prefix: both sides of every edge."""

from __future__ import annotations

import math

import pytest

from loopdesign.units.quantities import implausible
from loopdesign.units.symbols import UNITS

# Common practice of power supplies below a few hundred kilowatts; low and high are the last values that pass.
EDGES = {
    "V": (1e-6, 20e3), "A": (1e-9, 5e3), "ohm": (1e-6, 500e6), "F": (0.1e-12, 0.1), "H": (1e-9, 1.0), "Hz": (1e-3, 1e9),
    "s": (1e-12, 1e3), "K": (None, 1e3), "degC": (None, 400.0), "S": (1e-9, 100.0), "W": (None, 1e6), "V/A": (1e-6, 1e3),
    "V/s": (None, 1e12), "A/s": (None, 1e12), "%": (None, 100.0), "dB": (None, 200.0), "deg": (None, None),
    "ppm/K": (None, 0.02), "V/K": (None, 1.0), "": (None, None),
}  # fmt: skip


def test_every_unit_has_its_edges():
    assert EDGES.keys() == UNITS.keys()


@pytest.mark.parametrize("unit", EDGES)
def test_edges_belong_to_what_is_believed(unit):
    """At an edge nothing is said; one part in a million beyond it, the side and the unit's name; the sign plays no part."""
    low, high = EDGES[unit]
    for sign in (1.0, -1.0):
        if high is None:
            assert implausible(sign * 1e30, unit) is None
        else:
            assert implausible(sign * high, unit) is None
            told = implausible(sign * high * (1 + 1e-6), unit)
            assert f"is unusually large for {UNITS[unit].name};" in told
        smallest = math.ulp(0.0) if low is None else low
        assert implausible(sign * smallest, unit) is None
        if low is not None:
            assert f"is unusually small for {UNITS[unit].name};" in implausible(sign * low * (1 - 1e-6), unit)


@pytest.mark.parametrize("unit", EDGES)
def test_nothing_at_all_is_plausible(unit):
    assert implausible(0.0, unit) is None
    assert implausible(-0.0, unit) is None


def test_sentence_shows_the_value_and_the_remedy():
    told = implausible(4.7, "F")
    assert told == "4.70 F is unusually large for a capacitance; check the prefix (m is milli, M is mega)"
    assert implausible(0.5e-12 / 10, "F").startswith("50.0 fF is unusually small")
