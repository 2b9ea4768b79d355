"""Whether a library is whole: what was changed behind its back is named, and a rebuild mends what can be mended."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord, rows_of
from casebase.library.matching import index_folder
from casebase.library.schema import DERIVED_TABLES
from casebase.library.store import Library, Logged
from casebase.record.case import Case
from casebase.record.json_form import sha256_of
from tests.library.profiles_kept import profiles_in

MakeCase = Callable[..., Case]
AllRows = Callable[[Library], dict[str, list[Any]]]


@pytest.fixture
def logged(library: Library, make_case: MakeCase) -> Logged:
    """One case in the library, next to another."""
    one, _ = library.log([make_case(), make_case(concern="Another one.", cause={"fault": "low_open"})])
    return one


def behind_its_back(library: Library, sql: str, values: tuple[Any, ...] = ()) -> None:
    """Change what is kept, past the library."""
    if not library.path.exists():  # on a hub each statement is kept at once
        with library.reading() as db:
            assert db.execute(sql, values).rowcount != 0
        return
    with closing(sqlite3.connect(library.path)) as connection:
        assert connection.execute(sql, values).rowcount != 0
        connection.commit()


@pytest.mark.slow
def test_a_whole_library_has_no_faults(library: Library, demo_cases: list[Case]) -> None:
    """Empty, filled, revised: nothing is reported that is not wrong."""
    assert library.faults() == []
    logged = library.log(demo_cases)
    assert library.faults() == []
    library.log([demo_cases[0].model_copy(update={"id": logged[0].case_id, "note": "Seen again."})])
    assert library.faults() == []


@pytest.mark.of_the_file
def test_a_check_changes_nothing(library: Library, logged: Logged) -> None:
    """Looking at a library writes no byte of it."""
    with closing(sqlite3.connect(library.path)) as connection:
        before = connection.execute("PRAGMA data_version").fetchone()
        assert library.faults() == []
        assert connection.execute("PRAGMA data_version").fetchone() == before
    assert not library._db.conn.in_transaction


def test_a_tampered_record_is_named(library: Library, logged: Logged) -> None:
    """One digit changed in the canonical JSON no longer fits its SHA-256."""
    behind_its_back(
        library,
        "UPDATE records SET json = replace(json, '60.2 ohm', '90.2 ohm') WHERE case_id = ?",
        (logged.case_id,),
    )
    faults = library.faults()
    assert faults[0] == (
        f"case {logged.case_id}, revision 1: the record does not match its SHA-256: it was changed outside casebase"
    )
    assert any("not in step" in fault and "readings" in fault for fault in faults)


def test_a_record_tampered_with_its_digest_is_not_in_step_with_its_tables(
    library: Library, logged: Logged
) -> None:
    """Who changes the digest too is betrayed by the tables, until a rebuild."""
    (text,) = library._db.execute("SELECT json FROM records WHERE case_id = ?", (logged.case_id,)).fetchone()
    forged = text.replace("60.2 ohm", "90.2 ohm")
    behind_its_back(
        library, "UPDATE records SET json = ?, sha256 = ? WHERE json = ?", (forged, sha256_of(forged), text)
    )
    assert library.faults() == [
        f"case {logged.case_id}: not in step with its record: readings, profiles: run casebase rebuild"
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"kind":"fault case","vehicle":{"make":"Norrvik"}}', "does not fit the format: Field required"),
        ("not even JSON", "does not fit the format: Invalid JSON"),
    ],
)
def test_a_record_that_fits_no_format_is_named_and_harms_no_other(
    library: Library, logged: Logged, text: str, said: str
) -> None:
    """It cannot be shown, and says so in a sentence; the library opens, lists and compares the others."""
    behind_its_back(
        library,
        "UPDATE records SET json = ?, sha256 = ? WHERE case_id = ?",
        (text, sha256_of(text), logged.case_id),
    )
    assert said in library.faults()[0]
    with pytest.raises(LibraryError, match=f"case {logged.case_id}, revision 1: .*: run casebase check"):
        library.get(logged.case_id)
    assert len(library.summaries()) == 2
    assert [fault for fault in library.faults() if logged.case_id not in fault] == []


def test_a_rebuild_leaves_no_record_out(
    library: Library, logged: Logged, make_case: MakeCase, all_rows: AllRows
) -> None:
    """Where one does not fit the format it is named, and the tables stay as they are, its rows among them."""
    behind_its_back(library, f"UPDATE records SET json = '{{}}' WHERE case_id = '{logged.case_id}'")
    before = all_rows(library)
    with pytest.raises(LibraryError, match=f"case {logged.case_id}, revision 1: .*no record is left out"):
        library.rebuild()
    assert all_rows(library) == before
    with pytest.raises(LibraryError, match=f"case {logged.case_id}, revision 1: "):
        library.read_and_agreed()


@pytest.mark.of_the_file  # a hub is brought up to date by its operator, see tests/library/test_hub.py
def test_an_upgrade_leaves_no_record_out(library: Library, logged: Logged, all_rows: AllRows) -> None:
    """A casebase that makes its tables otherwise refuses a library that it cannot read whole, and changes nothing."""
    behind_its_back(library, f"UPDATE records SET json = '{{}}' WHERE case_id = '{logged.case_id}'")
    behind_its_back(library, "UPDATE facts SET value = '0.0' WHERE name = 'derived version'")
    before = all_rows(library)
    with pytest.raises(LibraryError, match=f"case {logged.case_id}, revision 1: .*no record is left out"):
        Library.open(library.place)
    assert all_rows(library) == before


def test_a_record_out_of_canonical_form_is_named(library: Library, logged: Logged) -> None:
    """The same record with spaces would have another digest elsewhere."""
    (text,) = library._db.execute("SELECT json FROM records WHERE case_id = ?", (logged.case_id,)).fetchone()
    spaced = json.dumps(json.loads(text))
    behind_its_back(
        library, "UPDATE records SET json = ?, sha256 = ? WHERE json = ?", (spaced, sha256_of(spaced), text)
    )
    assert library.faults() == [f"case {logged.case_id}, revision 1: the record is not in canonical form"]


def test_a_lost_revision_is_named(library: Library, logged: Logged, make_case: MakeCase) -> None:
    """Revisions are counted without a gap."""
    library.log([make_case(note="Second.", id=logged.case_id, revision=1)])
    behind_its_back(library, "DELETE FROM records WHERE case_id = ? AND revision = 1", (logged.case_id,))
    assert library.faults() == [f"case {logged.case_id}: 1 revisions kept of 2"]


def test_a_lost_current_revision_is_seen_by_the_tables(
    library: Library, logged: Logged, make_case: MakeCase
) -> None:
    """Whoever takes away the last revision leaves tables that know more than the records."""
    library.log([make_case(note="Second.", id=logged.case_id, revision=1)])
    behind_its_back(library, "DELETE FROM records WHERE case_id = ? AND revision = 2", (logged.case_id,))
    (fault,) = library.faults()
    assert fault.startswith(f"case {logged.case_id}: not in step with its record: ")
    assert fault.endswith("cases: run casebase rebuild")


@pytest.mark.slow
@pytest.mark.parametrize("table", DERIVED_TABLES)
def test_a_missing_row_is_named_and_mended(
    library: Library, logged: Logged, all_rows: AllRows, table: str
) -> None:
    """Whichever table lost a row, the case and the table are named, and a rebuild brings the row back."""
    before = all_rows(library)
    key = "id" if table == "cases" else "case_id"
    behind_its_back(
        library,
        f"DELETE FROM {table} WHERE {key} = ?"
        + ("" if table in ("cases", "profiles") else " AND position = 0"),
        (logged.case_id,),
    )
    assert (
        f"case {logged.case_id}: not in step with its record: {table}: run casebase rebuild"
        in library.faults()
    )
    library.rebuild()
    assert library.faults() == []
    assert all_rows(library) == before


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "table"),
    [
        ("UPDATE codes SET code = 'U0100-87' WHERE case_id = ?", "codes"),
        ("UPDATE cases SET title = 'Something else' WHERE id = ?", "cases"),
        ("UPDATE readings SET base_number = 90.2 WHERE case_id = ?", "readings"),
        ("UPDATE profiles SET data = '{}' WHERE case_id = ?", "profiles"),
        ("INSERT INTO steps (case_id, position, did) VALUES (?, 99, 'Guessed.')", "steps"),
    ],
)
def test_a_changed_or_added_row_is_named_and_mended(
    library: Library, logged: Logged, all_rows: AllRows, change: str, table: str
) -> None:
    """A table that says otherwise than its record is found out, however it came to that."""
    before = all_rows(library)
    behind_its_back(library, change, (logged.case_id,))
    assert any(logged.case_id in fault and table in fault for fault in library.faults())
    library.rebuild()
    assert library.faults() == []
    assert all_rows(library) == before


def test_a_profile_that_cannot_be_read_asks_for_a_rebuild(library: Library, logged: Logged) -> None:
    """A comparison over a damaged table ends in a sentence that says what mends it."""
    for data in ("{}", "not JSON", "[]", '{"codes": 3, "networks": [], "readings": []}'):
        behind_its_back(library, "UPDATE profiles SET data = ?", (data,))
        with pytest.raises(LibraryError, match="run casebase rebuild"):
            profiles_in(library)
    library.rebuild()
    assert len(profiles_in(library)) == 2


@pytest.mark.slow
@pytest.mark.parametrize("table", DERIVED_TABLES)
def test_an_orphan_row_is_named_and_mended(
    library: Library, logged: Logged, all_rows: AllRows, table: str
) -> None:
    """A row whose case has no record can only have come from outside."""
    before = all_rows(library)
    columns = {
        "cases": "(id, title) VALUES ('zzzzzzzz', 'Nobody logged this')",
        "profiles": "(case_id, data) VALUES ('zzzzzzzz', '{}')",
    }.get(table, "(case_id, position) VALUES ('zzzzzzzz', 0)")
    behind_its_back(library, f"INSERT INTO {table} {columns}")
    assert library.faults() == [f"table {table}: 1 rows without a record: run casebase rebuild"]
    library.rebuild()
    assert library.faults() == []
    assert all_rows(library) == before


@pytest.mark.slow
@pytest.mark.parametrize(
    "change",
    [
        "INSERT INTO cases_fts (cases_fts, rowid, title, make, model, words, code_words)"
        " SELECT 'delete', rowid, title, make, model, words, code_words FROM cases",
        "INSERT INTO cases_fts (rowid, title, words) VALUES (999, 'marmot', 'marmot')",
        "DELETE FROM cases_fts_data WHERE id > 10",
        "DELETE FROM cases_fts_docsize",
    ],
    ids=["entries taken out", "an entry too many", "pages lost", "sizes lost"],
)
@pytest.mark.of_the_file  # of FTS5's own tables; that of a hub is in tests/library/test_hub.py
def test_a_full_text_index_out_of_step_is_named_and_mended(
    library: Library, logged: Logged, change: str
) -> None:
    """An index that lacks words, or has words too many, is told from a whole one and made again."""
    behind_its_back(library, change)
    assert "the full-text index is not in step with the cases: run casebase rebuild" in library.faults()
    library.rebuild()
    assert library.faults() == []
    assert len(library.summaries(find="speedometer")) == 1


def test_a_rebuild_makes_every_table_as_it_was(
    library: Library, demo_cases: list[Case], all_rows: AllRows
) -> None:
    """All rows of all tables come out equal, revised cases included, although written in another order at first."""
    logged = library.log(reversed(demo_cases))
    library.log([demo_cases[0].model_copy(update={"id": logged[-1].case_id, "note": "Seen again."})])
    before = all_rows(library)
    assert library.rebuild() == len(demo_cases)
    assert all_rows(library) == before
    assert {table for table, rows in before.items() if rows} == {*DERIVED_TABLES, "cases_fts"}


def test_rows_made_of_a_record_are_those_in_the_tables(library: Library, logged: Logged) -> None:
    """What is written is what the check expects: column by column, none left out."""
    kept = library.get(logged.case_id)
    for table, rows in rows_of(StoredRecord(kept.case_id, kept.revision, kept.logged_at, kept.case)).items():
        with library.reading() as db:
            columns = set(next(iter(db.query(f"SELECT * FROM {table}"))))
        assert all(set(row) == columns for row in rows), table


def test_a_rebuild_that_fails_leaves_the_tables(
    library: Library, logged: Logged, all_rows: AllRows, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Interrupted half way, a rebuild never leaves a library with half its tables."""
    before = all_rows(library)

    def broken(_case: Case) -> str:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr("casebase.library.derived.title_of", broken)
        with pytest.raises(KeyboardInterrupt):
            library.rebuild()
    assert all_rows(library) == before
    assert library.faults() == []


