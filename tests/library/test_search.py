"""Full-text search: whatever is typed finds what it should and breaks nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.library.connection import match_query
from casebase.library.records import words_in
from casebase.library.store import Library
from casebase.record.case import Case

MakeCase = Callable[..., Case]

NASTY = [
    "U0100-87",
    "CAN-H",
    "60.2",
    "it's",
    "(",
    ")",
    "NOT",
    "AND",
    "OR",
    "NEAR(a b)",
    "NEAR/3",
    '""',
    '"',
    '"unclosed',
    "'",
    "",
    " ",
    "\t\n",
    "?!;:-_",
    "*",
    "abs*",
    "^abs",
    "words:abs",
    "{title words}: abs",
    "a + b",
    "\\",
    "%",
    "\U0001f697\U0001f4a5",
    "caf\u00e9 cafe\u0301",
    "\u0937\u093f",
    "\u00b2\u2460\u216b",
    "\ufdfa\ufb00",
    "nul\0nul",
    "\ud800",
    "x" * 10_000,
    "a b " * 2_500,
    " ".join(f"w{number}" for number in range(1_500)),
    '"' * 10_000,
    "(" * 10_000,
    "'; DROP TABLE cases; --",
]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, make_case: MakeCase) -> Iterator[Library]:
    """A library of sixty cases, enough that common words are dropped, none of them with the word `splice`."""
    with Library.create(tmp_path_factory.mktemp("search") / "shop.db") as library:
        library.log(
            make_case(
                concern=f"Lamp number {number} on, ABS silent.", codes=[{"code": f"U01{number:02d}-87"}]
            )
            for number in range(60)
        )
        yield library


def concerns(library: Library, find: str) -> list[str | None]:
    """Return the concerns of the cases found, in order."""
    return [library.get(row["id"]).case.concern for row in library.summaries(find=find)]


@pytest.mark.slow
@pytest.mark.parametrize("typed", NASTY, ids=range(len(NASTY)))
def test_nothing_typed_breaks_the_search(
    library: Library, shelf: Library, make_case: MakeCase, typed: str
) -> None:
    """Codes, signs, operators of the search engine, nothing, far too much: a list comes back, perhaps empty."""
    library.log([make_case()])
    assert isinstance(library.summaries(find=typed), list)
    assert isinstance(shelf.summaries(find=typed), list)


@pytest.mark.slow
@given(typed=st.text(max_size=60) | st.text(alphabet="\"'()*^:+-{}NOTANDR \u0301", max_size=30))
def test_no_text_breaks_the_search(shelf: Library, typed: str) -> None:
    """Any text whatever is words to be looked for, never an instruction to the search engine."""
    assert isinstance(shelf.summaries(find=typed), list)


@pytest.mark.slow
@given(typed=st.text(max_size=60))
def test_words_come_out_without_anything_that_could_be_an_operator(typed: str) -> None:
    """Only letters and digits reach the query, each word in quotes."""
    words = words_in(typed)
    assert all(word.isalnum() for word in words)
    assert match_query(words).count('"') == 2 * len(words)


@pytest.mark.parametrize("typed", ["", " ", "?!", '"', "(", "\U0001f697", "--"])
def test_a_search_without_a_word_finds_nothing(shelf: Library, typed: str) -> None:
    """Punctuation is no word; it finds no case rather than all."""
    assert shelf.summaries(find=typed) == []


def test_words_are_parted_as_the_index_parts_them() -> None:
    """Against SQLite's own tokenizer: the terms of an FTS5 index are the words a query is made of."""
    text = "U0100-87, CAN-H it's 60.2 (S_204) caf\u00e9 4k7 \u03a9 100% B+ 2.5V\u20132.7V NOT"
    with sqlite3.connect(":memory:") as connection:
        connection.execute(
            "CREATE VIRTUAL TABLE t USING fts5(words, tokenize = 'unicode61 remove_diacritics 0')"
        )
        connection.execute("CREATE VIRTUAL TABLE terms USING fts5vocab(t, 'instance')")
        connection.execute("INSERT INTO t VALUES (?)", (text,))
        terms = [term for (term,) in connection.execute("SELECT term FROM terms ORDER BY offset")]
    connection.close()
    assert [word.lower() for word in words_in(text)] == terms


def test_a_code_finds_its_failure_types(library: Library, make_case: MakeCase) -> None:
    """`U0100` finds `U0100-87`; the whole code finds only those that store just this one."""
    library.log(
        [
            make_case(concern="With the failure type.", codes=[{"code": "U0100-87"}]),
            make_case(concern="Without it.", codes=[{"code": "U0100"}]),
            make_case(concern="Another code.", codes=[{"code": "U0121-87"}]),
        ]
    )
    assert set(concerns(library, "U0100")) == {"With the failure type.", "Without it."}
    assert concerns(library, "u0100-87") == ["With the failure type."]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("typed", "written"),
    [
        ("CAN-H", "Scope on CAN-H shows nothing."),
        ("60.2", "Read 60.2 ohm between the lines."),
        ("it's", "It's dead after a night of rain."),
        ("corroded", "Pins corroding at the plug."),
        ("splices", "Water ran into the splice."),
        ("cafe", "Parked in front of a caf\u00e9."),
        ("caf\u00e9", "Parked in front of a cafe."),
        ("cafe\u0301", "Parked in front of a caf\u00e9 all night."),
        ("water SPLICE", "Water ran into the splice S204."),
    ],
)
def test_words_find_what_was_meant(library: Library, make_case: MakeCase, typed: str, written: str) -> None:
    """Capitals, accents and endings of English words do not count; all words must be there."""
    library.log([make_case(concern=written), make_case(concern="Something else altogether.")])
    assert concerns(library, typed) == [written]


