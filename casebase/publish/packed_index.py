"""The match index inside a frozen file: every array as plain bytes in one table, in pieces that SQLite can hold."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from casebase.match.arrays import Atom, as_atom
from casebase.match.index import ATOM_LISTS, COLUMNS, INDEX_VERSION, Index

PIECE_BYTES: Final = 16 << 20
"""Far below what SQLite takes as one value (a thousand million bytes, unless compiled otherwise)."""

_TABLE: Final = "match_index"
_SHAPE: Final = "shape"
_VECTORS: Final = "vectors"


def pack_index(connection: sqlite3.Connection, index: Index) -> None:
    """Write an index into the table `match_index` of a new file."""
    connection.execute(
        f"CREATE TABLE {_TABLE} (name TEXT, piece INTEGER, content BLOB, PRIMARY KEY (name, piece))"
    )
    shape = {
        "version": INDEX_VERSION,
        "text": index.text,
        "rows": len(index),
        "dimensions": index.vectors.shape[1],
    }
    _write(connection, _SHAPE, json.dumps(shape).encode())
    for name, kind in COLUMNS.items():
        _write(connection, name, np.ascontiguousarray(index.arrays[name], dtype=kind).tobytes())
    for name in ATOM_LISTS:
        _write(connection, f"{name}.atoms", json.dumps(index.atoms[name], ensure_ascii=False).encode())
    _write(connection, _VECTORS, np.ascontiguousarray(index.vectors, dtype="<f4").tobytes())


def unpack_index(connection: sqlite3.Connection) -> Index | None:
    """Return the index of a frozen file; None where an older or newer casebase wrote it."""
    shape = json.loads(_read(connection, _SHAPE) or b"{}")
    if shape.get("version") != INDEX_VERSION:
        return None
    arrays = {name: _array(connection, name, kind) for name, kind in COLUMNS.items()}
    atoms = {name: _atoms(_read(connection, f"{name}.atoms")) for name in ATOM_LISTS}
    vectors = _array(connection, _VECTORS, "<f4").reshape(shape["rows"], shape["dimensions"])
    return Index(arrays, atoms, vectors, shape["text"])


def _write(connection: sqlite3.Connection, name: str, content: bytes) -> None:
    connection.executemany(f"INSERT INTO {_TABLE} VALUES (?, ?, ?)", _pieces(name, content))


def _pieces(name: str, content: bytes) -> Iterator[tuple[str, int, bytes]]:
    for piece, begin in enumerate(range(0, len(content), PIECE_BYTES)):
        yield name, piece, content[begin : begin + PIECE_BYTES]


def _read(connection: sqlite3.Connection, name: str) -> bytes:
    rows = connection.execute(f"SELECT content FROM {_TABLE} WHERE name = ? ORDER BY piece", (name,))
    return b"".join(content for (content,) in rows)


def _array(connection: sqlite3.Connection, name: str, kind: str) -> NDArray[Any]:
    return np.frombuffer(_read(connection, name), dtype=kind)


def _atoms(content: bytes) -> list[Atom]:
    return [as_atom(atom) for atom in json.loads(content)]
