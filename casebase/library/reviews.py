"""What the shop lead said of records: words with who and when, each of one revision; none is ever taken away."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from casebase.errors import LibraryError
from casebase.library.authorship import removed_ids
from casebase.library.derived import StoredRecord
from casebase.library.engine import Database
from casebase.library.library_file import LibraryFile, now_text, refuse_removed
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


_OF_RECORD: Final = {str(Review.READ): Said.AGREED, str(Review.KEEP_INSIDE): Said.INSIDE}
_NEEDS_A_REMARK: Final = {Said.RETURNED, Said.WITHDRAWN}
_GONE: Final = {Said.MERGED, Said.WITHDRAWN}
_LEAVES: Final = {*_GONE, Said.INSIDE}
"""Words after which no edition holds the case, whichever revision was agreed to."""


@dataclass(frozen=True)
class Standing:
    """The word that counts for a record's current revision; `revised_since` tells that an earlier one had its own.

    `agreed` is the revision that an edition holds: the last that was agreed to, unless the case was withdrawn, merged
    or kept inside since; None where there is none.
    """

    said: Said
    by: str | None = None
    at: str | None = None
    remark: str | None = None
    other: str | None = None
    revised_since: bool = False
    agreed: int | None = None

    def words(self) -> str:
        """Return the standing in one line."""
        when = f" on {self.at[:10]}" if self.at else ""
        into = f" into {self.other}" if self.other else ""
        told = f"{self.said}{into}{f' by {self.by}' if self.by else ''}{when}"
        since = ", revised since it was last spoken of" if self.revised_since else ""
        holds = (
            f"; the next edition holds revision {self.agreed}" if self.revised_since and self.agreed else ""
        )
        return f"{told}{since}{holds}{f': {self.remark}' if self.remark else ''}"


_WORD: Final = "case_id, revision, said, by, at, remark, other"

_EVERY_REVISION: Final = """
    SELECT case_id, revision, sha256, CASE WHEN json_valid(json) THEN json_extract(json, '$.review') END AS review
    FROM records WHERE case_id IN (SELECT value FROM json_each(?, '$')) ORDER BY case_id, revision
