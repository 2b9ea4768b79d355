"""Freezing records into one file that is never written again: what the site serves.

The file is made new from the public fields alone. It holds the tables for reading, their full text, what is compared
of each case, the match index (every array as plain bytes, in pieces that SQLite can hold), and what changed since the
edition before. A reader sees the old file or the new one, never half of it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import EditionError
from casebase.files import folder_of_parts, put
from casebase.library.connection import SqliteDatabase
from casebase.library.derived import StoredRecord, write_derived
from casebase.library.layouts import StoredLayout
from casebase.library.matching import Means
from casebase.library.records import every_record
from casebase.library.schema import FIRST_INSIDE, MIGRATIONS
from casebase.match.facets.arrays import as_atom
from casebase.match.index.building import IndexBuilder, empty_index, extended
from casebase.match.index.match_index import ATOM_LISTS, COLUMNS, INDEX_VERSION, Index
from casebase.publish.changes import Change, write_changes
from casebase.publish.public_fields import Contents, public_case, public_contents, write_files
from casebase.publish.public_layouts import write_layouts
from casebase.record.json_form import canonical_json, sha256_of

PIECE_BYTES: Final = 16 << 20
"""Far below what SQLite takes as one value (a thousand million bytes, unless compiled otherwise)."""

_ARRAYS_TABLE: Final = "match_index"
_SHAPE: Final = "shape"
_VECTORS: Final = "vectors"


def pack_index(connection: sqlite3.Connection, index: Index) -> None:
    """Write an index into the table `match_index` of a new file."""
    connection.execute(
        f"CREATE TABLE {_ARRAYS_TABLE} (name TEXT, piece INTEGER, content BLOB, PRIMARY KEY (name, piece))"
    )
    shape = {
        "version": INDEX_VERSION,
        "text": index.text,
        "rows": len(index),
        "dimensions": index.vectors.shape[1],
    }
    _write_array(connection, _SHAPE, json.dumps(shape).encode())
    for name, kind in COLUMNS.items():
        _write_array(connection, name, _bytes_of(index.arrays[name], kind))
    for name in ATOM_LISTS:
        _write_array(connection, f"{name}.atoms", json.dumps(index.atoms[name], ensure_ascii=False).encode())
    _write_array(connection, _VECTORS, _bytes_of(index.vectors, "<f4"))


def _bytes_of(values: NDArray[Any], kind: str) -> memoryview:
    """Return the bytes of an array without a copy of it."""
    return np.ascontiguousarray(values, dtype=kind).ravel().view(np.uint8).data


def unpack_index(connection: sqlite3.Connection) -> Index | None:
    """Return the index of a frozen file; None where an older or newer casebase wrote it."""
    shape = json.loads(_read(connection, _SHAPE) or b"{}")
    if shape.get("version") != INDEX_VERSION:
        return None
    arrays = {name: _array(connection, name, kind) for name, kind in COLUMNS.items()}
    atoms = {
        name: [as_atom(atom) for atom in json.loads(_read(connection, f"{name}.atoms"))]
        for name in ATOM_LISTS
    }
    vectors = _array(connection, _VECTORS, "<f4").reshape(shape["rows"], shape["dimensions"])
    return Index(arrays, atoms, vectors, shape["text"])


def _write_array(connection: sqlite3.Connection, name: str, content: bytes | memoryview) -> None:
    pieces = (
        (name, piece, content[begin : begin + PIECE_BYTES])
        for piece, begin in enumerate(range(0, len(content), PIECE_BYTES))
    )
    connection.executemany(f"INSERT INTO {_ARRAYS_TABLE} VALUES (?, ?, ?)", pieces)


def _read(connection: sqlite3.Connection, name: str) -> bytes:
    rows = connection.execute(f"SELECT content FROM {_ARRAYS_TABLE} WHERE name = ? ORDER BY piece", (name,))
    return b"".join(content for (content,) in rows)


def _array(connection: sqlite3.Connection, name: str, kind: str) -> NDArray[Any]:
    return np.frombuffer(_read(connection, name), dtype=kind)


FROZEN_ID: Final = 0x43425345 + 1
"""Marks the SQLite file as frozen records of casebase (`CBSF`); see the SQLite file format, offset 68."""

_BESIDES: Final = (
    "CREATE INDEX cases_platform ON cases (platform)",
    "CREATE INDEX cases_fault ON cases (fault)",
    "CREATE INDEX cases_ended ON cases (ended)",
    "DROP TABLE _sqlite_migrations",
    f"PRAGMA application_id = {FROZEN_ID}",
)


def freeze(  # noqa: PLR0913, PLR0917  what stands in the file
    kept: Iterable[StoredRecord],
    out: Path,
    facts: Mapping[str, str],
    means: Means,
    changes: Sequence[Change] = (),
    contents: Contents | None = None,
    layouts: Sequence[StoredLayout] = (),
) -> int:
    """Write the public fields of records to a new file at `out`, and return how many there are.

    `facts` and `changes` describe the collection as it stands there; `contents` gives the bytes of attachments; of
    `layouts` the public part goes along.
    Raises `EditionError` when the file cannot be written; what stood at `out` is replaced
    at once or not at all.
    """
    try:
        with folder_of_parts(out.parent) as parts:
            count = _write_frozen(kept, parts / out.name, facts, means, changes, contents, layouts)
            put(parts / out.name, out)
    except (OSError, sqlite3.Error) as error:
        raise EditionError(f"{out}: cannot be written ({error}): name another place, or make room") from None
    return count


def _write_frozen(  # noqa: PLR0913, PLR0917  what stands in the file
    kept: Iterable[StoredRecord],
    path: Path,
    facts: Mapping[str, str],
    means: Means,
    changes: Sequence[Change],
    contents: Contents | None,
    layouts: Sequence[StoredLayout],
) -> int:
    with closing(sqlite3.connect(path)) as connection:
        # Whoever stops half way leaves a file in a folder that goes; safety costs time only.
        connection.execute("PRAGMA synchronous = OFF")
        db = SqliteDatabase(connection)
        MIGRATIONS.apply(db, stop_before=FIRST_INSIDE)
        with connection:
            count = _write_records(connection, kept)
            write_derived(db, every_record(db))
            connection.executemany("INSERT INTO facts VALUES (?, ?)", sorted(facts.items()))
            write_changes(connection, changes)
            write_layouts(connection, layouts)
            write_files(connection, public_contents(every_record(db), contents))
            pack_index(connection, _index(db, count, means))
        for statement in _BESIDES:
            connection.execute(statement)
        connection.execute("INSERT INTO cases_fts(cases_fts) VALUES('optimize')")
        connection.commit()
        connection.execute("VACUUM")
    return count


def _public(one: StoredRecord) -> StoredRecord:
    """Return the public part of a record; when it was logged differs between libraries, the day of the job does not."""
    case = public_case(one.case)
    day = case.provenance.ended or case.provenance.opened
    return replace(one, case=case, logged_at=str(day or ""))


def _write_records(connection: sqlite3.Connection, kept: Iterable[StoredRecord]) -> int:
    """Write the public part of each record, by the order of their IDs; return how many.

    One record is held at a time: sorting is left to SQLite.
    """
    connection.execute(
        "CREATE TEMP TABLE given (case_id TEXT PRIMARY KEY, revision, sha256, json, logged_at)"
    )
    connection.executemany("INSERT INTO given VALUES (?, ?, ?, ?, ?)", map(_row, map(_public, kept)))
    connection.execute(
        "INSERT INTO records (case_id, revision, sha256, json, logged_at)"
        " SELECT case_id, revision, sha256, json, logged_at FROM given ORDER BY case_id"
    )
    connection.execute("DROP TABLE given")
    return int(connection.execute("SELECT count(*) FROM records").fetchone()[0])


def _row(public: StoredRecord) -> tuple[str, int, str, str, str]:
    text = canonical_json(public.case)
    return public.case_id, public.revision, sha256_of(text), text, public.logged_at


def _index(db: SqliteDatabase, count: int, means: Means) -> Index:
    """Return the index of all records; a record's number is its place among the rows of `records`."""
    embedder = means.embedder
    empty = empty_index(*((0, "") if embedder is None else (embedder.dimensions, embedder.identity)))
    builder = IndexBuilder(empty)
    records = ((one.case_id, one.case) for one in every_record(db))
    with means.filling(count) as filling:
        for number, profile in enumerate(filling.profiles(records), start=1):
            builder.add(number, profile)
            means.progress(number, count)
    return extended(empty, builder.finished())
