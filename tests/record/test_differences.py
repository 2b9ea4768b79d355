"""What differs between two revisions: every field that does, none that does not."""

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from casebase.record.edits import Difference, differences
from casebase.record.json_form import plain_data
from casebase.record.loading import case_from_data

BARE = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Fjellet"}, "symptoms": ["no start"]}


def case(**keys):
    """Return a record with these keys."""
    return case_from_data(BARE | keys, "a test")


def words(before, after):
    """Return the differences in words."""
    return [one.words() for one in differences(before, after)]


def test_a_field_that_changed_is_told_with_both_texts():
    """As people write its place, a text that was not there as added."""
    before = case(vehicle=BARE["vehicle"] | {"odometer": "188000 km"})
    after = case(vehicle=BARE["vehicle"] | {"odometer": "188500 km"}, leftover="radio code lost")
    assert words(before, after) == [
        "vehicle.odometer: 188000 km, now 188500 km",
        "leftover: added radio code lost",
    ]
    assert words(after, before)[1] == "leftover: taken out radio code lost"


def test_an_entry_put_in_first_leaves_the_others_alone():
    """One step more in front of two: one difference, not three."""
    steps = [{"did": "Full scan."}, {"did": "Ohms at the connector.", "found": "120 ohm"}]
    before, after = case(steps=steps), case(steps=[{"did": "Battery test."}, *steps])
    assert differences(before, after) == [Difference("steps[0]", None, "did Battery test.")]
    changed = case(steps=[steps[0], steps[1] | {"found": "60 ohm"}])
    assert words(before, changed) == ["steps[1].found: 120 ohm, now 60 ohm"]


def test_what_the_lead_said_is_no_difference():
    """It stands beside the record."""
    assert differences(case(), case(review={"state": "read and agreed", "by": "ingrid"})) == []


TEXTS = st.text(st.sampled_from("abc "), min_size=1, max_size=6).filter(str.strip)
RECORDS = st.fixed_dictionaries(
    {},
    optional={
        "symptoms": st.lists(TEXTS, min_size=1, max_size=4),
        "steps": st.lists(st.fixed_dictionaries({"did": TEXTS}, optional={"found": TEXTS}), max_size=4),
        "note": TEXTS,
        "leftover": TEXTS,
    },
)


@pytest.mark.slow
@given(RECORDS, RECORDS)
@example({"symptoms": ["a", "b", "aa"]}, {"symptoms": ["b", "a"]})
def test_there_are_differences_where_the_records_differ_and_only_there(one, other):
    """By the records' own plain data."""
    before, after = case(**one), case(**other)
    same = json.dumps(plain_data(before)) == json.dumps(plain_data(after))
    assert (differences(before, after) == []) == same
    assert len(differences(before, after)) == len(differences(after, before))
