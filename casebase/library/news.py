"""News: the open questions that a case may explain that arrived later, as far as both still stand."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import LibraryError
from casebase.library.open_questions import OpenQuestion, What, open_questions, proven_cases
from casebase.library.sources import senders_of_cases

if TYPE_CHECKING:
    from casebase.library.store import Library

_ROWS: Final = """
    SELECT n.*, c.title AS new_title, c.cause FROM news n JOIN cases c ON c.id = n.new_case
    WHERE (:every OR n.read_at IS NULL) ORDER BY n.found_at DESC, n.score DESC, n.open_case, n.new_case
"""


@dataclass(frozen=True)
class News:
    """A question that stands open, and the proven case that may explain it.

    `asked_by` is the author of the open case, where that is told. `score` is the likeness (0 to 1), `probability` that
    of its cause for the question. `agree` and `differ` are the reasons in words. `sent_by` is the other shop that sent
    the new case, empty for the shop's own.
    """

    open_case: str
    what: str
    open_title: str
    asked_by: str | None
    new_case: str
    new_title: str
    cause: str
    sent_by: str
    score: float
    probability: float
    agree: list[str]
    differ: list[str]
    found_at: str
    read_at: str | None

    def data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return asdict(self)


def news_in(library: Library, *, every: bool = False) -> list[News]:
    """Return what was not read yet, the newest first; with `every` also what was.

    A question answered since is none any more, and a case that was taken back explains nothing.
    """
    with library.reading() as db:
        rows = list(db.query(_ROWS, {"every": every}))
        if not rows:
            return []
        asked = _by_case(open_questions(db))
        standing = {one.case_id for one in proven_cases(db, 0, 0, [row["new_case"] for row in rows])}
        senders = senders_of_cases(db)
        return [
            _told(row, asked[key], senders.get(row["new_case"], ("", 1.0))[0])
            for row in rows
            if (key := (row["open_case"], row["what"] == What.LEFTOVER)) in asked
            and row["new_case"] in standing
        ]


def mark_read(library: Library, prefix: str | None = None) -> int:
    """Mark all news as read, or those of one case, open or new; return how many; raise where that case has none."""
    case_id = library.resolve(prefix) if prefix else None
    now = datetime.now(UTC).isoformat(timespec="seconds")
    shown = {(one.open_case, one.new_case) for one in news_in(library)}
    meant = [pair for pair in shown if case_id is None or case_id in pair]
    if case_id is not None and not any(case_id in (one.open_case, one.new_case) for one in _every(library)):
        raise LibraryError(f"case {case_id}: there is no news of it: casebase news --all lists what there is")
    with library.changing() as db:
        for pair in meant:
            db.conn.execute(
                "UPDATE news SET read_at = ? WHERE open_case = ? AND new_case = ? AND read_at IS NULL",
                (now, *pair),
            )
    return len(meant)


def _every(library: Library) -> list[News]:
    return news_in(library, every=True)


def _by_case(questions: list[OpenQuestion]) -> dict[tuple[str, bool], OpenQuestion]:
    return {(one.case_id, one.what is What.LEFTOVER): one for one in questions}


def _told(row: dict[str, Any], question: OpenQuestion, sent_by: str) -> News:
    agree, differ = json.loads(row["reasons"])
    return News(
        open_case=row["open_case"],
        what=str(question.what),
        open_title=question.title,
        asked_by=question.author,
        new_case=row["new_case"],
        new_title=row["new_title"],
        cause=row["cause"] or "",
        sent_by=sent_by,
        score=row["score"],
        probability=row["probability"],
        agree=agree,
        differ=differ,
        found_at=row["found_at"],
        read_at=row["read_at"],
    )