"""


def standings(db: Database, kept: Sequence[StoredRecord]) -> dict[str, Standing]:
    """Return where each record stands: the last word on its current revision, else what the record says itself.

    A revision with the text of an earlier one, such as one that was taken back, stands as that one did.
    """
    told = _Told(db, [one.case_id for one in kept])
    return {one.case_id: told.standing(one.case_id) for one in kept}


class _Told:
    """What was said of some cases, in order; the revisions of those that have several."""

    def __init__(self, db: Database, case_ids: Sequence[str]) -> None:
        wanted = json.dumps(case_ids)
        self._spoken: set[str] = set()
        self._words: dict[tuple[str, int], list[dict[str, Any]]] = defaultdict(list)
        for row in db.query(
            f"SELECT {_WORD} FROM reviews WHERE case_id IN (SELECT value FROM json_each(?, '$')) ORDER BY rowid",
            [wanted],
        ):
            self._words[row["case_id"], row["revision"]].append(row)
        self._revisions: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for row in db.query(_EVERY_REVISION, [wanted]):
            self._revisions[row["case_id"]].append(row)

    def standing(self, case_id: str) -> Standing:
        """Return where a record stands, going through its revisions from the first."""
        standing, agreed = Standing(Said.WAITS), list[int]()
        by_text: dict[str, Standing] = {}
        for row in self._revisions[case_id]:
            words = self._words_of(row, by_text)
            standing = words[-1] if words else Standing(Said.WAITS, revised_since=bool(by_text))
            for word in words:
                _agree(agreed, row["revision"], word.said)
                if word.said in _LEAVES:  # earlier texts of the case were taken out with it
                    by_text.clear()
                by_text[row["sha256"]] = word
        return replace(standing, agreed=agreed[-1] if agreed else None)

    def _words_of(self, row: dict[str, Any], by_text: dict[str, Standing]) -> list[Standing]:
        """Return what counts for a revision, in order: what was said of it, of its text before, in its file."""
        case_id = row["case_id"]
        if said := self._words[case_id, row["revision"]]:
            self._spoken.add(case_id)
            return [
                Standing(Said(word["said"]), word["by"], word["at"], word["remark"], word["other"])
                for word in said
            ]
        if row["sha256"] in by_text:
            return [by_text[row["sha256"]]]
        told = {} if case_id in self._spoken else json.loads(row["review"] or "{}")
        said_so = _OF_RECORD.get(str(told.get("state")), Said.WAITS)
        return [] if said_so is Said.WAITS else [Standing(said_so, told.get("by"), told.get("on"))]


def _agree(agreed: list[int], revision: int, said: Said) -> None:
    """Put down which revisions an edition may hold, the last one last, after a word on one of them."""
    if said is Said.AGREED and revision not in agreed:
        agreed.append(revision)
    elif said in _LEAVES:
        agreed.clear()
    elif said is Said.RETURNED and agreed[-1:] == [revision]:
        agreed.pop()


def said_of(library: LibraryFile, case_id: str) -> list[dict[str, Any]]:
    """Return every word said of a case, the first first."""
    with library.reading() as db:
        return list(db.query(f"SELECT {_WORD} FROM reviews WHERE case_id = ? ORDER BY rowid", [case_id]))


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
    read: int | None = None,
) -> Standing:
    """Keep a word on the current revision of a case; raise `LibraryError` where it cannot be said.

    `read` is the revision that was read, where that is known: the word is not kept on another one.
    """
    kept = library.get_there(case_id)
    into = library.get_there(other) if other else None
    now = now_text()
    with library.changing() as db:
        removed = removed_ids(db)
        refuse_removed(kept.case_id, removed)
        if into:
            refuse_removed(into.case_id, removed)
        current = db.execute("SELECT revision FROM cases WHERE id = ?", (kept.case_id,)).fetchone()
        if current is None or current[0] != (read or kept.revision):
            raise LibraryError(f"case {kept.case_id}: revised just now: read it again before you speak of it")
        _refuse(db, kept, said, by, remark, into)
        db.execute(
            "INSERT INTO reviews (case_id, revision, said, by, at, remark, other) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (kept.case_id, kept.revision, str(said), by, now, remark, into.case_id if into else None),
        )
        return standings(db, [kept])[kept.case_id]


def _refuse(  # noqa: PLR0913, PLR0917  the same, looked at
    db: Database, kept: StoredRecord, said: Said, by: str, remark: str | None, into: StoredRecord | None
) -> None:
    where = f"case {kept.case_id}"
    if not by.strip():
        raise LibraryError(f"{where}: say who you are with --by HANDLE")
    if said in _NEEDS_A_REMARK and not (remark or "").strip():
        raise LibraryError(f"{where}: {said} without a remark is of no use: say what is to be done, or why")
    if said is Said.AGREED and kept.case.kind is Kind.FAULT_CASE and status_of(kept.case) is Status.OPEN:
        raise LibraryError(f"{where}: the job is still open: agree to it when it has ended")
    if said is Said.MERGED:
        _refuse_merging(db, where, kept, into)
    if said is Said.WITHDRAWN:
        refuse_leaving_others(db, where, kept)


def _refuse_merging(db: Database, where: str, kept: StoredRecord, into: StoredRecord | None) -> None:
    if into is None:
        raise LibraryError(f"{where}: merged into no case: name the one that tells the same job")
    if into.case_id == kept.case_id:
        raise LibraryError(f"{where}: merged into itself: name the other case that tells the same job")
    there = standings(db, [into])[into.case_id].said
    if there in _GONE:
        raise LibraryError(f"{where}: case {into.case_id} is {there} itself: name one that stays")


def refuse_leaving_others(db: Database, where: str, kept: StoredRecord) -> None:
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
