"""Tokens by which shops send to a hub, known by their SHA-256, one a shop; and the role of the service."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest

from casebase.errors import LibraryError
from casebase.library.engine import HubAddress
from casebase.library.hub_schema import STEPS_TABLE
from casebase.library.shop_tokens import (
    is_token,
    make_token,
    note_received,
    note_used,
    received,
    revoke_token,
    token_sha256,
    tokens_in,
)
from casebase.library.sources import key_of, pin_key
from casebase.library.store import Library
from casebase.publish.signing import fingerprint
from casebase.record.case import Case
from tests.library.hub_server import HubServer, needs_postgresql
from tests.publish.exchanged_bundles import sent, taken

MakeCase = Callable[..., Case]

NORTH, KEY = "Workshop North", "ab" * 32


def test_a_token_is_known_by_its_sha256_and_stands_nowhere(library: Library) -> None:
    """Whoever reads the library, a copy of it or a dump cannot send with what they read."""
    token = make_token(library, NORTH, "00" * 16)
    (kept,) = tokens_in(library)
    assert is_token(token)
    assert (kept.sha256, kept.source) == (token_sha256(token), NORTH)
    with library.reading() as db:
        rows = [str(row) for row in db.execute("SELECT * FROM shop_tokens").fetchall()]
    assert not any(token in row or token.removeprefix("casebase-") in row for row in rows)


def test_two_tokens_are_never_alike(library: Library) -> None:
    """256 random bits each."""
    made = {make_token(library, f"Shop {number}", "00" * 16) for number in range(20)}
    assert len(made) == 20


def test_a_new_token_ends_the_one_before(library: Library) -> None:
    """And remembers which key the shop had when the lead was told the fingerprint."""
    make_token(library, NORTH, "00" * 16)
    pin_key(library, NORTH, KEY, None)
    make_token(library, NORTH, "11" * 16)
    ends = {one.fingerprint: one.revoked_at for one in tokens_in(library)}
    assert ends["11" * 16] is None
    assert ends["00" * 16] is not None
    assert {one.key_before for one in tokens_in(library)} == {None, KEY}


def test_a_token_is_revoked_once(library: Library) -> None:
    """A shop without one is told by name."""
    make_token(library, NORTH, "00" * 16)
    revoke_token(library, NORTH)
    (kept,) = tokens_in(library)
    assert kept.revoked_at is not None
    with pytest.raises(LibraryError, match=f"'{NORTH}' has no token"):
        revoke_token(library, NORTH)


def test_what_came_in_and_when_a_token_was_used_is_noted(library: Library) -> None:
    """A bundle is known by its SHA-256 and its sender: another's note says nothing."""
    token = make_token(library, NORTH, "00" * 16)
    note_used(library, {token_sha256(token): "2026-11-30T09:00:00+00:00"})
    note_received(library, "aa" * 32, NORTH, {"new": 3})
    note_received(library, "aa" * 32, NORTH, {"new": 0})
    assert tokens_in(library)[0].used_at == "2026-11-30T09:00:00+00:00"
    assert received(library, "aa" * 32, NORTH) == {"new": 3}
    assert received(library, "aa" * 32, "Workshop South") is None


def database_of(address: HubAddress) -> str:
    """Return the name of a hub's database."""
    return address.text.split("@/")[1].split("?")[0]


def service_of(hub_server: HubServer, owner: HubAddress) -> HubAddress:
    """Return the address of a hub for a role of the service."""
    role = f"service_{database_of(owner)}"
    with psycopg.connect(owner.text) as connection:
        connection.execute(f"CREATE ROLE {role} LOGIN IN ROLE casebase_service")
    return hub_server.address(database_of(owner), role)


