"""Single fields set by name, and the text that somebody edits: whatever is typed, a record or a sentence comes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import CasebaseError
from casebase.record.edits import differences, with_fields, without_review
from casebase.record.loading import case_from_data, load_text
from casebase.terminal.editing import (
    based_on,
    text_to_edit,
    with_problems,
    with_remarks,
    without_marks,
)

CASE = case_from_data(
    {
        "kind": "fault case",
        "vehicle": {"make": "Norrvik", "model": "Fjellet", "odometer": "188000 km"},
        "concern": "ABS lamp on",
        "symptoms": ["no start", "chimes"],
        "codes": [{"module": "ECM", "code": "U0121-87"}],
        "readings": [
            {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60.2 ohm"}
        ],
        "networks": [{"name": "powertrain CAN", "medium": "high-speed CAN"}],
        "steps": [{"did": "Full scan."}, {"did": "Ohms.", "found": "120 ohm"}],
        "cause": {"fault": "low_open", "where": {"place": "harness"}},
        "provenance": {"author": "tova"},
        "review": {"state": "read and agreed", "by": "ingrid"},
    },
    "a test",
)


def changed(*settings):
    """Return in words what settings change."""
    return [one.words() for one in differences(CASE, with_fields(CASE, settings, "a test"))]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (["odometer=117000 mi"], ["vehicle.odometer: 188000 km, now 117000 mi"]),
        (["steps[1].found="], ["steps[1].found: taken out 120 ohm"]),
        (["steps[0]="], ["steps[0]: taken out did Full scan."]),
        (["symptoms[2]=heavy steering"], ["symptoms[2]: added heavy steering"]),
        (["cause.where.text=X92"], ["cause.where.text: added X92"]),
        (["note=a = b"], ["note: added a = b"]),
        (["fix.done=Wire repaired.", "fix.minutes=1.5 h"], ["fix: added done Wire repaired.; minutes 90.0"]),
        (["ended=2026-11-20"], ["provenance.ended: added 2026-11-20"]),
        (["concern=ABS lamp on"], []),
    ],
)
def test_a_field_is_found_by_its_name_or_its_path(settings, words):
    """Units, words and durations as in a record file."""
    assert changed(*settings) == words


def test_the_review_begins_anew_with_every_setting():
    """What the lead said was said of another text."""
    assert with_fields(CASE, ["note=x"], "a test").review == without_review(CASE).review


NAMES = st.sampled_from(
    [
        "id",
        "kind",
        "vehicle",
        "odometer",
        "concern",
        "symptoms",
        "steps",
        "codes",
        "readings",
        "cause",
        "where",
        "fix",
        "parts",
        "review",
        "provenance",
    ]
)
PATHS = st.lists(NAMES | st.from_regex(r"[a-z_]{0,8}(\[[0-9]{0,3}\]){0,2}", fullmatch=True), max_size=4).map(
    ".".join
)


@pytest.mark.slow
@given(st.lists(st.tuples(PATHS, st.text(max_size=12)).map("=".join) | st.text(max_size=20), max_size=3))
def test_whatever_is_set_a_record_or_a_sentence_comes_of_it(settings):
    """Never a traceback; a sentence is one that says something."""
    error = error_of(lambda: with_fields(CASE, settings, "a test"))
    if error is not None:
        assert str(error).strip()
    else:
        made = with_fields(CASE, settings, "a test")
        assert case_from_data(load_plain(made), "a test") == made


def error_of(call):
    """Return what a call refuses; None where it goes through."""
    try:
        call()
    except CasebaseError as error:
        return error
    return None


def load_plain(case):
    """Return a record as it would be loaded from its own text."""
    return case.model_dump(mode="json", exclude_none=True, exclude_defaults=True)


def test_the_text_to_edit_holds_the_record_but_for_the_review():
    """Read again it is the record, with its ID and the revision that it was made from."""
    text = text_to_edit(CASE, "7k7nkb6a", 3)
    (read,) = load_text(text, "a test")
    assert read.model_copy(update={"id": None, "revision": None}) == without_review(CASE)
    assert (read.id, read.revision, based_on(text)) == ("7k7nkb6a", 3, 3)
    assert based_on(with_remarks(text, ["bo changed it"], 5)) == 5


@pytest.mark.slow
@given(
    st.lists(
        st.sampled_from(
            ["kind:", "concren: x", "odometer: far", "  - y", "steps: [", "note: |", "\u2028\x0c", ""]
        ),
        max_size=6,
    )
)
def test_problems_are_put_in_and_taken_out_without_a_trace(lines):
    """Whatever is wrong with a text, without the comments it is as it was typed."""
    text = text_to_edit(CASE, "7k7nkb6a", 3) + "".join(f"{line}\n" for line in lines)
    plain = without_marks(text)
    error = error_of(lambda: load_text(plain, "a test"))
    if error is not None:
        marked = with_problems(text, error)
        assert without_marks(marked) == plain
        assert without_marks(with_problems(marked, error)) == plain
        assert marked != plain
