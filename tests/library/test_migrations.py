"""Opening a library file: an older one is upgraded, a newer or another program's file is left alone."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.library import store
from casebase.library.schema import APPLICATION_ID, MIGRATIONS
from casebase.library.store import Library
from casebase.record.case import Case
from casebase.record.json_form import canonical_json, id_from, sha256_of
from tests.library.profiles_kept import profiles_in

MakeCase = Callable[..., Case]

STEPS = [step.name for step in MIGRATIONS.pending(Database(memory=True))]


def digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def make_older(path: Path, stop_before: str, cases: list[Case]) -> list[str]:
    """Make a library as it was before a schema step, records only; return the IDs."""
    ids = []
    with closing(sqlite3.connect(path)) as connection:
        db = Database(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        MIGRATIONS.apply(db, stop_before=stop_before)
        for case in cases:
            text = canonical_json(case)
            sha256 = sha256_of(text)
            ids.append(id_from(sha256))
            row = (ids[-1], 1, sha256, text, "2025-01-01T00:00:00+00:00")
            connection.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?)", row)
        connection.commit()
    return ids


RELEASED = {
    "0001_records": "8964334c27bd4a68",
    "0002_facts": "023de6afd548302c",
    "0003_derived_tables": "bcad067b3a8b8add",
    "0004_full_text": "a4fb185a8321820a",
    "0005_reviews": "8bc3745262c6739c",
    "0006_private_names": "ce660746496f5ee7",
    "0007_sources": "a58fdca795780366",
    "0008_news": "0a5a2735fd4151ca",
    "0009_authorship": "1076bf934b417f9f",
    "0010_trials": "6e4435b6a74176ba",
    "0011_layouts": "bf545880bc0a2a47",
    "0012_accepted_words": "30de605119a44cab",
    "0013_source_keys": "b82f9bd4c276f74d",
    "0014_shop_tokens": "0d2316e9748f0c53",
}
"""Of each step once released, the beginning of a SHA-256 of the schema after it: none is edited, one is added."""


def schema_after(step: str) -> str:
    """Return the beginning of the SHA-256 of all that stands in the schema after a step, but what FTS5 makes itself."""
    db = Database(memory=True)
    after = STEPS[STEPS.index(step) + 1 :]
    MIGRATIONS.apply(db, **({"stop_before": after[0]} if after else {}))
    rows = db.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_master"
        " WHERE tbl_name NOT LIKE '\\_sqlite%' ESCAPE '\\' AND name NOT LIKE 'cases_fts_%'"
    ).fetchall()
    return hashlib.sha256(repr(sorted(map(repr, rows))).encode()).hexdigest()[:16]


@pytest.mark.slow
@pytest.mark.parametrize("step", STEPS)
def test_a_released_step_is_never_edited(step: str) -> None:
    """A library that has taken it would differ from a new one without anybody's knowing."""
    assert schema_after(step) == RELEASED[step]


NEWS_OF_2026_11_25 = {
    "first form": "CREATE TABLE news (open_case TEXT, new_case TEXT, score FLOAT, reasons TEXT, found_at TEXT,"
    " read_at TEXT, PRIMARY KEY (open_case, new_case))",
    "second form": "CREATE TABLE news (open_case TEXT, what TEXT, new_case TEXT, score FLOAT, probability FLOAT,"
    " reasons TEXT, found_at TEXT, read_at TEXT, PRIMARY KEY (open_case, new_case))",
}


@pytest.mark.slow
@pytest.mark.parametrize("form", NEWS_OF_2026_11_25)
def test_a_library_that_knows_steps_by_former_names_is_opened(
    tmp_path: Path, demo_cases: list[Case], form: str
) -> None:
    """Two steps were numbered anew on the day they were made: what was made that morning is no newer casebase's."""
    path = tmp_path / "old.db"
    ids = make_older(path, "0008_news", demo_cases)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE attachments (case_id TEXT, file TEXT, sha256 TEXT)")
        connection.execute("INSERT INTO attachments VALUES ('aaaaaaaa', 'plug.jpg', '00')")
        connection.execute(NEWS_OF_2026_11_25[form])
        for name in ("0008_attachments", "0009_news"):
            row = ("casebase", name, "2026-11-25")
            connection.execute(
                "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES (?, ?, ?)", row
            )
        connection.commit()
    for _ in range(2):
        with Library.open(path) as library:
            assert library.faults() == []
            assert {row["id"] for row in library.summaries()} == set(ids)
            assert {step.name for step in MIGRATIONS.applied(library._db)} == set(STEPS)
            assert "probability" in library._db.table("news").columns_dict
            assert library._db.table("attachments").count == 1


