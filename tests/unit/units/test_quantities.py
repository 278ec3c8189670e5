"""Quantities in and out; expected values are the SI prefixes themselves."""

import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopdesign.errors import QuantityError
from loopdesign.units.quantities import (
    exact_quantity,
    format_quantity,
    implausible,
    parse_list,
    parse_quantity,
    percent,
    shown,
)
from loopdesign.units.symbols import UNITS, canonical_unit

READ = [
    ("4.7 uF", "F", 4.7e-6),
    ("4.7 \u00b5F", "F", 4.7e-6),
    ("4.7 \u03bcF", "F", 4.7e-6),
    ("4.7\u00a0uF", "F", 4.7e-6),
    ("4.7u", "F", 4.7e-6),
    ("4.7e-6", "F", 4.7e-6),
    (".5 F", "F", 0.5),
    ("4n7", "F", 4.7e-9),
    ("4n7 F", "F", 4.7e-9),
    ("4u7F", "F", 4.7e-6),
    ("4k7", "ohm", 4700.0),
    ("4R7", "ohm", 4.7),
    ("0R01", "Ω", 0.01),
    ("47R", "ohm", 47.0),
    ("3V3", "V", 3.3),
    ("10k", "ohm", 10e3),
    ("10K", "ohm", 10e3),
    ("10 K", "K", 10.0),
    ("1meg", "ohm", 1e6),
    ("1 MEG", "ohm", 1e6),
    ("1 megohm", "ohm", 1e6),
    ("1 Mohm", "ohm", 1e6),
    ("1 mohm", "ohm", 1e-3),
    ("3 \u03a9", "ohm", 3.0),
    ("3 k\u2126", "ohm", 3e3),
    ("1e-6", "H", 1e-6),
    ("1E3 Hz", "Hz", 1e3),
    ("330 kHz", "Hz", 330e3),
    ("330 khz", "Hz", 330e3),
    ("1 mS", "S", 1e-3),
    ("1 mA/V", "S", 1e-3),
    ("60 mV/A", "V/A", 0.06),
    ("60 mohm", "V/A", 0.06),
    ("40 mV/us", "V/s", 40e3),
    ("40 mV / µs", "V/s", 40e3),
    ("40 kV/s", "V/s", 40e3),
    ("2 A/us", "A/s", 2e6),
    ("20 %", "%", 0.2),
    ("20%", "%", 0.2),
    ("0.2", "%", 0.2),
    ("90 %", "", 0.9),
    ("3900 ppm/K", "ppm/K", 0.0039),
    ("0.39 %/K", "ppm/K", 0.0039),
    ("3900 ppm/°C", "ppm/K", 0.0039),
    ("\u22123 dB", "dB", -3.0),
    ("55 deg", "deg", 55.0),
    ("55°", "deg", 55.0),
    ("-40 °C", "degC", -40.0),
    ("85 degC", "degC", 85.0),
    ("15 W", "W", 15.0),
    (" 12 V ", "V", 12.0),
    ("12 Vdc", "V", 12.0),
    ("12VDC", "V", 12.0),
    ("12 V DC", "V", 12.0),
    ("250 mAdc", "A", 0.25),
    ("22 uh", "H", 22e-6),
    ("22 UH", "H", 22e-6),
    ("10 UF", "F", 10e-6),
    ("100 pf", "F", 100e-12),
    ("100 NF", "F", 100e-9),
    ("10 mh", "H", 10e-3),
    ("15 v", "V", 15.0),
    ("1.5 a", "A", 1.5),
    ("330 KHZ", "Hz", 330e3),
    ("60 mv/a", "V/A", 0.06),
    ("40 mv/us", "V/s", 40e3),
    (12, "V", 12.0),
    (4.7e-6, "F", 4.7e-6),
]


@pytest.mark.parametrize(("text", "unit", "value"), READ)
def test_reads_exactly(text, unit, value):
    assert parse_quantity(text, unit) == value


REFUSED = [
    ("10 mH", "F", '"10 mH" is an inductance; expected a capacitance such as "10 uF"'),
    ("1 ms", "S", "is a time; expected a transconductance"),
    ("25 degC", "V", "is a temperature"),
    ("1,000", "ohm", "has a comma"),
    ("4,7 uF", "F", "has a comma"),
    ("nan", "V", "is not a finite number"),
    ("-inf V", "V", "is not a finite number"),
    ("1e400", "V", "is too large"),
    ("10 V 5 A", "V", "has more than one number or unit"),
    ("10 V A", "V", "has more than one number or unit"),
    ("1_000", "V", "has more than one number or unit"),
    ("4.7 zF", "F", re.escape('has an unknown unit ("zF")')),
    ("1 V/H", "V/s", "has an unknown unit"),
    ("5 mdB", "dB", "has an unknown unit"),
    ("4k7k", "ohm", "has an unknown unit"),
    ("4x7", "ohm", "has more than one number or unit"),
    ("about 3 V", "V", "is not a quantity"),
    ("12 Vac", "V", "has an unknown unit"),
    ("1 mhz", "Hz", 'may mean "MHz" or "mHz"'),
    ("10 mf", "F", 'may mean "uF" or "mF"'),
    ("22 uh", "F", "is an inductance"),
    ("10 QF", "F", "has an unknown unit"),
    ("", "V", "is not a quantity"),
    (True, "V", "true is not a quantity"),
    (None, "V", "nothing is not a quantity"),
    ({}, "V", "a table is not a quantity"),
    ([], "V", "an empty list is not a quantity"),
    ([1], "V", "a list is not a quantity"),
    (math.nan, "V", "is not a finite number"),
    (math.inf, "V", "is not a finite number"),
    (10**400, "V", "is not a finite number"),
]


