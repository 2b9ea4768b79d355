"""Whether the files that records name are there and whole, and which files no record names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.library.attached_files import AttachedFiles

_NAMED: Final = """
    SELECT r.case_id, r.revision, json_extract(a.value, '$.file'), json_extract(a.value, '$.sha256')
    FROM records r, json_each(CASE WHEN json_valid(r.json) THEN r.json ELSE '{}' END, '$.attachments') a
    WHERE json_extract(a.value, '$.sha256') IS NOT NULL ORDER BY r.case_id, r.revision, 3
"""
"""Of every revision: an earlier one is shown with its files too."""


@dataclass(frozen=True)
class LeftOver:
    """Files that no record names: how many, and their bytes."""

    files: int
    bytes: int


def faults_of_files(db: Database, library: Path) -> list[str]:
    """Return what is wrong with the attached files of a library, each in one sentence; every file is told once."""
    files, seen, found = AttachedFiles(library), set[str](), []
    for case_id, revision, name, sha256 in _named_files(db):
        if sha256 in seen:
            continue
        seen.add(sha256)
        try:
            files.read(sha256)
        except LibraryError as error:
            found.append(f"case {case_id}, revision {revision}, attachment '{name}': {error}")
    return found


def left_over(db: Database, library: Path) -> LeftOver:
    """Return what lies among the attached files for longer than an hour and is named by no record."""
    named = frozenset(sha256 for _, _, _, sha256 in _named_files(db))
    sizes = [path.stat().st_size for path in AttachedFiles(library).left_over(named)]
    return LeftOver(len(sizes), sum(sizes))


def _named_files(db: Database) -> Iterator[tuple[str, int, str, str]]:
    yield from db.execute(_NAMED)