FORBIDDEN_TO_THE_SERVICE = (
    "UPDATE records SET json = '{}'",
    "DELETE FROM records",
    "INSERT INTO reviews (case_id, revision, said, by, at) VALUES ('a', 1, 'agreed', 'ingrid', 'now')",
    "INSERT INTO layout_words (layout_id, revision, said, by, at) VALUES ('a', 1, 'agreed', 'ingrid', 'now')",
    "INSERT INTO facts (name, value) VALUES ('weights of the facets', '{}')",
    "UPDATE sources SET weight = 1",
    "UPDATE source_keys SET public_key = 'ab'",
    "DELETE FROM source_keys",
    "INSERT INTO shop_tokens (sha256, source, fingerprint, made_at) VALUES ('a', 'b', 'c', 'd')",
    "UPDATE shop_tokens SET revoked_at = NULL",
    "UPDATE shop_tokens SET source = 'Workshop South'",
    "DELETE FROM shop_tokens",
    "DELETE FROM received_bundles",
    "SELECT * FROM private_names",
    "SELECT * FROM accepted_words",
    "SELECT * FROM shops",
    "DELETE FROM attached_files",
    "UPDATE authorship SET by = 'ingrid'",
    "CREATE TABLE own (a text)",
    "TRUNCATE shop_tokens",
)


@needs_postgresql
@pytest.mark.slow
def test_the_service_may_take_in_and_nothing_else(
    hub_server: HubServer, make_case: MakeCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The program that the network reaches can neither agree to a record nor let a shop in."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    owner = hub_server.new_hub()
    with Library.create(tmp_path / "north.db") as north:
        north.log([make_case()])
        bundle = sent(north, tmp_path / "north.zip")
    service = service_of(hub_server, owner)
    with Library.open(service) as library:
        assert taken(library, bundle).counted()["new"] == 1
        pin_key(library, NORTH, KEY, key_of(library, NORTH))
        note_received(library, "aa" * 32, NORTH, {"new": 1})
        note_used(library, {"bb" * 32: "2026-11-30T09:00:00+00:00"})
    with psycopg.connect(service.text, autocommit=True) as connection:
        for statement in FORBIDDEN_TO_THE_SERVICE:
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(statement)
    with Library.open(owner) as library:
        assert library.faults() == []
        assert fingerprint(KEY)


@needs_postgresql
@pytest.mark.slow
@pytest.mark.parametrize("role", ["shop", "reader"])
def test_shops_and_readers_do_not_see_tokens(
    hub_server: HubServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, role: str
) -> None:
    """Who may send, and with which key, is between each shop and the lead."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    owner = hub_server.new_hub()
    name = f"{role}_{database_of(owner)}"
    with psycopg.connect(owner.text) as connection:
        connection.execute(f"CREATE ROLE {name} LOGIN IN ROLE casebase_{role}")
    with psycopg.connect(hub_server.address(database_of(owner), name).text, autocommit=True) as connection:
        for table in ("shop_tokens", "received_bundles"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(f"SELECT * FROM {table}")


@needs_postgresql
@pytest.mark.slow
def test_a_hub_made_before_gets_the_same_tables_and_rights(
    hub_server: HubServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A step that an older hub lacks leads to what a new one has: policies and rights are compared."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    new, older = hub_server.new_hub(), hub_server.new_hub()
    with psycopg.connect(older.text) as connection:
        connection.execute("DROP TABLE shop_tokens, received_bundles")
        for (table,) in connection.execute(
            "SELECT tablename FROM pg_policies WHERE policyname = 'service'"
        ).fetchall():
            connection.execute(f'DROP POLICY service ON "{table}"')
        connection.execute("DROP OWNED BY casebase_service")
        connection.execute(
            f"DELETE FROM {STEPS_TABLE} WHERE name IN ('0014_shop_tokens', 'hub_0005_service')"
        )
    Library.create(older).close()
    assert rights_in(older) == rights_in(new)


def rights_in(address: HubAddress) -> list[object]:
    """Return every policy and every right to a table or column of a hub."""
    with psycopg.connect(address.text) as connection:
        policies = connection.execute(
            "SELECT tablename, policyname, roles, cmd, qual, with_check FROM pg_policies"
        ).fetchall()
        tables = connection.execute(
            "SELECT relname, relrowsecurity, relacl::text FROM pg_class"
            " WHERE relnamespace = 'public'::regnamespace"
        ).fetchall()
        columns = connection.execute(
            "SELECT attrelid::regclass::text, attname, attacl::text FROM pg_attribute WHERE attacl IS NOT NULL"
        ).fetchall()
        return [
            *sorted(map(repr, policies)),
            *sorted(map(sorted_rights, tables)),
            *sorted(map(repr, columns)),
        ]


def sorted_rights(row: tuple[str, bool, str | None]) -> str:
    """Return a table with its rights, whatever the order in which they were given."""
    return repr((row[0], row[1], sorted((row[2] or "").strip("{}").split(","))))
