"""A library from a file into a hub and back: every row that was told, byte for byte; all else is made from them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Final
from uuid import uuid4

from casebase.errors import LibraryError
from casebase.files import folder_of_parts, put
from casebase.library.engine import Database, HubAddress
from casebase.library.file_store import BroughtOver, Files
from casebase.library.hub_schema import columns_of_kept
from casebase.library.store import RESTORED_FACT, Library

_ROWS_AT_ONCE: Final = 500

_OWN_FACTS: Final = "derived version"
"""Tells how the other tables were made, and is none of what was told."""


def copy_kept(source: Database, target: Database) -> None:
    """Copy every row of the tables that hold what was told, in the order in which they came; those there go first.

    Within a transaction of `target`; `source` is read as of one moment.
    """
    with source.at_once():
        for table, columns in columns_of_kept().items():
            named = ", ".join(columns)
            kept = f" WHERE name = '{_OWN_FACTS}'" if table == "facts" else ""
            target.execute(f"DELETE FROM {table}" + (f" WHERE name != '{_OWN_FACTS}'" if kept else ""))
            after = 0
            while rows := source.execute(
                f"SELECT rowid, {named} FROM {table} WHERE rowid > ? ORDER BY rowid LIMIT {_ROWS_AT_ONCE}",
                (after,),
            ).fetchall():
                after = rows[-1][0]
                told = [row[1:] for row in rows if not kept or row[1] != _OWN_FACTS]
                target.executemany(
                    f"INSERT INTO {table} ({named}) VALUES ({', '.join('?' * len(columns))})", told
                )


def write_as_file(library: Library, made: Path) -> None:
    """Write a library that is on a hub to a new library file."""
    with Library.create(made) as copy:
        with library.reading() as source, copy.changing() as target:
            copy_kept(source, target)
        copy.rebuild()
        with copy.reading() as target:
            target.execute("PRAGMA journal_mode = DELETE")  # a copy needs no other file beside it


def bring_from_hub(files: Files, named: Iterable[str], folder: Path) -> BroughtOver:
    """Write the files that records name into a folder beside a copy, those that it lacks."""
    count, faults = 0, []
    for sha256 in sorted(named):
        place = folder / sha256[:2] / sha256
        if place.is_file():
            continue
        try:
            content = files.read(sha256)
        except LibraryError as error:
            faults.append(str(error))
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        with folder_of_parts(folder) as parts:
            (parts / sha256).write_bytes(content)
            put(parts / sha256, place)
        count += 1
    return BroughtOver(count, faults)


def fill_hub(copy: Path, folders: Iterable[Path], address: HubAddress) -> BroughtOver:
    """Put a checked copy of a library into an empty hub, its files first; return what became of these.

    Raises `LibraryError` where the hub holds records already; nothing of the copy is there then.
    """
    with Library.open(address) as hub, Library.open(copy) as source:
        brought = _bring_to_hub(folders, hub.files)
        with source.reading() as given, hub.changing() as target:
            if target.execute("SELECT 1 FROM records LIMIT 1").fetchone():
                raise LibraryError(
                    f"{address}: holds records already, and a copy goes into an empty hub: bring cases into this one"
                    " with casebase export and casebase import"
                )
            copy_kept(given, target)
            hub.set_fact(RESTORED_FACT, uuid4().hex)
            hub.rebuild()
    return brought


def _bring_to_hub(folders: Iterable[Path], files: Files) -> BroughtOver:
    count, faults = 0, []
    for path in (path for folder in folders for path in sorted(folder.glob("??/*"))):
        content = path.read_bytes()
        if hashlib.sha256(content).hexdigest() == path.name:
            files.keep(content)
            count += 1
        else:
            faults.append(f"{path}: the file does not match its SHA-256: it was changed outside casebase")
    return BroughtOver(count, faults)