@pytest.mark.slow
def test_an_index_with_a_flipped_bit_is_named_and_made_again(library: Library, logged: Logged) -> None:
    """A check reads every byte of it; a rebuild lets the next comparison make it anew."""
    library.collection()
    vectors = index_folder(library.path) / "numbers.bin"
    flipped = bytearray(vectors.read_bytes())
    flipped[0] ^= 1
    vectors.write_bytes(flipped)
    (fault,) = library.faults()
    assert fault.startswith(f"{index_folder(library.path)}: the index is damaged: numbers.bin: bytes 0 to")
    library.rebuild()
    assert library.faults() == []
    assert library.collection().index.arrays["numbers"].tolist() == [1, 2]
    assert library.faults() == []


@pytest.fixture
def damaged(tmp_path: Path, make_case: MakeCase) -> Path:
    """A library file in whose middle somebody's disk wrote zeros."""
    path = tmp_path / "damaged.db"
    with Library.create(path) as library:
        library.log(make_case(concern=f"Number {number}. " + "Long story. " * 50) for number in range(60))
    data = bytearray(path.read_bytes())
    data[3 * len(data) // 4 : 3 * len(data) // 4 + 40_000] = bytes(40_000)
    path.write_bytes(data)
    return path


@pytest.mark.slow
def test_a_damaged_file_brings_sentences_not_tracebacks(damaged: Path) -> None:
    """Whatever page is lost, each thing asked of the library is answered or refused in a sentence."""
    said = []
    for ask in (Library.faults, profiles_in, Library.summaries, Library.rebuild, Library.count):
        try:
            with Library.open(damaged) as library:
                answer = ask(library)
                said += answer if ask is Library.faults else []
        except LibraryError as error:
            said.append(str(error))
    assert any("damaged" in sentence for sentence in said)
    assert all("\n" not in sentence or "SQLite file" in sentence for sentence in said)
