"""Who made which revision of a record, and in which way: logged, edited, taken back, removed, brought back.

A record that is removed keeps all its revisions: removing it is a revision too, with the same text, and so is bringing
it back. What an older casebase kept, and what is logged without saying who does, is its author's as the record says.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from casebase.library.engine import Database


class Made(StrEnum):
    """In which way a revision came about."""

    LOGGED = "logged"
    EDITED = "edited"
    TAKEN_BACK = "taken back"
    REMOVED = "removed"
    BROUGHT_BACK = "brought back"
    FILES = "files changed"
    MASKED = "private text masked"
    TAKEN_IN = "taken in"


@dataclass(frozen=True)
class Authorship:
    """Who made a revision and in which way; of one that takes others back the revision whose text it has."""

    made: Made = Made.LOGGED
    by: str | None = None
    text_of: int | None = None
    remark: str | None = None

    def words(self) -> str:
        """Return it in a few words.

        >>> Authorship(Made.TAKEN_BACK, "tova", text_of=2).words()
        'taken back to revision 2 by tova'
        """
        back = f" to revision {self.text_of}" if self.text_of else ""
        who = "from" if self.made is Made.TAKEN_IN else "by"
        return f"{self.made}{back}{f' {who} {self.by}' if self.by else ''}"


def sign(db: Database, case_id: str, revision: int, authorship: Authorship) -> None:
    """Keep who made a revision, within the transaction that keeps the revision; what says no more is left out."""
    if authorship == Authorship():
        return
    db.execute(
        "INSERT INTO authorship (case_id, revision, made, by, text_of, remark) VALUES (?, ?, ?, ?, ?, ?)",
        (
            case_id,
            revision,
            str(authorship.made),
            authorship.by,
            authorship.text_of,
            authorship.remark,
        ),
    )


def authorships(db: Database, case_id: str) -> dict[int, Authorship]:
    """Return, by revision, what was kept of who made it."""
    rows = db.execute(
        "SELECT revision, made, by, text_of, remark FROM authorship WHERE case_id = ?", (case_id,)
    )
    return {
        revision: Authorship(Made(made), by, text_of, remark) for revision, made, by, text_of, remark in rows
    }


_REMOVED = """
    SELECT a.case_id FROM authorship a WHERE a.made = ? AND NOT EXISTS
    (SELECT 1 FROM records r WHERE r.case_id = a.case_id AND r.revision > a.revision)
"""


def removed_ids(db: Database) -> frozenset[str]:
    """Return the IDs of the cases that were removed and not brought back."""
    return frozenset(case_id for (case_id,) in db.execute(_REMOVED, (str(Made.REMOVED),)))
