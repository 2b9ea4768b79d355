"""Who may do what on a hub: PostgreSQL itself refuses what a role must not do, whatever program asks it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest

from casebase.errors import LibraryError
from casebase.library.attachments import attach, content_of
from casebase.library.engine import HubAddress
from casebase.library.reviews import Said, say
from casebase.library.store import Library, Outcome
from casebase.record.case import Case
from tests.library.hub_server import HubServer, needs_postgresql

pytestmark = [needs_postgresql, pytest.mark.slow]

MakeCase = Callable[..., Case]


@dataclass(frozen=True)
class Peopled:
    """A hub with two shops, a lead and a reader; each shop has logged a case."""

    north: HubAddress
    south: HubAddress
    lead: HubAddress
    reader: HubAddress
    case_of_north: str
    case_of_south: str


@pytest.fixture(scope="module")
def peopled(
    hub_server: HubServer, make_case: MakeCase, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Peopled]:
    """A hub with its people."""
    owner = hub_server.new_hub()
    database = owner.text.split("@/")[1].split("?")[0]
    people = {
        name: hub_server.address(database, f"{name}_{database}")
        for name in ("north", "south", "lead", "reader")
    }
    with psycopg.connect(owner.text) as connection:
        for name in people:
            group = {"lead": "lead", "reader": "reader"}.get(name, "shop")
            connection.execute(f"CREATE ROLE {name}_{database} LOGIN IN ROLE casebase_{group}")
        for name in ("north", "south"):
            connection.execute(
                "INSERT INTO shops VALUES (%s, %s)", (f"{name}_{database}", f"Workshop {name.title()}")
            )
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        ids = []
        for name in ("north", "south"):
            with Library.open(people[name]) as library:
                ids.append(library.log([make_case(concern=f"Told in the {name}.")])[0].case_id)
        yield Peopled(**people, case_of_north=ids[0], case_of_south=ids[1])


FORBIDDEN = {
    "change a record of its own": "UPDATE records SET json = '{}' WHERE case_id = '{own}'",
    "change another's record": "UPDATE records SET json = '{}' WHERE case_id = '{other}'",
    "delete a record of its own": "DELETE FROM records WHERE case_id = '{own}'",
    "delete another's record": "DELETE FROM records WHERE case_id = '{other}'",
    "empty the records": "TRUNCATE records",
    "drop the records": "DROP TABLE records",
    "revise another's case": "INSERT INTO records (case_id, revision, sha256, json, logged_at)"
    " VALUES ('{other}', 2, 'x', '{}', 'now')",
    "stand in for another's first revision": "INSERT INTO records (case_id, revision, sha256, json, logged_at)"
    " VALUES ('{other}', 1, 'x', '{}', 'now')",
    "sign another's revision": "INSERT INTO authorship (case_id, revision, made) VALUES ('{other}', 1, 'removed')",
    "change who made its own revision": "UPDATE authorship SET by = 'ingrid'",
    "take a signature away": "DELETE FROM authorship",
    "speak as the lead": "INSERT INTO reviews (case_id, revision, said, by, at)"
    " VALUES ('{own}', 1, 'agreed', 'ingrid', 'now')",
    "change a word of the lead": "UPDATE reviews SET said = 'agreed'",
    "take a word of the lead away": "DELETE FROM reviews",
    "change the library's facts": "UPDATE facts SET value = 'x'",
    "add a fact": "INSERT INTO facts (name, value) VALUES ('purpose', 'x')",
    "read private names": "SELECT * FROM private_names",
    "take a private name away": "DELETE FROM private_names",
    "accept a word": "INSERT INTO accepted_words (word, scope, by, at) VALUES ('x', '', 'tova', 'now')",
    "read other shops' keys": "SELECT * FROM source_keys",
    "give another shop a key": "INSERT INTO source_keys (source, public_key, at) VALUES ('Workshop South', 'x', 'now')",
    "send under another's name": "INSERT INTO sources (name, weight) VALUES ('Workshop South', 1)",
    "raise its own weight": "UPDATE sources SET weight = 1",
    "say that another's case came from it": "INSERT INTO taken_in"
    " (case_id, source, their_id, their_revision, sha256, at)"
    " VALUES ('{other}', 'Workshop North', '{other}', 1, 'x', 'now')",
    "say that its case came from another": "INSERT INTO taken_in"
    " (case_id, source, their_id, their_revision, sha256, at)"
    " VALUES ('{own}', 'Workshop South', '{own}', 1, 'x', 'now')",
    "put a row to another's case": "INSERT INTO codes (case_id, position, code) VALUES ('{other}', 9, 'U0100')",
    "change what is compared": "UPDATE profiles SET data = '{}'",
    "add a layout": "INSERT INTO layouts (layout_id, revision, sha256, json, logged_at)"
    " VALUES ('x', 1, 'x', '{}', 'now')",
    "become another shop": "UPDATE shops SET source = 'Workshop South'",
    "read which shops there are": "SELECT * FROM shops",
    "change a file's content": "UPDATE attached_files SET content = ''",
    "change the schema's steps": "DELETE FROM casebase_steps",
    "make a table": "CREATE TABLE notes (text text)",
    "lift the row-level security": "ALTER TABLE records DISABLE ROW LEVEL SECURITY",
    "make a role": "CREATE ROLE somebody LOGIN",
    "take the lead's role": "SET ROLE casebase_lead",
    "read a file of the server": "SELECT pg_read_file('postgresql.conf')",
}


@pytest.mark.parametrize("statement", FORBIDDEN.values(), ids=FORBIDDEN)
def test_a_shop_cannot(peopled: Peopled, statement: str) -> None:
    """Each is refused by the database, and the other shop's case is there as it was."""
    asked = statement.replace("{own}", peopled.case_of_north).replace("{other}", peopled.case_of_south)
    with psycopg.connect(peopled.north.text) as connection, pytest.raises(psycopg.Error) as refused:
        connection.execute(asked)
    assert isinstance(refused.value, psycopg.errors.InsufficientPrivilege | psycopg.errors.UniqueViolation)
    with Library.open(peopled.south) as library:
        assert library.get(peopled.case_of_south).revision == 1
        assert library.faults() == []


