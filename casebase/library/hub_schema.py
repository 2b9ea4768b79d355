"""The tables of a hub: those of a library file, step by step, and what PostgreSQL needs beside them.

The steps of `schema.py` are written once. Each is run in an empty SQLite database in memory, and the tables, columns
and indexes that it adds there are made on the hub with the same names. Every table that is never emptied has a column
`rowid`, counted up by a sequence, where SQLite has one of its own. What only a hub has are numbered steps of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Final

from sqlite_utils import Database

from casebase.library.schema import DERIVED_TABLES, MIGRATIONS

STEPS_TABLE: Final = "casebase_steps"

_TYPES: Final = {"TEXT": "text", "INTEGER": "bigint", "FLOAT": "double precision", "REAL": "double precision"}

_JSON_FUNCTIONS: Final = r"""
CREATE FUNCTION json_extract(document text, path text) RETURNS text LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
    SELECT jsonb_path_query_first(document::jsonb, path::jsonpath, '{}', true) #>> '{}'
$$;
CREATE FUNCTION json_each(document text, path text) RETURNS TABLE (value text)
LANGUAGE sql IMMUTABLE PARALLEL SAFE AS $$
    SELECT one #>> '{}' FROM jsonb_path_query(document::jsonb, (path || '[*]')::jsonpath, '{}', true) AS one
$$;
CREATE FUNCTION json_valid(document text) RETURNS boolean LANGUAGE plpgsql IMMUTABLE PARALLEL SAFE AS $$
BEGIN
    PERFORM document::jsonb;
    RETURN true;
EXCEPTION WHEN others THEN
    RETURN false;
END
$$;
"""
"""SQLite's functions of these names, as far as the library asks them."""

_WORDS: Final = """
CREATE TABLE case_words (
    case_id text PRIMARY KEY REFERENCES cases (id) ON DELETE CASCADE,
    terms tsvector NOT NULL, -- what the words, codes and modules of the case come down to, as FTS5 parts and stems them
    times jsonb NOT NULL, -- how often each stands there
    words bigint NOT NULL -- how many there are in all
);
CREATE INDEX case_words_terms ON case_words USING gin (terms);
"""

_FILES: Final = """
CREATE TABLE attached_files (
    sha256 text PRIMARY KEY,
    content bytea NOT NULL,
    kept_at timestamptz NOT NULL DEFAULT now()
);
ALTER TABLE attached_files ALTER COLUMN content SET STORAGE EXTERNAL; -- pictures are packed already
"""

