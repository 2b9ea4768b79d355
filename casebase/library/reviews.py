"""What the shop lead said of records: words with who and when, each of one revision; none is ever taken away."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.library.derived import StoredRecord
from casebase.library.library_file import LibraryFile, now_text
from casebase.library.records import current_record
from casebase.record.case import status_of
from casebase.record.vocabulary import Kind, Review, Status


class Said(StrEnum):
    """The word that counts for a record."""

    WAITS = "waits"
    AGREED = "agreed"
    RETURNED = "returned"
    MERGED = "merged"
    WITHDRAWN = "withdrawn"
    INSIDE = "stays inside"


_OF_RECORD: Final = {Review.READ: Said.AGREED, Review.KEEP_INSIDE: Said.INSIDE, Review.NOT_READ: Said.WAITS}
_NEEDS_A_REMARK: Final = {Said.RETURNED, Said.WITHDRAWN}
_GONE: Final = {Said.MERGED, Said.WITHDRAWN}


@dataclass(frozen=True)
class Standing:
    """The word that counts for a record's current revision; `revised_since` tells that an earlier one had its own."""

    said: Said
    by: str | None = None
    at: str | None = None
    remark: str | None = None
    other: str | None = None
    revised_since: bool = False

    def words(self) -> str:
        """Return the standing in one line."""
        when = f" on {self.at[:10]}" if self.at else ""
        into = f" into {self.other}" if self.other else ""
        told = f"{self.said}{into}{f' by {self.by}' if self.by else ''}{when}"
        since = ", revised since it was last spoken of" if self.revised_since else ""
        return f"{told}{since}{f': {self.remark}' if self.remark else ''}"


def standings(db: Database, kept: Iterable[StoredRecord]) -> dict[str, Standing]:
    """Return where each record stands: the last word on its current revision, else what the record says itself."""
    last = {
        (row["case_id"], row["revision"]): row for row in db.query("SELECT * FROM reviews ORDER BY rowid")
    }
    spoken_of = {case_id for case_id, _ in last}
    found = {}
    for one in kept:
        row, told = last.get((one.case_id, one.revision)), one.case.review
        if row is not None:
            standing = Standing(Said(row["said"]), row["by"], row["at"], row["remark"], row["other"])
        elif one.case_id in spoken_of:
            standing = Standing(Said.WAITS, revised_since=True)
        else:
            standing = Standing(_OF_RECORD[told.state], told.by, str(told.on) if told.on else None)
        found[one.case_id] = standing
    return found


def said_of(library: LibraryFile, case_id: str) -> list[dict[str, Any]]:
    """Return every word said of a case, the first first."""
    with library.reading() as db:
        return list(db.query("SELECT * FROM reviews WHERE case_id = ? ORDER BY rowid", [case_id]))


def spoken_standing(library: LibraryFile, kept: StoredRecord) -> Standing | None:
    """Return where a record stands if anybody has said anything of it; None where nobody has."""
    with library.reading() as db:
        spoken = db.execute("SELECT 1 FROM reviews WHERE case_id = ?", (kept.case_id,)).fetchone()
        return standings(db, [kept])[kept.case_id] if spoken else None


def say(  # noqa: PLR0913, PLR0917  one argument per part of what is said
    library: LibraryFile,
    case_id: str,
    said: Said,
    by: str,
    remark: str | None = None,
    other: str | None = None,
) -> Standing:
    """Keep a word on the current revision of a case; raise `LibraryError` where it cannot be said."""
    kept = library.get(case_id)
    into = library.get(other) if other else None
    now = now_text()
    with library.changing() as db:
        current = db.execute("SELECT revision FROM cases WHERE id = ?", (kept.case_id,)).fetchone()[0]
        if current != kept.revision:
            raise LibraryError(f"case {kept.case_id}: revised just now: read it again before you speak of it")
        _refuse(db, kept, said, by, remark, into)
        db.conn.execute(
            "INSERT INTO reviews (case_id, revision, said, by, at, remark, other) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (kept.case_id, kept.revision, str(said), by, now, remark, into.case_id if into else None),
        )
        return standings(db, [kept])[kept.case_id]


def _refuse(  # noqa: PLR0913, PLR0917  the same, looked at
    db: Database, kept: StoredRecord, said: Said, by: str, remark: str | None, into: StoredRecord | None
) -> None:
    where = f"case {kept.case_id}"
    if not by.strip():
        raise LibraryError(f"{where}: nobody says so: say who does with --by HANDLE")
    if said in _NEEDS_A_REMARK and not (remark or "").strip():
        raise LibraryError(f"{where}: {said} without a remark helps nobody: say what is to be done, or why")
    if said is Said.AGREED and kept.case.kind is Kind.FAULT_CASE and status_of(kept.case) is Status.OPEN:
        raise LibraryError(f"{where}: the job is still open: agree to it when it has ended")
    if said is Said.MERGED:
        _refuse_merging(db, where, kept, into)
    if said is Said.WITHDRAWN:
        _refuse_leaving_others(db, where, kept)


def _refuse_merging(db: Database, where: str, kept: StoredRecord, into: StoredRecord | None) -> None:
    if into is None:
        raise LibraryError(f"{where}: merged into no case: name the one that tells the same job")
    if into.case_id == kept.case_id:
        raise LibraryError(f"{where}: merged into itself: name the other case that tells the same job")
    there = standings(db, [into])[into.case_id].said
    if there in _GONE:
        raise LibraryError(f"{where}: case {into.case_id} is {there} itself: name one that stays")


def _refuse_leaving_others(db: Database, where: str, kept: StoredRecord) -> None:
    """Raise `LibraryError` where another case was merged into this one and would be nowhere then."""
    ids = [
        row[0] for row in db.execute("SELECT DISTINCT case_id FROM reviews WHERE other = ?", (kept.case_id,))
    ]
    found = standings(db, [current_record(db, case_id) for case_id in ids])
    for case_id, standing in found.items():
        if standing.said is Said.MERGED and standing.other == kept.case_id:
            raise LibraryError(
                f"{where}: case {case_id} was merged into it and would be lost with it: give that one another word"
                f" first (casebase review {case_id})"
            )
