"""Output characteristics where the load has a drop or its current is regulated, against closed forms of a buck.

With triangular currents, on-times that begin at the clock, and V the average at the load with its current I:

    V = D (Vin - rs I) - (1 - D) (Vd + rd I) - rL I                            (average of the inductor's voltage)
    I = limit / Ri - (Vin - V - (rs + rL) I) D T / (2 L)                       (the peak is the limit's)

Derived; exact but for the bend of the currents within an interval, some 1e-4 here. None of them knows what draws the
current: the load only decides where on the curve the converter is, and how stable it is there.
"""

from __future__ import annotations

import pytest
from oraclecases import write_case

from loopdesign.front.explore.loads import loads

VIN, L, RL, RS, VD, RD, FS, RI, LIMIT = 30.0, 68e-6, 0.03, 0.025, 0.4, 0.02, 250e3, 0.1, 0.16
DELAY, BLANKING, MOST = 100e-9, 200e-9, 0.45
SENSE, DROP, RESISTANCE = 0.2, 6.0, 1.5


def case_of(regulate, load):
    """A buck as a case of plain numbers."""
    current = regulate == "current"
    given = {
        "title": "deck-lamp driver",
        "converter": {"topology": "buck", "switching_frequency": FS, "rectifier": "diode"},
        "specification": {
            "input_voltage": [VIN], "output_current": [0.3, 1.0] if current else [0.8, 1.0], "load": load,
        },
        "stage": {
            "L1": {"inductance": L, "resistance": RL}, "Co": {"capacitance": 100e-6, "esr": 0.01},
            "switch": {"resistance": RS}, "diode": {"drop": VD, "resistance": RD},
        },
        "modulator": {
            "scheme": "peak current", "sense_gain": RI, "slope": 20e3, "max_duty": MOST, "current_limit": LIMIT,
        },
        "error_amplifier": {"kind": "transconductance", "gm": 1e-3, "output_resistance": 2e6, "reference": 0.2},
        "compensation": {"network": "type II", "R1": 1e3, "C1": 47e-9, "C2": 470e-12},
    }  # fmt: skip
    if load == "voltage":
        given["specification"]["voltage_load"] = {"drop": DROP, "resistance": RESISTANCE}
    if current:
        given["specification"]["regulate"] = "current"
        given["current_sense"] = {"resistance": SENSE}
        given["modulator"] |= {"turn_off_delay": DELAY, "blanking": BLANKING}
    else:
        given["specification"]["output_voltage"] = DROP + RESISTANCE
        given["divider"] = {"lower": 10e3}
        given["error_amplifier"]["reference"] = 1.2
    return given


def voltage(duty, current, behind=0.0):
    """Average output at a duty and a current; a sense resistor lies behind the load."""
    return duty * (VIN - RS * current) - (1.0 - duty) * (VD + RD * current) - (RL + behind) * current


def limited(volts, current, limit=LIMIT, delay=0.0, behind=0.0):
    """Current that the limit leaves at a voltage of the load, and the duty there."""
    total = VIN + VD + (RD - RS) * current
    duty = (volts + VD + (RD + RL + behind) * current) / total
    rise = (VIN - volts - (RS + RL + behind) * current) / L
    return limit / RI + rise * delay - 0.5 * rise * duty / FS, duty


@pytest.fixture(scope="module")
def voltages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("c")
    return [loads(write_case(case_of("voltage", kind), folder / f"{kind}.toml")) for kind in ("voltage", "resistive")]


@pytest.fixture(scope="module")
def currents(tmp_path_factory):
    return loads(write_case(case_of("current", "voltage"), tmp_path_factory.mktemp("c") / "c.toml"))


def test_a_load_with_a_drop_is_shorted_along_the_closed_form(voltages):
    """Every point from the largest load into a short; a resistor meets the same curve, with other multipliers."""
    for found in voltages:
        (curve,) = found.overload
        assert curve.points[0].output_voltage_v == pytest.approx(DROP + RESISTANCE, rel=1e-6)
        assert curve.points[-1].output_voltage_v < 0.1
        for p in curve.points:
            current, duty = limited(p.output_voltage_v, p.output_current_a)
            assert (p.stable, p.ended) == (True, "current limit")
            assert p.output_current_a == pytest.approx(current, rel=3e-4)
            assert p.duty == pytest.approx(duty, rel=3e-4)
            assert abs(p.energy_error) < 1e-5
    string, resistor = (found.overload[0] for found in voltages)
    assert string.largest_load_a == pytest.approx(resistor.largest_load_a, rel=1e-3)
    assert 1.0 - string.points[0].largest_multiplier > 2.0 * (1.0 - resistor.points[0].largest_multiplier)
    ends = [found.to_rows()[0]["continuous_limit_a"] for found in voltages]
    assert ends[0] == pytest.approx(ends[1], rel=2e-3)  # where the current touches zero is a matter of averages


def test_where_a_regulated_current_is_held(currents):
    """Compliance by the largest duty or the limit, the least voltage by the shortest pulse; beyond both the same forms."""
    (curve,) = currents.overload
    low, high = curve.levels
    shortest = (DELAY + BLANKING) * FS
    assert (low.load_current, high.load_current) == (0.3, 1.0)
    assert high.held_from_by == low.held_from_by == "minimum on-time"
    assert high.held_from_v == pytest.approx(voltage(shortest, 1.0, SENSE), rel=1e-3)
    assert high.held_to_by == low.held_to_by == "largest duty"
    for level in (low, high):
        assert level.held_to_v == pytest.approx(voltage(MOST, level.load_current, SENSE), rel=1e-3)
    assert not currents.reasons
    above = [p for p in curve.points if p.ended == "largest duty"]
    below = [p for p in curve.points if p.ended == "shortest pulse"]
    assert above[-1].output_current_a == pytest.approx(1.0, rel=1e-6)
    assert below[0].output_current_a == pytest.approx(1.0, rel=1e-4)
    assert [p.output_voltage_v for p in curve.points] == sorted(
        (p.output_voltage_v for p in curve.points), reverse=True
    )
    for p in below:
        assert p.output_voltage_v == pytest.approx(voltage(shortest, p.output_current_a, SENSE), abs=2e-3)
    assert below[-1].output_voltage_v < 0.01
    assert f"the current rises to {below[-1].output_current_a:.2f} A in a short" in curve.reason
    assert curve.reason.endswith("stability within the range was not examined")


def test_where_the_limit_takes_over(tmp_path):
    """A limit that the ripple of the inductor reaches below the voltage of the load: the closed form's, and a reason."""
    given = case_of("current", "voltage")
    given["modulator"]["current_limit"] = limit = 0.11
    given["specification"]["output_current"] = [1.0]
    found = loads(write_case(given, tmp_path / "c.toml"))
    (curve,) = found.overload
    (level,) = curve.levels
    assert level.held_to_by == "current limit"
    assert found.reasons[0] == f"at 30 V 1 A is not held at the {DROP + RESISTANCE:.3g} V of the load (current limit)"
    above = [p for p in curve.points if p.ended == "current limit"]
    assert above[-1].output_voltage_v == pytest.approx(level.held_to_v, rel=1e-6)
    for p in above:
        current, duty = limited(p.output_voltage_v, p.output_current_a, limit, DELAY, SENSE)
        assert p.output_current_a == pytest.approx(current, rel=1e-3)
        assert p.duty == pytest.approx(duty, rel=1e-3)
