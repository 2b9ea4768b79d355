"""What an edition changes against the one before: cases and layouts that are new, revised or withdrawn."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout
from casebase.publish.public_fields import public_case
from casebase.publish.public_layouts import layouts_of, public_layout
from casebase.record.json_form import canonical_json, sha256_of
from casebase.record.words import title_of


class Changed(StrEnum):
    """What became of a case or layout."""

    NEW = "new"
    REVISED = "revised"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True)
class Change:
    """One case, or layout, that an edition changes; `case_id` is its ID either way."""

    changed: Changed
    case_id: str
    title: str
    what: str = "case"


_TABLE: Final = "changes"
_Old = Mapping[str, tuple[str, str]]
"""SHA-256 and title by ID."""


def changes_since(
    before: sqlite3.Connection | None, now: Iterable[StoredRecord], layouts: Iterable[StoredLayout] = ()
) -> list[Change]:
    """Return what records and layouts change against a frozen file; None stands for no file before: all are new."""
    sql = "SELECT r.case_id, r.sha256, c.title FROM records r JOIN cases c ON c.id = r.case_id"
    rows = before.execute(sql) if before is not None else ()
    old = {case_id: (sha256, title) for case_id, sha256, title in rows}
    public = ((one.case_id, public_case(one.case)) for one in now)
    cases = ((case_id, sha256_of(canonical_json(case)), title_of(case)) for case_id, case in public)
    drawn = [] if before is None else layouts_of(before)
    old_layouts = {one.layout_id: _layout_form(one) for one in drawn}
    new_layouts = ((one.layout_id, *_layout_form(one)) for one in layouts)
    return [*_differing(old, cases, "case"), *_differing(old_layouts, new_layouts, "layout")]


def _layout_form(stored: StoredLayout) -> tuple[str, str]:
    public = public_layout(stored.layout)
    return sha256_of(canonical_json(public)), public.name()


def _differing(old: _Old, now: Iterable[tuple[str, str, str]], what: str) -> Iterator[Change]:
    there = set[str]()
    for its_id, sha256, title in now:
        there.add(its_id)
        if its_id not in old:
            yield Change(Changed.NEW, its_id, title, what)
        elif old[its_id][0] != sha256:
            yield Change(Changed.REVISED, its_id, title, what)
    for its_id, (_, title) in old.items():
        if its_id not in there:
            yield Change(Changed.WITHDRAWN, its_id, title, what)


def write_changes(connection: sqlite3.Connection, changes: Sequence[Change]) -> None:
    """Write changes into the table `changes` of a new file.

    Of what was withdrawn only the ID: its title may be what it was withdrawn for.
    """
    connection.execute(f"CREATE TABLE {_TABLE} (changed TEXT, case_id TEXT, title TEXT, what TEXT)")
    rows = sorted(
        (str(one.changed), one.case_id, "" if one.changed is Changed.WITHDRAWN else one.title, one.what)
        for one in changes
    )
    connection.executemany(f"INSERT INTO {_TABLE} VALUES (?, ?, ?, ?)", rows)


def read_changes(connection: sqlite3.Connection) -> list[Change]:
    """Return the changes that a frozen file holds; one of an older casebase tells of cases alone."""
    rows = connection.execute(f"SELECT * FROM {_TABLE} ORDER BY changed, case_id")
    return [Change(Changed(changed), *told) for changed, *told in rows]
