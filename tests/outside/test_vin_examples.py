"""The VIN reader against the regulation's example, published worked examples and an independent library."""

import datetime
from collections.abc import Callable

import pytest
import vininfo  # type: ignore[import-untyped]
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import InputError
from casebase.record.vehicle import (
    CHARACTER_VALUES,
    MODEL_YEAR_CODES,
    POSITION_WEIGHTS,
    check_digit,
    parse_vin,
)

WORKED_EXAMPLES = [
    # 49 CFR 565.15(c), sample calculation of a check digit: 411 = 37 x 11 + 4
    ("1G4AH59H45G118341", 411, "4"),
    # Wikibooks, "Vehicle Identification Numbers (VIN codes)/Check digit": 351 = 31 x 11 + 10
    ("1M8GDM9AXKP042788", 351, "X"),
    # "Calculation of the VIN Check Digit", a published worked example: 280 = 25 x 11 + 5
    ("JH2RC3605MM101581", 280, "5"),
    # Seventeen ones, derived from the weights of 49 CFR 565.15(c): 89 = 8 x 11 + 1
    ("11111111111111111", 89, "1"),
]

# 49 CFR 565.15(d), table of year codes; the years of the second cycle too.
# fmt: off
REGULATION_YEARS = {
    "A": (1980, 2010), "B": (1981, 2011), "C": (1982, 2012), "D": (1983, 2013), "E": (1984, 2014),
    "F": (1985, 2015), "G": (1986, 2016), "H": (1987, 2017), "J": (1988, 2018), "K": (1989, 2019),
    "L": (1990, 2020), "M": (1991, 2021), "N": (1992, 2022), "P": (1993, 2023), "R": (1994, 2024),
    "S": (1995, 2025), "T": (1996, 2026), "V": (1997, 2027), "W": (1998, 2028), "X": (1999, 2029),
    "Y": (2000, 2030), "1": (2001, 2031), "2": (2002, 2032), "3": (2003, 2033), "4": (2004, 2034),
    "5": (2005, 2035), "6": (2006, 2036), "7": (2007, 2037), "8": (2008, 2038), "9": (2009, 2039),
}
# fmt: on


@pytest.mark.parametrize(("text", "sum_of_products", "digit"), WORKED_EXAMPLES)
def test_check_digit_follows_the_published_worked_examples(
    text: str, sum_of_products: int, digit: str
) -> None:
    """Sum of products, check digit and verdict are those the source prints."""
    products = [CHARACTER_VALUES[c] * w for c, w in zip(text, POSITION_WEIGHTS, strict=True)]
    assert sum(products) == sum_of_products
    assert check_digit(text) == digit
    assert parse_vin(text).check_digit_matches


def test_products_are_those_printed_in_the_regulation() -> None:
    """Each product of the sample calculation in 49 CFR 565.15(c) comes out as printed there."""
    products = [CHARACTER_VALUES[c] * w for c, w in zip("1G4AH59H45G118341", POSITION_WEIGHTS, strict=True)]
    assert products == [8, 49, 24, 5, 32, 15, 18, 80, 0, 45, 56, 7, 6, 40, 12, 12, 2]


def test_year_codes_are_those_of_the_regulation() -> None:
    """Each code of position 10 stands for the two years of the table in 49 CFR 565.15(d)."""
    found = {code: parse_vin(f"111111111{code}1111111").model_years for code in MODEL_YEAR_CODES}
    assert found == REGULATION_YEARS


# The library answers False for makers it marks as not using the digit, so only beginnings that belong to no
# maker in its list are compared; and False for U, Z and 0 in position 10 unless told not to check the year.
unassigned = st.sampled_from(["111", "7ZZ", "ZZZ"])
rest = st.text(alphabet=sorted(CHARACTER_VALUES), min_size=14, max_size=14)


@pytest.mark.slow
@given(unassigned, rest, st.booleans())
def test_check_digit_verdict_is_that_of_vininfo(beginning: str, end: str, corrected: bool) -> None:
    """The library vininfo finds the same VINs right and wrong."""
    text = beginning + end
    text = text[:8] + check_digit(text) + text[9:] if corrected else text
    assert parse_vin(text).check_digit_matches == vininfo.Vin(text).verify_checksum(check_year=False)


@pytest.mark.parametrize("code", MODEL_YEAR_CODES)
def test_model_years_are_those_of_vininfo_as_far_as_the_clock_allows(code: str) -> None:
    """The library vininfo leaves out years later than next year; the earlier ones are the same."""
    text = f"111111111{code}1111111"
    next_year = datetime.datetime.now(tz=datetime.UTC).year + 1
    years_so_far = {year for year in parse_vin(text).model_years if year <= next_year}
    assert set(vininfo.Vin(text).years) == years_so_far


@pytest.mark.slow
@given(st.text(alphabet=[*sorted(CHARACTER_VALUES), "I", "O", "Q", "*"], min_size=16, max_size=18))
def test_shape_is_refused_where_vininfo_refuses_it(text: str) -> None:
    """Both readers agree on what has the shape of a VIN."""
    assert _is_read(parse_vin, text) == _is_read(vininfo.Vin.validate, text)


def _is_read(read: Callable[[str], object], text: str) -> bool:
    try:
        read(text)
    except (InputError, vininfo.ValidationError):
        return False
    return True