@pytest.mark.slow
@pytest.mark.parametrize("stop_before", STEPS[1:])
def test_an_older_library_is_upgraded_and_shows_its_cases(
    tmp_path: Path, demo_cases: list[Case], stop_before: str
) -> None:
    """Whichever steps a library lacks: opened once, it lists, finds and compares all its records."""
    ids = make_older(tmp_path / "old.db", stop_before, demo_cases)
    with Library.open(tmp_path / "old.db") as library:
        assert library.faults() == []
        assert {row["id"] for row in library.summaries()} == set(ids)
        assert [library.get(case_id).case for case_id in ids] == demo_cases
        assert {profile.case_id for profile in profiles_in(library)} == set(ids)
        assert library.summaries(find="CAN")
        assert {row["logged_at"] for row in library.summaries()} == {"2025-01-01T00:00:00+00:00"}


@pytest.mark.slow
def test_an_upgraded_library_has_the_tables_of_a_new_one(tmp_path: Path, demo_cases: list[Case]) -> None:
    """Schema and derived rows come out alike, however the library came about."""
    make_older(tmp_path / "old.db", STEPS[1], demo_cases)
    Library.open(tmp_path / "old.db").close()
    Library.create(tmp_path / "new.db").close()

    def schema(path: Path) -> list[Any]:
        with closing(sqlite3.connect(path)) as connection:
            return sorted(
                connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall(), key=repr
            )

    assert schema(tmp_path / "old.db") == schema(tmp_path / "new.db")


