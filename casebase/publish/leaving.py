"""What the next edition does not hold of the last one, and why; what is newer than it holds, and waits."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout, layout_standings
from casebase.library.mending import removal_words
from casebase.library.records import earlier_record
from casebase.library.reviews import Said, Standing, standings
from casebase.library.store import Library
from casebase.publish.changes import Changed, changes_since
from casebase.publish.edition import edition_path, numbers_in, open_frozen, remove_unfinished
from casebase.record.edits import Difference, differences


@dataclass(frozen=True)
class Leaving:
    """A case or layout that the last edition holds and the next one will not, and why."""

    case_id: str
    title: str
    why: str


@dataclass(frozen=True)
class Newer:
    """A revision that waits to be read, while the edition holds an earlier one; what differs between the two."""

    kept: StoredRecord
    standing: Standing
    differences: list[Difference]


def leaving(
    library: Library,
    folder: Path,
    records: Sequence[StoredRecord],
    layouts: Sequence[StoredLayout] = (),
) -> list[Leaving]:
    """Return what the last edition in a folder holds that `records` and `layouts`, those of the next one, do not."""
    remove_unfinished(folder)
    last = max(numbers_in(folder), default=0)
    if not last:
        return []
    with closing(open_frozen(edition_path(folder, last))) as before:
        changes = changes_since(before, records, layouts)
    return [
        Leaving(
            change.case_id,
            change.title,
            _why(library, change.case_id) if change.what == "case" else _why_layout(library, change.case_id),
        )
        for change in changes
        if change.changed is Changed.WITHDRAWN
    ]


def _why_layout(library: Library, layout_id: str) -> str:
    standing = layout_standings(library).get(layout_id)
    return f"layout: {standing.words() if standing else 'not in this library'}"


def _why(library: Library, case_id: str) -> str:
    try:
        kept = library.get(case_id)
    except LibraryError:
        return "not in this library, or not readable: casebase check"
    if removal := removal_words(library, kept):
        return removal
    with library.reading() as db:
        standing = standings(db, [kept])[case_id]
    return "no revision of it is agreed to" if standing.said is Said.WAITS else standing.words()


def newer_than_agreed(library: Library) -> list[Newer]:
    """Return what was revised since it was agreed to, and is not agreed to as it stands."""
    there = library.records()
    with library.reading() as db:
        found = standings(db, there)
        return [
            Newer(kept, standing, differences(earlier_record(db, kept.case_id, agreed).case, kept.case))
            for kept, standing in ((kept, found[kept.case_id]) for kept in there)
            if (agreed := standing.agreed) is not None and agreed != kept.revision
        ]