_ROLES: Final = r"""
DO $$
DECLARE one text;
BEGIN
    FOREACH one IN ARRAY ARRAY['casebase_shop', 'casebase_lead', 'casebase_reader'] LOOP
        IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = one) THEN
            EXECUTE format('CREATE ROLE %I NOLOGIN', one);
        END IF;
    END LOOP;
END
$$;
REVOKE CREATE ON SCHEMA public FROM PUBLIC;

CREATE TABLE shops (role name PRIMARY KEY, source text NOT NULL UNIQUE);
ALTER TABLE records ADD COLUMN owner name NOT NULL DEFAULT session_user;
ALTER TABLE records ADD COLUMN written_by name NOT NULL DEFAULT session_user;
CREATE INDEX records_owner ON records (owner);
ALTER TABLE attached_files ADD COLUMN owner name NOT NULL DEFAULT session_user;
ALTER TABLE attached_files DROP CONSTRAINT attached_files_pkey;
ALTER TABLE attached_files ADD PRIMARY KEY (sha256, owner);

CREATE FUNCTION own_record() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    NEW.written_by := session_user;
    NEW.owner := coalesce((SELECT first.owner FROM records first WHERE first.case_id = NEW.case_id
        AND first.revision = 1), session_user);
    RETURN NEW;
END
$$;
CREATE TRIGGER own_record BEFORE INSERT ON records FOR EACH ROW EXECUTE FUNCTION own_record();
CREATE FUNCTION own_file() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.owner := session_user;
    RETURN NEW;
END
$$;
CREATE TRIGGER own_file BEFORE INSERT ON attached_files FOR EACH ROW EXECUTE FUNCTION own_file();
CREATE FUNCTION own_source() RETURNS text LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
    SELECT source FROM shops WHERE role = session_user
$$;
CREATE FUNCTION id_is_taken(id text) RETURNS boolean
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
    SELECT EXISTS (SELECT 1 FROM records WHERE case_id = id) OR EXISTS (SELECT 1 FROM layouts WHERE layout_id = id)
$$;

DO $$
DECLARE
    one text;
    own text;
    added_to text[] := ARRAY['records', 'authorship', 'layouts', 'reviews', 'layout_words'];
    made text[] := ARRAY['networks', 'modules', 'codes', 'readings', 'steps', 'trials', 'profiles', 'cases',
        'case_words'];
    of_lead text[] := ARRAY['private_names', 'accepted_words', 'source_keys', 'shops'];
BEGIN
    FOR one IN SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', one);
        EXECUTE format('GRANT SELECT ON %I TO casebase_lead', one);
        EXECUTE format('CREATE POLICY lead ON %I TO casebase_lead USING (true) WITH CHECK (true)', one);
        IF one <> 'casebase_steps' THEN
            EXECUTE format('GRANT INSERT ON %I TO casebase_lead', one);
            IF NOT one = ANY (added_to) THEN -- what was told is added to and never changed, by the lead neither
                EXECUTE format('GRANT DELETE ON %I TO casebase_lead', one);
                IF one <> 'attached_files' THEN
                    EXECUTE format('GRANT UPDATE ON %I TO casebase_lead', one);
                END IF;
            END IF;
        END IF;
        IF NOT one = ANY (of_lead) THEN
            EXECUTE format('GRANT SELECT ON %I TO casebase_reader, casebase_shop', one);
            EXECUTE format('CREATE POLICY reader ON %I FOR SELECT TO casebase_reader USING (true)', one);
        END IF;
    END LOOP;
    FOREACH one IN ARRAY made || ARRAY['authorship', 'reviews', 'taken_in', 'exchanged'] LOOP
        own := format('EXISTS (SELECT 1 FROM records WHERE records.case_id = %I.%I AND records.owner = session_user)',
            one, CASE one WHEN 'cases' THEN 'id' ELSE 'case_id' END);
        IF one = 'taken_in' THEN
            own := own || ' AND source = own_source()';
        END IF;
        EXECUTE format('CREATE POLICY shop ON %I TO casebase_shop USING (%s) WITH CHECK (%s)', one, own, own);
        IF one <> 'reviews' THEN
            EXECUTE format('GRANT INSERT ON %I TO casebase_shop', one);
        END IF;
        IF one = ANY (made) THEN
            EXECUTE format('GRANT DELETE ON %I TO casebase_shop', one);
        END IF;
    END LOOP;
END
$$;
CREATE POLICY shop ON records TO casebase_shop USING (owner = session_user)
    WITH CHECK (owner = session_user AND written_by = session_user);
CREATE POLICY shop ON attached_files TO casebase_shop USING (owner = session_user) WITH CHECK (owner = session_user);
CREATE POLICY shop ON sources TO casebase_shop USING (name = own_source()) WITH CHECK (name = own_source());
CREATE POLICY shop ON news FOR SELECT TO casebase_shop
    USING (EXISTS (SELECT 1 FROM records WHERE records.case_id = news.open_case AND records.owner = session_user));
CREATE POLICY shop ON facts FOR SELECT TO casebase_shop USING (true);
CREATE POLICY shop ON casebase_steps FOR SELECT TO casebase_shop USING (true);
GRANT INSERT ON records, attached_files, sources TO casebase_shop;
GRANT UPDATE (kept_at) ON attached_files TO casebase_shop, casebase_lead;
GRANT UPDATE (their_revision, sha256, at) ON taken_in TO casebase_shop;
GRANT UPDATE (last_at) ON sources TO casebase_shop;
GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO casebase_shop, casebase_lead;
GRANT SELECT ON ALL SEQUENCES IN SCHEMA public TO casebase_reader;
"""
"""Who may do what: a shop adds and reads its own records, the lead reads and judges all, a reader reads.

A record belongs to who logged its first revision; triggers say so, not the client. What was told (records, who made
them, words of the lead) can be added to by those roles, and changed or deleted by none of them.
"""

_SERVICE: Final = r"""
DO $$
DECLARE
    one text;
    read text[] := ARRAY['records', 'authorship', 'reviews', 'facts', 'taken_in', 'exchanged', 'sources', 'source_keys',
        'layouts', 'layout_words', 'attached_files', 'casebase_steps', 'shop_tokens', 'received_bundles'];
    added_to text[] := ARRAY['records', 'authorship', 'taken_in', 'exchanged', 'sources', 'source_keys', 'layouts',
        'attached_files', 'received_bundles'];
    made text[] := ARRAY['networks', 'modules', 'codes', 'readings', 'steps', 'trials', 'profiles', 'cases',
        'case_words'];
BEGIN
    IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = 'casebase_service') THEN
        CREATE ROLE casebase_service NOLOGIN;
    END IF;
    FOREACH one IN ARRAY ARRAY['shop_tokens', 'received_bundles'] LOOP
        EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', one);
        EXECUTE format('REVOKE ALL ON %I FROM casebase_reader, casebase_shop', one);
        EXECUTE format('DROP POLICY IF EXISTS reader ON %I', one);
        EXECUTE format('DROP POLICY IF EXISTS lead ON %I', one);
        EXECUTE format('CREATE POLICY lead ON %I TO casebase_lead USING (true) WITH CHECK (true)', one);
        EXECUTE format('GRANT SELECT, INSERT, UPDATE, DELETE ON %I TO casebase_lead', one);
    END LOOP;
    FOREACH one IN ARRAY read || made LOOP
        EXECUTE format('CREATE POLICY service ON %I TO casebase_service USING (true) WITH CHECK (true)', one);
        EXECUTE format('GRANT SELECT ON %I TO casebase_service', one);
    END LOOP;
    FOREACH one IN ARRAY added_to || made LOOP
        EXECUTE format('GRANT INSERT ON %I TO casebase_service', one);
    END LOOP;
    FOREACH one IN ARRAY made LOOP
        EXECUTE format('GRANT DELETE ON %I TO casebase_service', one);
    END LOOP;
END
$$;
REVOKE ALL ON SEQUENCE shop_tokens_rowid_seq, received_bundles_rowid_seq FROM casebase_reader, casebase_shop;
GRANT UPDATE (their_revision, sha256, at) ON taken_in TO casebase_service;
GRANT UPDATE (last_at) ON sources TO casebase_service;
GRANT UPDATE (kept_at) ON attached_files TO casebase_service;
GRANT UPDATE (used_at) ON shop_tokens TO casebase_service;
GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO casebase_service, casebase_lead;
"""
"""The role of the service that takes in bundles over the network: what that needs, and no word of a lead's."""

