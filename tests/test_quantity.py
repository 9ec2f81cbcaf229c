"""Quantities: exact, with a dimension, refusing what general unit libraries misread."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
import scipy.constants as constants
from hypothesis import given
from hypothesis import strategies as st

from regmap.errors import CallError
from regmap.quantity import DIMENSIONS, NONE, Band, count_of, parse, parse_band, show

# (text, value in base units, dimension); prefixes by the International System of Units, BIPM brochure
# 9th edition, table 7 (through scipy.constants as the second opinion below)
READ = [
    ("60 mA", Fraction(60, 1000), "current"),
    ("60mA", Fraction(60, 1000), "current"),
    ("0.2 V", Fraction(1, 5), "voltage"),
    ("20 kHz", Fraction(20000), "frequency"),
    ("-40 degC", Fraction(-40), "temperature"),
    ("4.7 \u00b5F", Fraction(47, 10_000_000), "capacitance"),  # the micro sign
    ("4.7 \u03bcF", Fraction(47, 10_000_000), "capacitance"),  # the Greek letter
    ("3 us", Fraction(3, 1_000_000), "time"),
    ("4.7 uF", Fraction(47, 10_000_000), "capacitance"),
    ("1.5 mΩ", Fraction(15, 10_000), "resistance"),
    ("1.5 mohm", Fraction(15, 10_000), "resistance"),
    ("24 V/us", Fraction(24_000_000), "voltage slew"),
    ("5 A/ns", Fraction(5_000_000_000), "current slew"),
    ("32 K/W", Fraction(32), "thermal resistance"),
    ("0.4 %/K", Fraction(4, 1000), "temperature coefficient"),
    ("30 d", Fraction(30 * 86400), "time"),
    ("1 Ah", Fraction(3600), "charge"),
    ("0.5 %", Fraction(5, 1000), "ratio"),
    ("1e-3 A", Fraction(1, 1000), "current"),
]


@pytest.mark.parametrize(("text", "value", "kind"), READ)
def test_reads_exactly(text: str, value: Fraction, kind: str) -> None:
    found = parse(text)
    assert found.value == value
    assert found.dim == DIMENSIONS[kind][0]
    assert parse(text, kind).value == value


@pytest.mark.parametrize(
    ("prefix", "factor"),
    [
        ("f", constants.femto),
        ("p", constants.pico),
        ("n", constants.nano),
        ("u", constants.micro),
        ("m", constants.milli),
        ("k", constants.kilo),
        ("M", constants.mega),
        ("G", constants.giga),
    ],
)
def test_prefixes_agree_with_scipy(prefix: str, factor: float) -> None:
    assert float(parse(f"1 {prefix}V").value) == pytest.approx(factor, rel=1e-15)


# what general unit libraries make of these: nano times the speed of light, a sum of nC and ns, 500 m%
@pytest.mark.parametrize(
    ("text", "want", "says"),
    [
        ("200 nc", "charge", "unknown unit 'nc'; nearest: nC"),
        ("20 KHz", "frequency", "unknown unit 'KHz'; nearest: kHz"),
        ("200 nC", "time", "'200 nC' is a charge; expected a time (in s)"),
        ("60", "current", "'60' has no unit; expected a current, as 60 A"),
        ("1,5 V", "voltage", "a comma is not a decimal point here; nearest: 1.5 V"),
        ("sixty mA", "current", "'sixty mA' is not a quantity"),
        ("1e999999 V", "voltage", "too large"),
        ("1e99 V", "voltage", "too large"),
        ("9" * 200 + " V", "voltage", "a quantity of 202 characters"),
        ("", "voltage", "'' is not a quantity"),
        ("5 mV/", "voltage", "unknown unit"),
    ],
)
def test_refuses_with_one_clear_message(text: str, want: str, says: str) -> None:
    with pytest.raises(CallError) as caught:
        parse(text, want)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "low", "typ", "high"),
    [
        ("40..60 mA", "40 mA", "50 mA", "60 mA"),
        ("20 / 25 / 30 mA", "20 mA", "25 mA", "30 mA"),
        ("25 mA +- 20 %", "20 mA", "25 mA", "30 mA"),
        ("25 mA ± 5 mA", "20 mA", "25 mA", "30 mA"),
        ("-40 / 25 / 85 degC", "-40 degC", "25 degC", "85 degC"),
        ("900 mA..1.1 A", "900 mA", "1 A", "1.1 A"),
        ("1.2 mohm", "1.2 mohm", "1.2 mohm", "1.2 mohm"),
        ("-1..1 %", "-0.01", "0", "0.01"),
    ],
)
def test_bands(text: str, low: str, typ: str, high: str) -> None:
    band = parse_band(text)
    assert (band.low, band.typ, band.high) == (
        parse(low).value,
        parse(typ).value,
        parse(high).value,
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("60..40 mA", "not in order"),
        ("20 / 25 mA", "2 parts; expected min / typ / max"),
        ("1 V..2 A", "mixes current and voltage"),
        ("25 mA +- 5 V", "the tolerance is a voltage; expected % or a current"),
        ("25 mA +- -5 %", "negative tolerance"),
        ("1..2..3 V", "expected min..max"),
    ],
)
def test_bands_refused(text: str, says: str) -> None:
    with pytest.raises(CallError, match=says.replace("..", r"\.\.").replace("+", r"\+")):
        parse_band(text)


def test_a_band_is_in_order_or_nothing() -> None:
    with pytest.raises(CallError, match="not in order"):
        Band(Fraction(2), Fraction(1), Fraction(3), NONE)


UNITS = ["V", "mA", "ns", "kHz", "mohm", "nC", "uF", "nH", "W", "mV", "us", "MHz"]


@given(
    st.decimals(min_value="-1e6", max_value="1e6", allow_nan=False, places=4),
    st.sampled_from(UNITS),
)
def test_parsing_is_exact_for_every_decimal(number: object, unit: str) -> None:
    one = parse(f"1 {unit}").value
    assert parse(f"{number:f} {unit}").value == Fraction(str(number)) * one


@given(
    st.floats(min_value=1e-14, max_value=1e10),
    st.sampled_from(["voltage", "current", "time", "charge", "capacitance", "power"]),
)
def test_what_is_shown_reads_back(value: float, kind: str) -> None:
    dim = DIMENSIONS[kind][0]
    text = show(value, dim, digits=6)
    assert float(parse(text, kind).value) == pytest.approx(value, rel=1e-5)


@pytest.mark.parametrize(
    ("value", "kind", "text"),
    [
        (0.06, "current", "60 mA"),
        (0.9999999, "current", "1 A"),
        (999.96e-6, "time", "1 ms"),
        (0, "voltage", "0 V"),
        (-0.0015, "voltage", "-1.5 mV"),
        (5e8, "voltage slew", "500 V/us"),
        (150, "temperature", "150 degC"),
        (2e4, "frequency", "20 kHz"),
    ],
)
def test_shown_with_the_prefix_that_suits(value: float, kind: str, text: str) -> None:
    assert show(value, DIMENSIONS[kind][0]) == text


def test_infinity_is_shown_and_does_not_raise() -> None:
    assert show(math.inf, DIMENSIONS["time"][0]) == "inf s"


@pytest.mark.parametrize("text", ["²", "1²", "①", "", " ", "-1", "+1", "1.0", "0x1", "9" * 21])
def test_a_count_is_ascii_digits_alone(text: str) -> None:
    """`str.isdigit` takes superscripts, and `int` no more than some thousand digits."""
    assert count_of(text) is None
    assert count_of(" 017 ") == 17