def test_an_upgrade_that_fails_leaves_the_older_library(
    tmp_path: Path, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A step that breaks half way is undone; the next attempt starts from the same file."""
    make_older(tmp_path / "old.db", STEPS[2], [make_case()])
    last = MIGRATIONS._migrations[-1]

    def breaks(db: Database) -> None:
        db.conn.execute("CREATE TABLE half (done)")
        raise sqlite3.OperationalError("no such module: fts5")

    with monkeypatch.context() as patched:
        patched.setattr(last, "fn", breaks)
        with pytest.raises(LibraryError, match="no such module: fts5"):
            Library.open(tmp_path / "old.db")
    with closing(sqlite3.connect(tmp_path / "old.db")) as connection:
        tables = {
            name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        }
    assert tables == {"_sqlite_migrations", "records", "facts"}
    with Library.open(tmp_path / "old.db") as library:
        assert library.count() == 1


def test_a_newer_library_is_refused_and_left_as_it_is(tmp_path: Path, make_case: MakeCase) -> None:
    """A schema step this casebase does not know: it says which, asks for an update and changes no byte."""
    path = tmp_path / "newer.db"
    with Library.create(path) as library:
        library.log([make_case()])
        with library._db.atomic():
            library._db.table(MIGRATIONS.migrations_table).insert(
                {"migration_set": MIGRATIONS.name, "name": "0999_pictures", "applied_at": "2027-01-01"}
            )
    before = digest(path)
    with pytest.raises(LibraryError, match=r"newer casebase \(schema step 0999_pictures;.*update casebase"):
        Library.open(path)
    assert digest(path) == before
    assert sorted(file.name for file in tmp_path.iterdir()) == ["newer.db"]


def test_steps_of_another_program_in_the_same_file_do_not_matter(tmp_path: Path, make_case: MakeCase) -> None:
    """The table of schema steps may be shared: only this project's own set is looked at."""
    with Library.create(tmp_path / "shop.db") as library:
        library.log([make_case()])
        with library._db.atomic():
            library._db.table(MIGRATIONS.migrations_table).insert(
                {"migration_set": "a viewer", "name": "9999_themes", "applied_at": "2027-01-01"}
            )
    with Library.open(tmp_path / "shop.db") as library:
        assert library.count() == 1


def a_database_of_another_program(path: Path) -> None:
    """Make a SQLite file that holds somebody's invoices."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE invoices (number INTEGER)")
        connection.execute("PRAGMA user_version = 3")


def an_empty_database_with_another_mark(path: Path) -> None:
    """Make a SQLite file without tables whose header names another program (application ID, offset 68)."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA application_id = 1234")
        connection.execute("VACUUM")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("make", "said"),
    [
        (a_database_of_another_program, "a database of another program"),
        (an_empty_database_with_another_mark, "a database of another program"),
        (lambda path: path.write_text("shopping list\n" * 200, encoding="utf-8"), "not a casebase library"),
        (
            lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 20),
            "not a casebase library",
        ),
        (lambda path: path.write_bytes(b""), "0 bytes, so no library any more"),
        (lambda path: path.write_bytes(b"S"), "1 bytes, so no library any more"),
        (lambda path: path.write_bytes(b"SQLite format 3\0"), "16 bytes, so no library any more"),
        (lambda path: path.mkdir(), "a folder, not a library file"),
        (lambda path: None, "no library there: make one with casebase init"),
    ],
)
def test_what_is_no_library_is_refused_in_one_sentence_and_left_alone(
    tmp_path: Path, make: Callable[[Path], object], said: str
) -> None:
    """Another program's database, a text, a folder, nothing at all: one sentence with the path, no byte changed."""
    path = tmp_path / "thing.db"
    make(path)
    before = digest(path) if path.is_file() else path.exists()
    with pytest.raises(LibraryError) as refused:
        Library.open(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
    assert (digest(path) if path.is_file() else path.exists()) == before
    assert {file.name for file in tmp_path.iterdir()} <= {"thing.db"}


@pytest.mark.parametrize("name", ["x" * 300, "folder/that/is/a/file.db"])
def test_a_path_that_cannot_be_is_refused_in_one_sentence(tmp_path: Path, name: str) -> None:
    """A name too long for the system, a folder that is a file: told like any other wrong path."""
    (tmp_path / "folder").write_text("a file", encoding="utf-8")
    for opening in (Library.open, Library.create):
        with pytest.raises(LibraryError) as refused:
            opening(tmp_path / name)
        assert "\n" not in str(refused.value)


def test_a_new_library_is_never_made_over_something(tmp_path: Path, make_case: MakeCase) -> None:
    """Neither a library nor a text file nor a folder is written over by making a new one."""
    with Library.create(tmp_path / "shop.db") as library:
        library.log([make_case()])
    (tmp_path / "notes.txt").write_text("keep me", encoding="utf-8")
    (tmp_path / "folder").mkdir()
    for name in ("shop.db", "notes.txt", "folder"):
        with pytest.raises(LibraryError, match="something stands there already"):
            Library.create(tmp_path / name)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "keep me"


def test_a_new_library_gets_its_folders(tmp_path: Path) -> None:
    """The folder of the user's data need not be there before the first case."""
    Library.create(tmp_path / "data" / "casebase" / "library.db").close()
    assert Library.open(tmp_path / "data" / "casebase" / "library.db").count() == 0


def test_the_file_is_marked_as_a_library(tmp_path: Path) -> None:
    """The mark stands at offset 68 of the header, big-endian (SQLite database file format, from memory)."""
    Library.create(tmp_path / "shop.db").close()
    assert (tmp_path / "shop.db").read_bytes()[68:72] == b"CBSE"


def test_derived_tables_of_an_older_version_are_made_again_on_opening(
    tmp_path: Path, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a casebase makes its tables otherwise than the one that filled them, they are filled anew at once."""
    path = tmp_path / "shop.db"
    with Library.create(path) as library:
        library.log([make_case()])
        library._db.conn.execute("UPDATE cases SET title = 'as an older casebase put it'")
        library._db.conn.execute("UPDATE facts SET value = '0.0' WHERE name = 'derived version'")
        library._db.conn.commit()
    with Library.open(path) as library:
        assert library.summaries()[0]["title"] == "ABS lamp on, speedometer dead."
        assert library.faults() == []
    monkeypatch.setattr(store, "DERIVED_VERSION", "99.0")
    monkeypatch.setattr("casebase.library.derived.title_of", lambda _case: "as a newer casebase puts it")
    with Library.open(path) as library:
        assert library.summaries()[0]["title"] == "as a newer casebase puts it"
        assert library.fact("derived version") == "99.0"


@pytest.mark.slow
@pytest.mark.parametrize("stop_before", [*STEPS[1:], None])
def test_what_was_agreed_to_stays_agreed_to_in_an_older_library(
    tmp_path: Path, make_case: MakeCase, stop_before: str | None
) -> None:
    """Whether the file said it or the shop lead, and also where the case was revised since."""
    path = tmp_path / "old.db"
    by_file = make_case(review={"state": "read and agreed", "by": "tova"})
    cases = [by_file, make_case(note="Agreed to by the lead."), make_case(note="Nobody read this.")]
    ids = make_older(path, stop_before or "never", cases)
    with closing(sqlite3.connect(path)) as connection:
        has_reviews = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'reviews'").fetchone()
        if has_reviews:
            connection.execute(
                "INSERT INTO reviews (case_id, revision, said, by, at) VALUES (?, 1, 'agreed', 'ingrid', '2025-02-01')",
                [ids[1]],
            )
        for case_id, case in zip(ids, cases, strict=True):
            text = canonical_json(case.model_copy(update={"leftover": "more", "review": make_case().review}))
            row = (case_id, 2, sha256_of(text), text, "2025-03-01T00:00:00+00:00")
            connection.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?)", row)
        connection.commit()
    with Library.open(path) as library:
        agreed = {kept.case_id: kept.revision for kept in library.read_and_agreed()}
        assert agreed == {ids[0]: 1} | ({ids[1]: 1} if has_reviews else {})
        assert [row["made"] for row in library.revisions(ids[0])] == ["logged", "logged"]
        assert library.faults() == []
