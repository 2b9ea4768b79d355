"""What an edition changes against the one before: new, revised and withdrawn cases."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from casebase.library.derived import Kept
from casebase.publish.public_fields import public_case
from casebase.record.canonical import canonical_json, sha256_of
from casebase.record.words import title_of


class Changed(StrEnum):
    """What became of a case."""

    NEW = "new"
    REVISED = "revised"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True)
class Change:
    """One case that an edition changes."""

    changed: Changed
    case_id: str
    title: str


_TABLE: Final = "changes"


def changes_since(before: sqlite3.Connection | None, now: Iterable[Kept]) -> list[Change]:
    """Return what the records `now` change against a frozen file; None stands for no file before: all are new."""
    old = _records(before) if before is not None else {}
    found, there = [], set[str]()
    for kept in now:
        public = public_case(kept.case)
        there.add(kept.case_id)
        sha256 = sha256_of(canonical_json(public))
        if kept.case_id not in old:
            found.append(Change(Changed.NEW, kept.case_id, title_of(public)))
        elif old[kept.case_id][0] != sha256:
            found.append(Change(Changed.REVISED, kept.case_id, title_of(public)))
    gone = [
        Change(Changed.WITHDRAWN, case_id, title)
        for case_id, (_, title) in old.items()
        if case_id not in there
    ]
    return [*found, *gone]


def write_changes(connection: sqlite3.Connection, changes: Sequence[Change]) -> None:
    """Write changes into the table `changes` of a new file."""
    connection.execute(f"CREATE TABLE {_TABLE} (changed TEXT, case_id TEXT, title TEXT)")
    rows = sorted((str(change.changed), change.case_id, change.title) for change in changes)
    connection.executemany(f"INSERT INTO {_TABLE} VALUES (?, ?, ?)", rows)


def read_changes(connection: sqlite3.Connection) -> list[Change]:
    """Return the changes that a frozen file tells of."""
    rows = connection.execute(f"SELECT changed, case_id, title FROM {_TABLE} ORDER BY changed, case_id")
    return [Change(Changed(changed), case_id, title) for changed, case_id, title in rows]


def _records(connection: sqlite3.Connection) -> dict[str, tuple[str, str]]:
    rows = connection.execute(
        "SELECT r.case_id, r.sha256, c.title FROM records r JOIN cases c ON c.id = r.case_id"
    )
    return {case_id: (sha256, title) for case_id, sha256, title in rows}