@pytest.mark.parametrize(("value", "unit", "message"), REFUSED)
def test_refuses_with_a_sentence(value, unit, message):
    with pytest.raises(QuantityError, match=message):
        parse_quantity(value, unit)


def test_m_is_never_mega():
    assert parse_quantity("1 mHz", "Hz") == 1e-3
    assert parse_quantity("1m", "ohm") == 1e-3
    assert parse_quantity("1M", "ohm") == 1e6


def test_list():
    assert parse_list("100, 1k,10 kHz", "Hz") == (100.0, 1e3, 10e3)
    with pytest.raises(QuantityError, match="has an empty entry"):
        parse_list("100,,1k", "Hz")
    with pytest.raises(QuantityError, match="is a voltage"):
        parse_list("100,5 V", "Hz")


def test_unknown_unit():
    assert canonical_unit("1") == ""
    with pytest.raises(QuantityError, match='"furlong" is not a known unit'):
        parse_quantity("3", "furlong")


WRITTEN = [
    (4.7e-6, "F", 3, "4.70 µF", "4.70 uF"),
    (330e3, "Hz", 3, "330 kHz", "330 kHz"),
    (999.96, "ohm", 3, "1.00 kΩ", "1.00 kohm"),
    (12345.0, "ohm", 2, "12 kΩ", "12 kohm"),
    (0.0, "V", 3, "0 V", "0 V"),
    (-0.05, "V", 3, "-50.0 mV", "-50.0 mV"),
    (0.2, "%", 3, "20.0 %", "20.0 %"),
    (55.31, "deg", 3, "55.3°", "55.3 deg"),
    (25.0, "degC", 3, "25.0 °C", "25.0 degC"),
    (0.0039, "ppm/K", 4, "3900 ppm/K", "3900 ppm/K"),
    (40e3, "V/s", 3, "40.0 mV/µs", "40.0 mV/us"),
    (0.06, "V/A", 3, "60.0 mV/A", "60.0 mV/A"),
    (0.5, "", 2, "0.50", "0.50"),
    (math.nan, "V", 3, "undefined", "undefined"),
    (math.inf, "dB", 3, "infinite", "infinite"),
    (-math.inf, "dB", 3, "-infinite", "-infinite"),
    (1e20, "Hz", 3, "1.00e+20 Hz", "1.00e+20 Hz"),
]


@pytest.mark.parametrize(("value", "unit", "digits", "text", "plain"), WRITTEN)
def test_writes(value, unit, digits, text, plain):
    assert format_quantity(value, unit, digits) == text
    assert format_quantity(value, unit, digits, ascii_only=True) == plain
    assert plain.isascii()


def test_exact_text_is_short():
    assert exact_quantity(12100.0, "ohm") == "12.1 kohm"
    assert exact_quantity(4.7e-9, "F") == "4.7 nF"
    assert exact_quantity(1 / 3, "V") == "333.3333333333333 mV"


FINITE = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30)


@settings(deadline=None, derandomize=True, max_examples=200)
@given(value=FINITE, unit=st.sampled_from(sorted(UNITS)), ascii_only=st.booleans())
def test_round_trip_is_exact_with_seventeen_digits(value, unit, ascii_only):
    assert parse_quantity(format_quantity(value, unit, 17, ascii_only=ascii_only), unit) == value


@settings(deadline=None, derandomize=True, max_examples=200)
@given(value=st.floats(min_value=1e-15, max_value=1e15), unit=st.sampled_from(sorted(UNITS)), digits=st.integers(1, 9))
def test_round_trip_keeps_the_digits_shown(value, unit, digits):
    back = parse_quantity(format_quantity(value, unit, digits), unit)
    # rounding to n significant digits moves a number by at most half a unit of the last digit
    assert abs(back / value - 1) <= 0.5 * 10 ** (1 - digits) * (1 + 1e-9)
    assert parse_quantity(exact_quantity(value, unit), unit) == value


@settings(deadline=None, derandomize=True, max_examples=200)
@given(text=st.text(alphabet="0123456789.eEkKmMunpRVAHzF %µ-−,/ ", max_size=12), unit=st.sampled_from(sorted(UNITS)))
def test_any_text_is_a_finite_number_or_a_refusal(text, unit):
    try:
        number = parse_quantity(text, unit)
    except QuantityError:
        return
    assert math.isfinite(number)


@pytest.mark.parametrize(("value", "unit", "word"), [(1.0, "F", "large"), (1e9, "ohm", "large"), (1e-15, "F", "small")])
def test_implausible(value, unit, word):
    assert f"unusually {word}" in implausible(value, unit)


@pytest.mark.parametrize(("value", "unit"), [(0.0, "ohm"), (4.7e-6, "F"), (330e3, "Hz"), (-3.0, "dB"), (22e-6, "H")])
def test_plausible(value, unit):
    assert implausible(value, unit) is None


def test_shown_of_a_number_no_double_holds():
    """A double ends below 2^1024; a whole number of more bits is told by its length."""
    assert shown(2**1024 - 1) == str(2**1024 - 1)
    assert shown(2**1024) == "a whole number of 1025 bits"
    assert shown(-(2**1024)) == "a whole number of 1025 bits"


def test_shown():
    assert [shown(value) for value in ("x", False, 3, {})] == ['"x"', "false", "3", "a table"]


@pytest.mark.parametrize(
    ("share", "told"),
    [(0.00527, "0.53 %"), (0.0, "0 %"), (0.5845, "58 %"), (0.996, "100 %"), (2.34086, "234 %"), (9.57, "957 %")],
)
def test_percent_has_no_exponent(share, told):
    assert percent(share) == told
