"""A record's life after it was kept: its last revision taken back, the record removed and brought back.

Nothing is ever deleted: each of these is a revision more, with its author and time, in one transaction.
"""

from __future__ import annotations

from dataclasses import dataclass

from casebase.errors import LibraryError
from casebase.library.authorship import Authorship, Made, authorships, removed_ids, sign
from casebase.library.derived import StoredRecord, remove_derived, write_derived
from casebase.library.engine import Database
from casebase.library.library_file import LibraryFile, now_text
from casebase.library.records import current_record, earlier_record
from casebase.library.reviews import refuse_leaving_others


@dataclass(frozen=True)
class _Revision:
    number: int
    sha256: str
    text: str
    author: str | None
    """As the record says."""


def take_back(library: LibraryFile, prefix: str, by: str, to: int | None = None) -> StoredRecord:
    """Take back the last revision of a case, or all after revision `to`; return the record as it stands then.

    Taking back once more goes one revision further back. Of a record that was removed the removal is taken back.
    Raises `LibraryError` where there is nothing to take back, or somebody else made what would go.
    """
    case_id = library.resolve(prefix)
    _refuse_nobody(case_id, by)
    with library.changing() as db:
        if case_id in removed_ids(db):
            return _bring_back(db, case_id, by)
        revisions, made = _revisions(db, case_id), authorships(db, case_id)
        target = _target(case_id, revisions, made, to)
        going = [one for one in revisions if one.number > target.number]
        for one in going:
            _refuse_others(case_id, one, made.get(one.number, Authorship()), by)
        return _keep(db, case_id, target, Authorship(Made.TAKEN_BACK, by, target.number))


def remove(library: LibraryFile, prefix: str, by: str, remark: str | None = None) -> StoredRecord:
    """Put a case away: out of lists, rankings and the next edition; all its revisions stay.

    Raises `LibraryError` where it is removed already, is another's, or others were merged into it.
    """
    case_id = library.resolve(prefix)
    _refuse_nobody(case_id, by)
    with library.changing() as db:
        if case_id in removed_ids(db):
            raise LibraryError(f"case {case_id}: removed already: casebase show {case_id} --history")
        kept = current_record(db, case_id)
        _refuse_another_author(db, kept, by)
        refuse_leaving_others(db, f"case {case_id}", kept)
        current = _revisions(db, case_id)[-1]
        return _keep(db, case_id, current, Authorship(Made.REMOVED, by, remark=remark))


def bring_back(library: LibraryFile, prefix: str, by: str) -> StoredRecord:
    """Bring a removed case back as it was; raise `LibraryError` where it was not removed."""
    case_id = library.resolve(prefix)
    _refuse_nobody(case_id, by)
    with library.changing() as db:
        if case_id not in removed_ids(db):
            raise LibraryError(f"case {case_id}: was not removed: it is in casebase list")
        return _bring_back(db, case_id, by)


def removed_records(library: LibraryFile) -> list[StoredRecord]:
    """Return the current revision of every case that was removed."""
    with library.reading() as db:
        return [current_record(db, case_id) for case_id in sorted(removed_ids(db))]


def removal_words(library: LibraryFile, kept: StoredRecord) -> str:
    """Return by whom and when a case was removed, in one line; empty where it was not."""
    with library.reading() as db:
        if kept.case_id not in removed_ids(db):
            return ""
        told = authorships(db, kept.case_id)[kept.revision]
    return f"{told.words()} on {kept.logged_at[:10]}{f': {told.remark}' if told.remark else ''}"


def _bring_back(db: Database, case_id: str, by: str) -> StoredRecord:
    current = _revisions(db, case_id)[-1]
    return _keep(db, case_id, current, Authorship(Made.BROUGHT_BACK, by))


def _keep(db: Database, case_id: str, text_of: _Revision, authorship: Authorship) -> StoredRecord:
    """Keep the text of an earlier revision, or of the current one, as the next revision; return it."""
    (last,) = db.execute("SELECT max(revision) FROM records WHERE case_id = ?", (case_id,)).fetchone()
    db.execute(
        "INSERT INTO records (case_id, revision, sha256, json, logged_at) VALUES (?, ?, ?, ?, ?)",
        (case_id, last + 1, text_of.sha256, text_of.text, now_text()),
    )
    sign(db, case_id, last + 1, authorship)
    remove_derived(db, [case_id])
    kept = earlier_record(db, case_id, last + 1)
    if authorship.made is not Made.REMOVED:
        write_derived(db, [kept])
    return kept


def _revisions(db: Database, case_id: str) -> list[_Revision]:
    sql = """
        SELECT revision, sha256, json, CASE WHEN json_valid(json) THEN json_extract(json, '$.provenance.author') END
        FROM records WHERE case_id = ? ORDER BY revision
    """
    return [_Revision(*row) for row in db.execute(sql, (case_id,))]


def _target(
    case_id: str, revisions: list[_Revision], made: dict[int, Authorship], to: int | None
) -> _Revision:
    """Return the revision to go back to: the one named, else the last with another text than stands there now."""
    current = revisions[-1]
    if to is not None:
        if not 1 <= to < current.number:
            raise LibraryError(
                f"case {case_id}: no revision {to} to go back to: expected 1 to {current.number - 1}, as"
                f" casebase show {case_id} --history tells them"
            )
        return revisions[to - 1]
    text_of = made.get(current.number, Authorship()).text_of or current.number
    for one in reversed(revisions[: text_of - 1]):
        if one.sha256 != current.sha256:
            return one
    raise LibraryError(
        f"case {case_id}: nothing before this revision to go back to: casebase remove {case_id} puts the record away"
    )


def _refuse_nobody(case_id: str, by: str) -> None:
    if not by.strip():
        raise LibraryError(f"case {case_id}: say who you are with --by HANDLE")


def _refuse_others(case_id: str, one: _Revision, authorship: Authorship, by: str) -> None:
    author = authorship.by or one.author
    if author is not None and author.casefold() != by.casefold():
        raise LibraryError(
            f"case {case_id}: revision {one.number} is {author}'s, and only {author} takes it back: change what is"
            f" wrong with casebase edit {case_id}"
        )


def _refuse_another_author(db: Database, kept: StoredRecord, by: str) -> None:
    """Raise `LibraryError` where a record of the shop's own is somebody else's; one that was sent is nobody's here."""
    sent = db.execute("SELECT 1 FROM taken_in WHERE case_id = ? LIMIT 1", (kept.case_id,)).fetchone()
    author = kept.case.provenance.author
    if sent or author is None or author.casefold() == by.casefold():
        return
    raise LibraryError(
        f"case {kept.case_id}: {author} wrote it, and only {author} removes it: to keep it out of the next edition,"
        f" casebase review {kept.case_id} --withdraw REMARK"
    )
