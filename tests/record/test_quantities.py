"""Values the way people write them at the vehicle: ohms, volts, bit rates, kilometres, minutes, money."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import QuantityError
from casebase.record.quantities import (
    BIT_RATE,
    DISTANCE,
    MINUTES,
    ODOMETER,
    RESISTANCE,
    VOLTAGE,
    Amount,
    Dimension,
    read_amount,
    read_money,
)
from casebase.record.reading_value import Comparison, OverLimit, read_comparison, read_reading_value

DIMENSIONS = {it.name: it for it in (RESISTANCE, VOLTAGE, BIT_RATE, ODOMETER, DISTANCE, MINUTES)}


@pytest.mark.parametrize(
    ("written", "ohms", "kept"),
    [
        ("60.2 ohm", 60.2, "60.2 ohm"),
        ("60.2ohm", 60.2, "60.2 ohm"),
        ("60.2 Ohms", 60.2, "60.2 ohm"),
        ("60.2 OHM", 60.2, "60.2 ohm"),
        ("60.2 \u03a9", 60.2, "60.2 ohm"),
        ("60.2 \u2126", 60.2, "60.2 ohm"),
        ("60.2", 60.2, "60.2 ohm"),
        (60.2, 60.2, "60.2 ohm"),
        (60, 60.0, "60 ohm"),
        ("60,2 ohm", 60.2, "60.2 ohm"),
        ("60.20 ohm", 60.2, "60.20 ohm"),
        ("60R", 60.0, "60 ohm"),
        ("4R7", 4.7, "4.7 ohm"),
        ("1.2k", 1200.0, "1.2 kohm"),
        ("1.2K", 1200.0, "1.2 kohm"),
        ("4k7", 4700.0, "4.7 kohm"),
        ("1.2 k\u03a9", 1200.0, "1.2 kohm"),
        ("2M2", 2.2e6, "2.2 Mohm"),
        ("2.2 Mohm", 2.2e6, "2.2 Mohm"),
        ("300 mohm", 0.3, "300 mohm"),
        ("1 200 ohm", 1200.0, "1200 ohm"),
        ("1'200 ohm", 1200.0, "1200 ohm"),
        ("1\u202f200 ohm", 1200.0, "1200 ohm"),
        ("about 60 ohm", 60.0, "about 60 ohm"),
        ("~60 ohm", 60.0, "about 60 ohm"),
        ("ca. 60", 60.0, "about 60 ohm"),
        ("approx 60 ohm", 60.0, "about 60 ohm"),
        (".5 ohm", 0.5, "0.5 ohm"),
        ("+60 ohm", 60.0, "60 ohm"),
        ("0", 0.0, "0 ohm"),
    ],
)
def test_one_resistance_has_many_spellings(written: object, ohms: float, kept: str) -> None:
    """However the ohms are written, they are kept in one spelling with the digits as typed."""
    amount = read_amount(written, RESISTANCE)
    assert amount.number == pytest.approx(ohms)
    assert str(amount) == kept


@pytest.mark.parametrize(
    ("written", "volts", "kept"),
    [
        ("2.4 V", 2.4, "2.4 V"),
        ("2,4V", 2.4, "2.4 V"),
        ("2.4 v", 2.4, "2.4 V"),
        ("2.4 volts", 2.4, "2.4 V"),
        ("2.4 V DC", 2.4, "2.4 V"),
        ("2.4", 2.4, "2.4 V"),
        ("24 mV", 0.024, "24 mV"),
        ("-.5 V", -0.5, "-0.5 V"),
        ("-0.1 V", -0.1, "-0.1 V"),
    ],
)
def test_one_voltage_has_many_spellings(written: str, volts: float, kept: str) -> None:
    """Volts with comma or point, with or without unit, are one value."""
    amount = read_amount(written, VOLTAGE)
    assert amount.number == pytest.approx(volts)
    assert str(amount) == kept


@pytest.mark.parametrize(
    ("written", "dimension", "number", "kept"),
    [
        ("500 kbit/s", BIT_RATE, 500e3, "500 kbit/s"),
        ("500k", BIT_RATE, 500e3, "500 kbit/s"),
        ("500 kbps", BIT_RATE, 500e3, "500 kbit/s"),
        ("500 KBIT/S", BIT_RATE, 500e3, "500 kbit/s"),
        ("33.333 kbit/s", BIT_RATE, 33_333.0, "33.333 kbit/s"),
        ("10 Mbit/s", BIT_RATE, 10e6, "10 Mbit/s"),
        ("9600 baud", BIT_RATE, 9600.0, "9600 bit/s"),
        ("84 200 km", ODOMETER, 84_200.0, "84200 km"),
        ("84\u00a0200 km", ODOMETER, 84_200.0, "84200 km"),
        ("84'200 KM", ODOMETER, 84_200.0, "84200 km"),
        ("98600 mi", ODOMETER, 158_681.3184, "98600 mi"),
        ("98600 miles", ODOMETER, 158_681.3184, "98600 mi"),
        ("300 m", DISTANCE, 0.3, "300 m"),
        ("12 km", DISTANCE, 12.0, "12 km"),
        ("45 min", MINUTES, 45.0, "45 min"),
        (45, MINUTES, 45.0, "45 min"),
        ("1.5 h", MINUTES, 90.0, "1.5 h"),
        ("2 hours", MINUTES, 120.0, "2 h"),
    ],
)
def test_rates_distances_and_times_keep_their_unit(
    written: object, dimension: Dimension, number: float, kept: str
) -> None:
    """A mile is 1.609344 km (international yard and pound agreement, 1959); units are kept as typed."""
    amount = read_amount(written, dimension)
    assert amount.number == pytest.approx(number)
    assert str(amount) == kept


@pytest.mark.parametrize(
    ("written", "low", "high", "kept"),
    [
        ("2.3 to 2.7 V", 2.3, 2.7, "2.3 to 2.7 V"),
        ("2.3 TO 2.7", 2.3, 2.7, "2.3 to 2.7 V"),
        ("2.3..2.7 V", 2.3, 2.7, "2.3 to 2.7 V"),
        ("2.3\u20262.7 V", 2.3, 2.7, "2.3 to 2.7 V"),
        ("2.3\u20132.7 V", 2.3, 2.7, "2.3 to 2.7 V"),
        ("-100 to 100 mV", -0.1, 0.1, "-100 to 100 mV"),
        ("-2 to 0 mV", -0.002, 0.0, "-2 to 0 mV"),
        ("about 2.3 to 2.7 V", 2.3, 2.7, "about 2.3 to 2.7 V"),
    ],
)
def test_a_flickering_value_is_a_range(written: str, low: float, high: float, kept: str) -> None:
    """A meter that will not settle is told as a range in one unit; the middle counts."""
    amount = read_amount(written, VOLTAGE)
    assert (amount.low, amount.high) == (pytest.approx(low), pytest.approx(high))
    assert amount.number == pytest.approx((low + high) / 2)
    assert str(amount) == kept


def test_a_value_that_fell_is_a_range_told_in_its_order() -> None:
    """A battery under a starter goes from 12.6 to 8.1 V: written as it was seen, and read again as the same."""
    fell = read_amount("12.6 to 8.1", VOLTAGE)
    assert (fell.low, fell.high, str(fell)) == (8.1, 12.6, "12.6 to 8.1 V")
    assert read_amount(str(fell), VOLTAGE) == fell


def test_ohms_below_zero_are_taken() -> None:
    """A meter shows them where a voltage stands on the wire (common practice, no source)."""
    assert read_amount("-14.2 ohm", RESISTANCE).number == -14.2


def test_small_m_is_a_thousandth_and_capital_m_a_million() -> None:
    """The SI prefixes m and M lie nine powers of ten apart and are never taken for each other."""
    assert read_amount("5 mohm", RESISTANCE).number == pytest.approx(0.005)
    assert read_amount("5 Mohm", RESISTANCE).number == pytest.approx(5e6)
    assert read_amount("5 MOHM", RESISTANCE).number == pytest.approx(5e6)
    for written, dimension in (("5 MV", VOLTAGE), ("5 mbit/s", BIT_RATE), ("5 m", RESISTANCE)):
        with pytest.raises(QuantityError, match="is no unit of"):
            read_amount(written, dimension)


@pytest.mark.parametrize("written", ["1,200 ohm", "1,200", "12,000 to 13,000 ohm", "84,200 km"])
def test_a_comma_before_three_digits_can_be_read_two_ways(written: str) -> None:
    """`1,200` is 1.2 in Stuttgart and 1200 in Detroit: a guess would be a factor of a thousand."""
    with pytest.raises(QuantityError, match="can be read two ways"):
        read_amount(written, ODOMETER if "km" in written else RESISTANCE)


@pytest.mark.parametrize(
    ("written", "dimension"),
    [
        ("500 Mohm", RESISTANCE),
        ("400 V", VOLTAGE),
        ("-20 V", VOLTAGE),
        ("2 to 400 V", VOLTAGE),
        ("100 bit/s", BIT_RATE),
        ("100 Mbit/s", BIT_RATE),
        ("-1 km", ODOMETER),
        ("9000000 km", ODOMETER),
        ("-5 min", MINUTES),
    ],
)
def test_values_that_cannot_occur_are_refused_with_the_bounds(written: str, dimension: Dimension) -> None:
    """500 Mohm or 400 V on a bus line are typing errors; the sentence says what can be."""
    with pytest.raises(QuantityError, match=rf"cannot be an? {dimension.name}: expected .* to .*"):
        read_amount(written, dimension)


@pytest.mark.parametrize(
    ("written", "dimension", "said"),
    [
        ("60 V", RESISTANCE, "'V' is no unit of resistance"),
        ("2.5 ohm", VOLTAGE, "'ohm' is no unit of voltage"),
        ("500", BIT_RATE, "has no unit"),
        ("84200", ODOMETER, "has no unit"),
        ("sixty", RESISTANCE, "not a resistance"),
        ("", RESISTANCE, "not a resistance"),
        ("   ", VOLTAGE, "not a voltage"),
        ("1 h 30 min", MINUTES, "is no unit of time"),
        ("6" * 61, RESISTANCE, "not a resistance"),
        (True, RESISTANCE, "not a resistance"),
        (None, VOLTAGE, "not a voltage"),
        ([60], RESISTANCE, "not a resistance"),
        (float("nan"), VOLTAGE, "not a voltage"),
        (float("inf"), VOLTAGE, "not a voltage"),
    ],
)
def test_what_is_no_value_is_refused_with_an_example(
    written: object, dimension: Dimension, said: str
) -> None:
    """A wrong unit, a missing unit, a word or a truth value names what was expected."""
    with pytest.raises(QuantityError, match=said) as refused:
        read_amount(written, dimension)
    assert dimension.example in str(refused.value)


@pytest.mark.parametrize(
    "written", ["OL", "ol", "O.L", "O.L.", "0L", "0.L", "over limit", "open line", "\u221e", " Over  Limit "]
)
def test_over_limit_is_a_value_of_ohms(written: str) -> None:
    """Every meter shows an open circuit its own way (common practice, no source); all mean `OL`."""
    assert read_reading_value(written, RESISTANCE) is OverLimit.OL


def test_over_limit_is_no_voltage() -> None:
    """A meter on volts that shows OL is on the wrong range, not on a bus line."""
    with pytest.raises(QuantityError, match=r"OL .* not of voltage"):
        read_reading_value("OL", VOLTAGE)


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("unchanged", Comparison.UNCHANGED),
        ("No change", Comparison.UNCHANGED),
        ("same as  before", Comparison.UNCHANGED),
        ("back to normal", Comparison.BACK_TO_NORMAL),
        ("Restored", Comparison.BACK_TO_NORMAL),
        (Comparison.UNCHANGED, Comparison.UNCHANGED),
        ("better", None),
        (5, None),
    ],
)
def test_a_reading_may_be_told_against_an_earlier_one(written: object, meant: Comparison | None) -> None:
    """`unchanged` and `back to normal` are readings too, in any of their usual wordings."""
    assert read_comparison(written) is meant
    if meant:
        assert read_reading_value(written, VOLTAGE) is meant


def test_what_was_read_once_is_read_again_unchanged() -> None:
    """A value already read passes through, so that a record can be made from parts of another."""
    amount = Amount("60.2", "ohm", 60.2, 60.2)
    assert read_amount(amount, RESISTANCE) is amount
    assert read_reading_value(OverLimit.OL, RESISTANCE) is OverLimit.OL
    assert read_money(amount) is amount


@pytest.mark.parametrize(
    ("written", "kept", "number"),
    [
        ("184.50 EUR", "184.50 EUR", 184.5),
        ("184,50 EUR", "184.50 EUR", 184.5),
        ("EUR 184.50", "184.50 EUR", 184.5),
        ("\u20ac 184,50", "184.50 EUR", 184.5),
        ("184.50\u20ac", "184.50 EUR", 184.5),
        ("\u00a319", "19 GBP", 19.0),
        ("1 250 SEK", "1250 SEK", 1250.0),
    ],
)
def test_money_has_a_currency(written: str, kept: str, number: float) -> None:
    """An amount of money is kept with its ISO 4217 currency, whichever side it was written on."""
    amount = read_money(written)
    assert (str(amount), amount.number) == (kept, number)


@pytest.mark.parametrize(
    "written",
    [
        "184.50",
        "$184",
        "EUR",
        "EUR 184 EUR",
        "184.505 EUR",
        "1,250 EUR",
        "-5 EUR",
        184,
        None,
        True,
        "0" * 57 + "EUR x",
    ],
)
def test_money_without_a_plain_amount_and_currency_is_refused(written: object) -> None:
    """A bare number, a sign that several countries share, or words after the amount are not guessed at."""
    with pytest.raises(QuantityError, match=r"expected an amount with its currency"):
        read_money(written)


NUMBERS = st.decimals(min_value=0, max_value=4000, places=3) | st.integers(0, 4000).map(Decimal)


@pytest.mark.slow
@given(
    number=NUMBERS,
    gap=st.sampled_from(["", " ", "  ", "\u00a0"]),
    about=st.booleans(),
    name=st.sampled_from(sorted(DIMENSIONS)),
    data=st.data(),
)
def test_every_spelling_of_a_unit_survives_the_round_trip(
    number: Decimal, gap: str, about: bool, name: str, data: st.DataObject
) -> None:
    """Text, amount, text, amount: the second amount is the first, in value, digits and unit."""
    dimension = DIMENSIONS[name]
    spelling = data.draw(st.sampled_from(sorted(dimension.units)))
    value = float(number) * dimension.units[spelling][1]
    written = f"{'about ' if about else ''}{number}{gap}{spelling}"
    if not dimension.low <= value <= dimension.high:
        with pytest.raises(QuantityError):
            read_amount(written, dimension)
        return
    amount = read_amount(written, dimension)
    assert amount.number == pytest.approx(value)
    assert read_amount(str(amount), dimension) == amount


@pytest.mark.slow
@given(st.floats(-7, 7), st.floats(-7, 7), st.sampled_from(["V", "mV", "volts"]))
def test_every_range_survives_the_round_trip(first: float, second: float, unit: str) -> None:
    """A range keeps its two ends, whatever their signs and unit."""
    low, high = sorted((round(first, 3), round(second, 3)))
    amount = read_amount(f"{low:.3f} to {high:.3f} {unit}", VOLTAGE)
    factor = VOLTAGE.units[unit][1]
    assert (amount.low, amount.high) == (pytest.approx(low * factor), pytest.approx(high * factor))
    assert read_amount(str(amount), VOLTAGE) == amount


@pytest.mark.slow
@given(
    st.text() | st.text(alphabet="0123456789.,+-kmMRVohmOL to~\u03a9 EUR\u20ac"),
    st.sampled_from(sorted(DIMENSIONS)),
)
def test_no_text_is_refused_with_anything_but_a_quantity_error(text: str, name: str) -> None:
    """Whatever was typed is either a value or a refusal that says what was expected."""
    for read in (
        lambda: read_amount(text, DIMENSIONS[name]),
        lambda: read_reading_value(text, DIMENSIONS[name]),
        lambda: read_money(text),
    ):
        with suppress(QuantityError):
            assert str(read())
