"""What Datasette is told of a file beforehand: how many rows each table has, and which tables only machines read."""

from __future__ import annotations

import hashlib
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from casebase.publish.edition import open_frozen
from casebase.publish.public_files import TABLE

_MADE_FOR_MACHINES: Final = ("records", "profiles", "facts", "match_index")


def hidden_tables(path: Path) -> dict[str, Any]:
    """Return, as Datasette's metadata has it, which tables of a frozen file its pages need not list."""
    tables: dict[str, Any] = {table: {"hidden": True} for table in _MADE_FOR_MACHINES}
    # Page by page every picture there is would go out at once: each has an address of its own.
    tables[TABLE] = {"hidden": True, "allow": False}
    return {path.stem: {"tables": tables}}


def inspected(path: Path) -> dict[str, Any]:
    """Return hash, size and row counts of a frozen file, under the name that Datasette gives it."""
    with closing(open_frozen(path)) as connection:
        tables = [
            name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        ]
        counts = {
            name: {"count": connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]}
            for name in tables
        }
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    return {path.stem: {"hash": sha256, "size": path.stat().st_size, "tables": counts}}
