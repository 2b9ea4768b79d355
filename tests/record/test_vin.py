"""A VIN is refused for its shape only; a check digit or a model year that does not fit is remarked upon."""

import dataclasses

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from casebase.errors import InputError
from casebase.record.vehicle import (
    CHARACTER_VALUES,
    check_digit,
    model_year_remark,
    model_years_of_code,
    parse_vin,
    requires_check_digit,
    vin_remark,
)

REGULATION_EXAMPLE = "1G4AH59H45G118341"  # 49 CFR 565.15(c), sample calculation of a check digit
WRONG_CHECK_DIGIT = "1G4AH59H55G118341"

permitted_17 = st.text(alphabet=sorted(CHARACTER_VALUES), min_size=17, max_size=17)
correct_vins = permitted_17.map(lambda text: text[:8] + check_digit(text) + text[9:])


def test_vin_is_read_in_any_case_with_spaces_and_dashes() -> None:
    """What was typed from a sticker, with a dash from a word processor too, is one and the same VIN."""
    assert parse_vin(" 1g4-ah59h\u20134 5g118341\n").text == REGULATION_EXAMPLE


def test_vin_cannot_be_changed_once_read() -> None:
    """A VIN belongs to one vehicle, so a read one stays as it is."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        parse_vin(REGULATION_EXAMPLE).text = "x"  # type: ignore[misc]


@pytest.mark.parametrize(
    ("text", "length"), [("", 0), ("1G4AH59H45G11834", 16), (REGULATION_EXAMPLE + "1", 18)]
)
def test_vin_of_another_length_is_refused_with_the_count(text: str, length: int) -> None:
    """The sentence says how many characters were found and that 17 were expected."""
    with pytest.raises(InputError, match=rf"has {length} characters, expected 17"):
        parse_vin(text)


def test_pasted_page_is_refused_without_repeating_all_of_it() -> None:
    """A whole scan report pasted into the VIN field gives one short sentence."""
    with pytest.raises(InputError) as refusal:
        parse_vin("A" * 5000)
    assert len(str(refusal.value)) < 250


def test_letter_o_for_zero_is_refused_with_the_likely_vin() -> None:
    """The letter O cannot stand in a VIN; with the digit 0 in its place the check digit proves the guess."""
    right = "11111111X11111110"
    right = right[:8] + check_digit(right) + right[9:]
    with pytest.raises(
        InputError, match=rf"'O' at position 17.*did you mean {right}, whose check digit matches"
    ):
        parse_vin(right[:16] + "o")


def test_letter_i_for_one_in_a_vin_with_another_fault_is_not_called_proven() -> None:
    """Where the check digit does not confirm the guess, the guess is offered without proof."""
    with pytest.raises(InputError, match=rf"did you mean {WRONG_CHECK_DIGIT}\?"):
        parse_vin(WRONG_CHECK_DIGIT[:16] + "I")


@pytest.mark.parametrize("character", ["*", "\u0663", "\u017f", "\u00df", "\uff21"])
def test_character_of_no_vin_is_refused_with_its_position(character: str) -> None:
    """A sign, or a letter or digit of another script, is named, not turned into a look-alike."""
    with pytest.raises(InputError, match=r"at position 5, expected digits and the letters A to Z"):
        parse_vin("1G4A" + character + REGULATION_EXAMPLE[5:])


def test_wrong_check_digit_is_no_refusal() -> None:
    """Many markets use no check digit, so a VIN whose digit does not match is still a VIN."""
    vin = parse_vin(WRONG_CHECK_DIGIT)
    assert (vin.check_digit_found, vin.check_digit_expected, vin.check_digit_matches) == ("5", "4", False)


def test_check_digit_that_matches_is_not_remarked_upon_anywhere() -> None:
    """A right check digit gives nothing to say in any market."""
    assert [vin_remark(REGULATION_EXAMPLE, market) for market in ("USA", "Europe", None)] == [
        None,
        None,
        None,
    ]


@pytest.mark.parametrize("market", ["North America", "U.S.A.", "Canada", "usa / mexico", "China"])
def test_wrong_check_digit_means_a_wrong_character_where_the_market_requires_it(market: str) -> None:
    """Where the digit is required, the VIN was misread and must be read again."""
    remark = vin_remark(WRONG_CHECK_DIGIT, market)
    assert remark is not None
    assert "position 9 is 5" in remark
    assert "check digit 4" in remark
    assert "at least one character is wrong" in remark


def test_wrong_check_digit_is_remarked_upon_softly_in_another_market() -> None:
    """Where the digit is not used, the VIN may be right."""
    remark = vin_remark(parse_vin(WRONG_CHECK_DIGIT), "Europe")
    assert remark is not None
    assert remark.endswith(
        "the market Europe is not known to use a check digit, so the VIN may still be right."
    )


@pytest.mark.parametrize("market", [None, "", " - "])
def test_wrong_check_digit_without_a_market_says_what_depends_on_it(market: str | None) -> None:
    """With no market stated the sentence names both readings of the mismatch."""
    remark = vin_remark(WRONG_CHECK_DIGIT, market)
    assert remark is not None
    assert "no market is stated" in remark


def test_markets_are_recognised_as_technicians_write_them() -> None:
    """North America and China require the digit; an unrelated name that contains "us" does not."""
    assert requires_check_digit("us")
    assert requires_check_digit("china")
    assert not requires_check_digit("Australia")


def test_position_ten_leaves_two_model_years() -> None:
    """The codes start again after 30 years, so both years of the code remain (49 CFR 565.15(d))."""
    assert parse_vin(REGULATION_EXAMPLE).model_years == (2005, 2035)


def test_codes_that_stand_for_no_year_give_none() -> None:
    """U, Z and 0 never stand for a model year (49 CFR 565.15(d))."""
    assert [model_years_of_code(code) for code in "UZ0"] == [(), (), ()]
    vin = parse_vin("1G4AH59H4ZG118341")
    assert vin.model_years == ()
    assert model_year_remark(vin, 2005) is None


@pytest.mark.parametrize("year", [2004, 2005, 2006, 2034, 2036, None])
def test_model_year_within_one_year_is_not_remarked_upon(year: int | None) -> None:
    """Shops often write the year of first registration, which lies within one year of the model year."""
    assert model_year_remark(REGULATION_EXAMPLE, year) is None


@pytest.mark.parametrize("year", [1990, 2003, 2007, 2019])
def test_model_year_further_off_is_remarked_upon_with_both_candidates(year: int) -> None:
    """The sentence names the code, the years it can mean and the year that was stated."""
    remark = model_year_remark(REGULATION_EXAMPLE, year)
    assert remark is not None
    assert f"position 10 is 5, which stands for model year 2005 or 2035, but {year} is stated" in remark


def test_remarks_on_a_text_that_is_no_vin_refuse_it() -> None:
    """A remark needs a VIN of the right shape."""
    with pytest.raises(InputError):
        vin_remark("123", None)
    with pytest.raises(InputError):
        model_year_remark("123", 2005)


@pytest.mark.slow
@given(correct_vins, st.integers(0, 16), st.sampled_from(sorted(CHARACTER_VALUES)))
def test_one_misread_character_of_another_value_is_always_noticed(vin: str, place: int, other: str) -> None:
    """No single slip escapes the check digit unless both characters carry one value, as S and 2 do."""
    misread = vin[:place] + other + vin[place + 1 :]
    assume(other != vin[place])
    assume(place == 8 or CHARACTER_VALUES[other] != CHARACTER_VALUES[vin[place]])
    assert parse_vin(vin).check_digit_matches
    assert not parse_vin(misread).check_digit_matches


@pytest.mark.slow
@given(permitted_17)
def test_reading_a_read_vin_changes_nothing(text: str) -> None:
    """The text of a VIN reads as that same VIN."""
    vin = parse_vin(text.lower())
    assert parse_vin(vin.text) == vin
    assert vin.text == text


@pytest.mark.slow
@given(st.text(max_size=40) | st.text(min_size=17, max_size=17))
def test_any_text_is_read_or_refused_in_one_line(text: str) -> None:
    """Whatever stands in the field, the answer is a VIN or one sentence, never a crash."""
    try:
        answer = parse_vin(text).text
    except InputError as refusal:
        answer = str(refusal)
    assert answer
    assert len(answer.splitlines()) == 1