def test_a_shop_sees_and_finds_its_own_cases_only(peopled: Peopled) -> None:
    """Another shop's record holds its customers' words: what of it is for others goes out in an edition."""
    with Library.open(peopled.north) as library:
        assert library.get(peopled.case_of_north).revision == 1
        assert peopled.case_of_south not in {row["id"] for row in library.summaries()}
        assert peopled.case_of_south not in {row["id"] for row in library.summaries(find="south")}
        with pytest.raises(LibraryError, match="no case with an ID"):
            library.get(peopled.case_of_south)
        with library.reading() as db:
            for table in ("records", "profiles", "codes", "case_words"):
                rows = db.execute(f"SELECT 1 FROM {table} WHERE case_id = ?", (peopled.case_of_south,))
                assert rows.fetchall() == []


def test_a_shop_logs_revises_and_attaches(peopled: Peopled, make_case: MakeCase, tmp_path: Path) -> None:
    """All that a shop does with its own cases works, and is whole."""
    note = tmp_path / "log.txt"
    note.write_text("seen at the plug", encoding="utf-8")
    with Library.open(peopled.south) as library:
        logged = library.log([make_case(concern="One more in the south.")])[0]
        attach(library, logged.case_id, [note])
        assert content_of(library, library.get(logged.case_id), "log.txt") == b"seen at the plug"
        assert [row["revision"] for row in library.revisions(logged.case_id)] == [1, 2]
        assert library.faults() == []
    with Library.open(peopled.north) as library:
        assert library.files.bytes_of("0" * 64) is None
        with pytest.raises(LibraryError, match="is not on the hub"):
            library.files.read("d9f5c0c1" + "0" * 56)


def test_two_shops_that_tell_the_same_words_each_keep_their_own(
    peopled: Peopled, make_case: MakeCase
) -> None:
    """The ID is made of the record; the second gets a longer one, and learns nothing of the first."""
    ids = []
    for address in (peopled.north, peopled.south):
        with Library.open(address) as library:
            told = library.log([make_case(concern="The very same words.")])[0]
            assert told.outcome is Outcome.NEW
            ids.append(told.case_id)
    assert len(set(ids)) == 2


def test_a_shop_that_names_anothers_case_is_told(peopled: Peopled, make_case: MakeCase) -> None:
    """In one sentence; nothing of either is changed."""
    stolen = make_case(concern="Mine now.").model_copy(update={"id": peopled.case_of_south})
    told = "your role on this hub may not do that"
    with Library.open(peopled.north) as library, pytest.raises(LibraryError, match=told):
        library.log([stolen])


def test_the_lead_reads_all_and_speaks(peopled: Peopled) -> None:
    """The lead sees every shop's cases and may say a word of each; what was told stays."""
    with Library.open(peopled.lead) as library:
        assert {peopled.case_of_north, peopled.case_of_south} <= {row["id"] for row in library.summaries()}
        assert (
            say(library, peopled.case_of_north, Said.RETURNED, "ingrid", "Which pin?").said is Said.RETURNED
        )
        for statement in ("DELETE FROM records", "UPDATE records SET json = ''", "DELETE FROM reviews"):
            with (
                pytest.raises(LibraryError, match="your role on this hub may not do that"),
                library.changing() as db,
            ):
                db.execute(statement)


def test_a_reader_reads_all_and_writes_nothing(peopled: Peopled, make_case: MakeCase) -> None:
    """Such as a machine that answers: it has what it compares with, and no more."""
    with Library.open(peopled.reader) as library:
        assert {peopled.case_of_north, peopled.case_of_south} <= {row["id"] for row in library.summaries()}
        assert len(library.collection().index) >= 2
        with pytest.raises(LibraryError, match="your role on this hub may not do that"):
            library.log([make_case(concern="Not mine to tell.")])
        for statement in (
            "SELECT * FROM private_names",
            "INSERT INTO facts VALUES ('x', 'y')",
            "DELETE FROM cases",
        ):
            with (
                pytest.raises(LibraryError, match="your role on this hub may not do that"),
                library.reading() as db,
            ):
                db.execute(statement)