def test_every_word_must_be_in_the_case(library: Library, make_case: MakeCase) -> None:
    """Two words narrow the list; they need not stand side by side."""
    library.log(
        [make_case(concern="Water in the lamp, splice dry."), make_case(concern="Water in the boot.")]
    )
    assert concerns(library, "splice water") == ["Water in the lamp, splice dry."]


@pytest.mark.slow
@pytest.mark.parametrize(
    "part",
    [
        {"title": "An odd marmot"},
        {"symptoms": ["an odd marmot"]},
        {"leftover": "The odd marmot."},
        {"note": "Odd marmot."},
        {"steps": [{"did": "Looked.", "found": "Odd marmot."}]},
        {"codes": [{"code": "U0100", "text": "odd marmot"}]},
        {"modules": [{"name": "odd marmot"}]},
        {"cause": {"fault": "low_open", "proof": "odd marmot seen"}},
        {"cause": {"fault": "low_open", "where": {"place": "harness", "text": "odd marmot"}}},
        {"fix": {"done": "Odd marmot removed."}},
        {"vehicle": {"make": "Odd", "model": "Marmot"}},
    ],
    ids=lambda part: next(iter(part)),
)
def test_every_telling_part_of_a_record_is_searched(
    library: Library, make_case: MakeCase, part: dict[str, object]
) -> None:
    """A word is found wherever it was written down."""
    (logged, _) = library.log([make_case(**part), make_case()])
    assert [row["id"] for row in library.summaries(find="odd marmot")] == [logged.case_id]


def test_the_case_that_says_more_of_a_word_comes_first(library: Library, make_case: MakeCase) -> None:
    """BM25 (Robertson and Zaragoza 2009, from memory): the word oftener, in the shorter record, counts more."""
    filler = "The customer told a long story about the holiday and the trailer and the dog. " * 8
    often = make_case(concern="Splice S204 wet. Splice opened, splice soldered.")
    once = make_case(concern="Splice S204 wet.")
    buried = make_case(concern=f"{filler} Perhaps a splice. {filler}")
    library.log([buried, once, often])
    library.log(make_case(concern=f"Nothing of it, {number}.") for number in range(10))
    assert concerns(library, "splice") == [often.concern, once.concern, buried.concern]


def test_a_word_that_most_cases_hold_does_not_hide_a_rare_one(library: Library, make_case: MakeCase) -> None:
    """In a full library `ABS` stands in every case: with it or without it, the rare word decides."""
    library.log(make_case(concern=f"ABS lamp, number {number}.") for number in range(60))
    library.log([make_case(concern="A marmot in the wheel arch.", modules=[], codes=[])])
    assert concerns(library, "ABS marmot") == ["A marmot in the wheel arch."]


def test_common_words_alone_still_find_their_cases(library: Library, make_case: MakeCase) -> None:
    """Where every word typed is common, none is dropped."""
    library.log(make_case(concern=f"ABS lamp, number {number}.") for number in range(60))
    assert len(library.summaries(find="ABS lamp")) == 60
    assert library.summaries(find="lamp marmot") == []


def test_a_revision_takes_old_words_out_of_the_index(library: Library, make_case: MakeCase) -> None:
    """What was struck out finds the case no more; what was written in its place does."""
    (logged,) = library.log([make_case(concern="Marmot bit the loom.")])
    library.log([make_case(concern="Weasel bit the loom.", id=logged.case_id, revision=1)])
    assert library.summaries(find="marmot") == []
    assert [row["id"] for row in library.summaries(find="weasel")] == [logged.case_id]
    assert library.faults() == []


def test_a_search_can_be_narrowed_by_filters(library: Library, make_case: MakeCase) -> None:
    """Words and filters together: both must fit."""
    library.log([make_case(), make_case(vehicle={"make": "Thorne", "model": "Holt"})])
    assert [row["make"] for row in library.summaries(find="speedometer", make="thorne")] == ["Thorne"]


def test_words_of_a_log_that_failed_are_not_found(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """The index is kept or dropped together with its records."""

    def broken() -> Iterator[Case]:
        yield make_case(concern="Marmot bit the loom.")
        raise OSError("the stick was pulled out")

    with pytest.raises(OSError, match="stick"):
        library.log(broken())
    assert library.summaries(find="marmot") == []
    assert library.faults() == []
