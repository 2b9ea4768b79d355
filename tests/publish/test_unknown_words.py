"""What is not known to be harmless is shown: words of no list, words that may be names, figures of no reading."""

import re
import string
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.privacy import accept_words, accepted_words, clear
from casebase.library.store import Library
from casebase.publish.harmless_words import is_plain, not_plain
from casebase.publish.judging import (
    Judged,
    accept,
    digest_of,
    judged,
    unjudged_in,
    unjudged_of,
    what_is_unjudged,
)
from casebase.publish.private_kinds import as_read
from casebase.publish.unknown_words import CUES, unknown_in


def shown(text, accepted=()):
    """Return what is shown of a text."""
    return [text[one.begin : one.end] for one in unknown_in(text, accepted)]


@pytest.mark.parametrize(
    "text",
    [
        "Unplugged the ABS module, 60.2 ohm at pins 6 and 14, 2.5 V on both lines.",
        "U0121-87 and SPN 639 FMI 9 came back; C1 at splice S417, fuse F12 (15 A).",
        "Resistance 120 ohm, 1.2 kohm, 40.1. Three 120s in parallel",
        "141300 km, 500 kbit/s, ISO 11898-2, SAE J1939-11, 00 7F 3C 11",
        "Brown wire chafed through; White one green with verdigris. Can't be moved.",
        "since 2024-02-19 at 12:30, twice in 3 weeks, -17 °C",
    ],
)
def test_what_every_record_is_full_of_is_not_shown(text):
    """Words of the language and the trade, readings with units, codes, connectors, standards, days."""
    assert shown(text) == []


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("Rose said that the lamp came on", ["Rose"]),
        ("then Mark drove it", ["Mark"]),
        ("the line rose to 3 V, mark pin 6", []),
        ("we asked Young, she knew", ["Young"]),
        ("told by skaar", ["skaar"]),
        ("lives in 14 mill lane", ["14 mill lane"]),
        ("customer no. 20417 paid", ["customer no. 20417"]),
        ("call zero four seven double nine", ["zero four seven double nine"]),
        ("a AB12 beside it", ["AB12"]),
        ("at 59.91273, 10.74609", ["59.91273, 10.74609"]),
        ("S i v has the keys", ["S i v"]),
    ],
)
def test_what_may_be_somebodys_is_shown(text, what):
    """Names that are words with a capital, names in small letters, addresses, numbers with whose they are."""
    assert shown(text) == what


@pytest.mark.slow
@given(st.text(max_size=120))
def test_no_text_makes_it_fail_and_what_was_accepted_is_not_shown_again(text):
    """Whatever is written; a stretch that was accepted as it stands is not shown."""
    found = unknown_in(text, ())
    assert all(0 <= one.begin < one.end <= len(text) for one in found)


@pytest.mark.slow
@pytest.mark.parametrize("cue", CUES, ids=lambda cue: cue.kind)
@given(data=st.data())
def test_what_a_cue_finds_holds_one_of_its_words(cue, data):
    """A text without any of the words is not searched for the cue: none of what it finds may be without."""
    text, _ = as_read(data.draw(st.from_regex(cue.pattern)))
    small = text.replace("\u0130", "i").replace("\u0131", "i").lower()
    if cue.pattern.search(text):
        assert any(word in small for word in cue.one_of)
        assert re.search("[0-9]", text) or not cue.has_figures


@given(
    st.lists(
        st.builds(
            "{}{}{}".format,
            st.sampled_from(["", "un", "re", "under", "Over", "unre"]),
            st.one_of(
                st.sampled_from(["wire", "carry", "run", "test", "ground"]),
                st.text(string.ascii_letters, max_size=6),
            ),
            st.sampled_from(["", "s", "es", "ed", "ier", "ning", "est", "ish", "able", "ly"]),
        ).filter(str.isalpha),
        max_size=20,
    )
)
def test_what_is_unknown_of_many_at_once_is_unknown_of_each(words):
    """The quick look at all words of a text calls none unknown that the look at one word knows."""
    assert not [word for word in not_plain(words) if is_plain(word.casefold())]


def record(make_case, **changes):
    """Return a record as a library keeps it."""
    return StoredRecord("aaaaaaaa", 1, "", make_case(**changes))