HUB_STEPS: Final = {
    "hub_0001_json": _JSON_FUNCTIONS,
    "hub_0002_words": _WORDS,
    "hub_0003_files": _FILES,
    "hub_0004_roles": _ROLES,
    "hub_0005_service": _SERVICE,
}
"""What only a hub has, after the shared steps; a step once released is never changed."""


@cache
def known_steps() -> tuple[str, ...]:
    """Return the names of all steps that this casebase knows, in their order."""
    shared = [step.name for step in MIGRATIONS.pending(Database(memory=True, execute_plugins=False))]
    return (*shared, *HUB_STEPS)


def statements_of(step: str) -> str:
    """Return what a step does on a hub, in PostgreSQL's SQL."""
    return HUB_STEPS[step] if step in HUB_STEPS else "".join(_added_by(step))


@dataclass
class _Table:
    columns: dict[str, str] = field(default_factory=dict)
    key: list[str] = field(default_factory=list)
    indexes: dict[str, list[str]] = field(default_factory=dict)


def _added_by(step: str) -> Iterator[str]:
    """Yield the statements that add what a shared step adds to a file."""
    db = Database(memory=True, execute_plugins=False)
    MIGRATIONS.apply(db, stop_before=step)
    before = _tables_in(db)
    later = known_steps()[known_steps().index(step) + 1]
    MIGRATIONS.apply(db, **({} if later in HUB_STEPS else {"stop_before": later}))
    for name, table in _tables_in(db).items():
        there = before.get(name, _Table())
        added = [
            f'"{column}" {told}' for column, told in table.columns.items() if column not in there.columns
        ]
        if name not in before:
            number = (
                [] if name in DERIVED_TABLES else ["rowid bigint GENERATED BY DEFAULT AS IDENTITY UNIQUE"]
            )
            key = [f"PRIMARY KEY ({_quoted(table.key)})"] if table.key else []
            yield f'CREATE TABLE "{name}" ({", ".join([*added, *number, *key])});\n'
        else:
            yield from (f'ALTER TABLE "{name}" ADD COLUMN {column};\n' for column in added)
        for index, columns in table.indexes.items():
            if index not in there.indexes:
                yield f'CREATE INDEX "{index}" ON "{name}" ({_quoted(columns)});\n'


def _tables_in(db: Database) -> dict[str, _Table]:
    """Return the tables of a file, without those of the full text and of the steps."""
    names = (
        row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY rowid")
    )
    kept = [name for name in names if not name.startswith(("cases_fts", "sqlite_", "_sqlite"))]
    return {name: _table_in(db, name) for name in kept}


def _table_in(db: Database, name: str) -> _Table:
    table, keys = _Table(), []
    for _, column, kind, is_never_null, _, place in db.execute(f'PRAGMA table_info("{name}")'):
        table.columns[column] = _TYPES[kind] + (" NOT NULL" if is_never_null else "")
        if place:
            keys.append((place, column))
    table.key = [column for _, column in sorted(keys)]
    for _, index, _, origin, _ in db.execute(f'PRAGMA index_list("{name}")'):
        if origin == "c":
            table.indexes[index] = [row[2] for row in db.execute(f'PRAGMA index_info("{index}")')]
    return table


@cache
def columns_of_kept() -> dict[str, tuple[str, ...]]:
    """Return the tables that hold what was told, each with its columns; all others are made from them."""
    db = Database(memory=True, execute_plugins=False)
    MIGRATIONS.apply(db)
    return {name: tuple(one.columns) for name, one in _tables_in(db).items() if name not in DERIVED_TABLES}


def _quoted(columns: list[str]) -> str:
    return ", ".join(f'"{column}"' for column in columns)
