"""The value of a reading as technicians write it: open, over or under a limit, two values in one state, normal."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import QuantityError
from casebase.record.quantities import CURRENT, RESISTANCE, VOLTAGE
from casebase.record.reading_value import (
    Bound,
    Comparison,
    OverLimit,
    Several,
    read_fault_word,
    read_reading_value,
)


@pytest.mark.parametrize("written", ["open", "Open circuit", "no continuity"])
def test_open_is_kept_as_the_word_and_is_more_than_the_meter_shows(written: str) -> None:
    """Who writes open has seen OL (common practice, no source); the word stays."""
    assert read_reading_value(written, RESISTANCE) is OverLimit.OPEN


@pytest.mark.parametrize(
    ("written", "kept", "ohms", "is_over"),
    [
        ("> 10 Mohm", "over 10 Mohm", 10e6, True),
        (">10M", "over 10 Mohm", 10e6, True),
        ("over 500 kohm", "over 500 kohm", 500e3, True),
        ("more than 1.2k", "over 1.2 kohm", 1200.0, True),
        ("below 50", "under 50 ohm", 50.0, False),
        ("< 0.5", "under 0.5 ohm", 0.5, False),
        ("less than 5 ohms", "under 5 ohm", 5.0, False),
    ],
)
def test_a_value_over_or_under_a_limit_keeps_the_limit(
    written: str, kept: str, ohms: float, is_over: bool
) -> None:
    """Manuals and meters give limits: above 10 Mohm, below 50 ohm."""
    value = read_reading_value(written, RESISTANCE)
    assert isinstance(value, Bound)
    assert (str(value), value.limit.number, value.is_over) == (kept, ohms, is_over)


@pytest.mark.parametrize(
    ("written", "kept", "numbers"),
    [
        ("60, 120 when shaken", "60 ohm; 120 ohm when shaken", (60.0, 120.0)),
        ("60.1; 119.8 ohm", "60.1 ohm; 119.8 ohm", (60.1, 119.8)),
        ("60R then 1.2k while the door moves", "60 ohm; 1.2 kohm while the door moves", (60.0, 1200.0)),
        ("60 ohm and 120 ohm with the loom pulled", "60 ohm; 120 ohm with the loom pulled", (60.0, 120.0)),
        ("0.4 ohm / 12 ohm when wet", "0.4 ohm; 12 ohm when wet", (0.4, 12.0)),
    ],
)
def test_two_values_in_one_state_are_both_kept(written: str, kept: str, numbers: tuple[float, ...]) -> None:
    """A bad joint reads one thing at rest and another when it is moved (common practice, no source)."""
    value = read_reading_value(written, RESISTANCE)
    assert isinstance(value, Several)
    assert str(value) == kept
    assert tuple(each.number for each in value.values if not isinstance(each, OverLimit)) == numbers


def test_one_of_two_values_may_be_open() -> None:
    """The wire that opens when the carpet is pressed."""
    value = read_reading_value("60, OL when the carpet is pressed", RESISTANCE)
    assert isinstance(value, Several)
    assert value.values[1] is OverLimit.OL
    assert value.when == "when the carpet is pressed"


def test_a_comma_without_a_space_is_still_a_decimal_point() -> None:
    """`2,4 V` is one voltage and `2, 4 V` are two."""
    assert str(read_reading_value("2,4 V", VOLTAGE)) == "2.4 V"
    assert str(read_reading_value("2, 4 V", VOLTAGE)) == "2 V; 4 V"


@pytest.mark.parametrize("written", ["normal", "in order", "OK"])
def test_normal_is_a_value_of_anything_measured(written: str) -> None:
    """No number was noted: it was as on a healthy bus."""
    assert read_reading_value(written, VOLTAGE) is Comparison.NORMAL


def test_current_needs_its_unit() -> None:
    """35 may be milliampere or ampere: it is asked for."""
    assert str(read_reading_value("35 mA", CURRENT)) == "35 mA"
    with pytest.raises(QuantityError, match="has no unit"):
        read_reading_value("35", CURRENT)


@pytest.mark.parametrize(
    ("written", "meant"),
    [("gone", "gone"), ("fault gone", "gone"), ("still there", "unchanged"), ("restored", "back to normal")],
)
def test_a_fault_is_gone_restored_or_unchanged(written: str, meant: str) -> None:
    """What is said with the module unplugged, without a number."""
    assert str(read_fault_word(written)) == meant


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("over 58 to 62", "over or under a range says nothing: expected one value"),
        ("over", "expected a value such as 60.2 ohm"),
        ("60 when shaken", "not two values in one state: expected such as '60, 120 when shaken'"),
        ("60, 1.2k", "60 beside a value in kohm can be read two ways: write the unit of each"),
        ("60, 70, 80, 90", "not two values in one state"),
        ("60, yellow when shaken", "expected a value such as 60.2 ohm"),
        ("gone", "said of a fault, not of a resistance: expected 60.2 ohm"),
        ("better", "expected a value such as 60.2 ohm"),
    ],
)
def test_what_cannot_be_taken_is_refused_with_what_would_be(written: str, said: str) -> None:
    """One sentence, with an example."""
    with pytest.raises(QuantityError, match=said) as refused:
        read_reading_value(written, RESISTANCE)
    assert "\n" not in str(refused.value)


def test_a_fault_has_no_number() -> None:
    """60 ohm is no answer to whether the fault is gone."""
    with pytest.raises(QuantityError, match="expected gone, restored or unchanged"):
        read_fault_word("60 ohm")


@pytest.mark.slow
@given(
    st.text(alphabet="0123456789.,; /<>kMVOLohm whenthadro") | st.text(),
    st.sampled_from([RESISTANCE, VOLTAGE, CURRENT]),
)
def test_whatever_was_read_is_written_as_it_is_read_again(text: str, dimension: object) -> None:
    """Records are kept as text: value, text, value again is the same value."""
    with suppress(QuantityError):
        value = read_reading_value(text, dimension)  # type: ignore[arg-type]
        assert read_reading_value(str(value), dimension) == value  # type: ignore[arg-type]


@pytest.mark.slow
@given(
    st.lists(st.decimals(min_value=0, max_value=999, places=1), min_size=2, max_size=3),
    st.sampled_from(["", "when shaken", "while it rains; at times"]),
)
def test_every_list_of_values_survives_the_round_trip(numbers: list[object], when: str) -> None:
    """Two or three values, and what was done meanwhile."""
    value = read_reading_value(f"{'; '.join(map(str, numbers))} ohm {when}", RESISTANCE)
    assert isinstance(value, Several)
    assert len(value.values) == len(numbers)
    assert value.when == when
    assert read_reading_value(str(value), RESISTANCE) == value