def test_a_word_is_accepted_for_the_library_a_name_for_its_sentence_a_handle_for_its_field(
    tmp_path, make_case
):
    """`zorbel` is known everywhere then; Rose may be anybody the next time; a handle is none in free text."""
    one = record(
        make_case,
        symptoms=["the zorbel hums, says Rose"],
        provenance={"author": "tova", "ended": "2026-11-20"},
    )
    with Library.create(tmp_path / "shop.db") as library:
        accept(library, unjudged_of(library, [one]), "ingrid")
        assert unjudged_of(library, [one]) == []
        later = record(make_case, symptoms=["the zorbel hums again, Rose and tova say"])
        assert [
            hit.text[hit.begin : hit.end]
            for hit in unjudged_of(library, [later])
            if hit.field == "symptoms[0]"
        ] == [
            "Rose",
            "tova",
        ]
        with library.reading() as db:
            rows = db.execute("SELECT by, at FROM accepted_words WHERE word = 'zorbel'").fetchall()
    assert rows[0][0] == "ingrid"
    assert rows[0][1][:2] == "20"


def test_a_text_that_was_cleared_whole_is_not_looked_at(tmp_path, make_case):
    """The lead said that nothing in it is private."""
    with Library.create(tmp_path / "shop.db") as library:
        clear(library, "aaaaaaaa", "symptoms[0]", "the zorbel hums")
        told = judged(library)
    found = unjudged_in([record(make_case, symptoms=["the zorbel hums"])], told)
    assert "symptoms[0]" not in {hit.field for hit in found}


def test_nobody_accepts_nothing(tmp_path):
    """Who takes a word as harmless is kept with it."""
    with Library.create(tmp_path / "shop.db") as library:
        with pytest.raises(LibraryError, match="nobody takes"):
            accept_words(library, [("zorbel", "")], " ")
        assert accepted_words(library) == {}


def test_rows_of_figures_in_a_file_are_one_mark_and_words_stand_once(make_case):
    """A log of a thousand lines is judged in a few words, and a name in its last line is among them."""
    lines = [f"{number}.0,{number * 2}" for number in range(1000)] + [
        "zorbel on",
        "zorbel on",
        "left by Skaar",
    ]
    content = "\n".join(lines).encode()
    attachment = {"file": "run.csv", "sha256": "0" * 64, "for_others": "yes"}
    found = [
        hit
        for hit in unjudged_in(
            [record(make_case, attachments=[attachment])], Judged({}), contents=lambda _: content
        )
        if hit.field.startswith("attachments[0] ")
    ]
    assert ["1000 rows of figures" in hit.text for hit in found] == [True, False, False]
    assert [hit.text[hit.begin : hit.end] for hit in found][1:] == ["zorbel", "Skaar"]


@pytest.mark.parametrize(
    ("text", "accepted", "shown"),
    [
        ("call 12.345.6789", (), ["call 12.345.6789"]),
        ("wire 12.345.6789 there", ("12", "345", "6789"), []),
        ("wire 12.345.6789 there", ("12", "345"), ["12.345.6789"]),
        ("wire 9012.345's there", (), ["9012.345's"]),
        ("wire '12 V'9012,345# there", (), ["V'9012"]),
    ],
)
def test_figures_in_a_run_are_judged_one_by_one_and_shown_together(text, accepted, shown):
    """What stands beside an accepted number is shown with it; a form of the trade within a run is left out."""
    assert [text[one.begin : one.end] for one in unknown_in(text, accepted)] == shown


def test_what_stops_is_told_with_its_sentence_and_what_to_do(make_case):
    """At most twenty, and how many more."""
    found = unjudged_in([record(make_case, symptoms=["the zorbel hums"])], Judged({}))
    told = what_is_unjudged(found, "nothing was published")
    assert "symptoms[0]: a word that no list knows: 'the >zorbel< hums'" in told
    assert "casebase words" in told
    assert digest_of(found) != digest_of(found[1:])


@pytest.mark.slow
def test_a_long_line_of_unknown_words_is_one_mark_and_costs_no_more_than_its_own_size(make_case):
    """25,000 words on one line: a text proposed for each would be 2.5 gigabytes."""
    attachment = {"file": "run.log", "sha256": "0" * 64, "for_others": "yes"}
    content = ("zorbelq the " * 12_500).encode()
    tracemalloc.start()
    found = unjudged_in([record(make_case, attachments=[attachment])], Judged({}), contents=lambda _: content)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert [hit.text[hit.begin : hit.end] for hit in found if "run.log" in hit.field] == ["zorbelq"]
    assert most < 50_000_000
