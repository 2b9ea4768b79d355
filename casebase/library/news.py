"""Open questions of a library, and the news of them: cases that arrived later and may explain one.

Open are jobs without an answer, causes without proof, and what was left over of fixed jobs. News lasts as long as the
question is open and the case that explains it was not taken back.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from casebase.errors import LibraryError
from casebase.intake.scan_codes import codes_in_line
from casebase.library.engine import Database
from casebase.library.library_file import now_text
from casebase.library.reviews import Said
from casebase.library.sources import senders_of_cases
from casebase.match.profile import Profile
from casebase.record.case import Case, CodeEntry
from casebase.record.modules import family_of, module_family, modules_named_in
from casebase.record.trouble_code import TroubleCode
from casebase.record.vocabulary import Kind, Stage, Status

if TYPE_CHECKING:
    from casebase.library.store import Library


class What(StrEnum):
    """In which way a case is a question still."""

    OPEN_JOB = "open job"
    NOT_FIXED = "job not fixed"
    NOT_PROVEN = "cause not proven"
    LEFTOVER = "leftover"


_BY_STATUS: Final = {
    str(Status.OPEN): What.OPEN_JOB,
    str(Status.NOT_FIXED): What.NOT_FIXED,
    str(Status.FIXED_NOT_PROVEN): What.NOT_PROVEN,
}

_GONE: Final = (Said.MERGED, Said.WITHDRAWN)
"""Nobody asks a case any more that tells another's job, or that does not hold."""

_NOT_TOLD: Final = (*_GONE, Said.RETURNED)
"""What the shop lead does not stand by explains nothing."""

# The number of a record is SQLite's rowid; a case that another shop sent is that shop's question.
_QUESTIONS: Final = """
    SELECT c.id, r.rowid AS number, c.status, c.title, c.author, c.leftover FROM cases c
    JOIN records r ON r.case_id = c.id AND r.revision = c.revision
    WHERE c.kind = :kind AND (c.status IN ('open', 'not fixed', 'fixed, cause not proven') OR c.leftover IS NOT NULL)
    AND NOT EXISTS (SELECT 1 FROM taken_in t WHERE t.case_id = c.id) ORDER BY number
"""

_PROVEN: Final = """
    SELECT c.id, r.rowid AS number, (SELECT min(first.rowid) FROM records first WHERE first.case_id = c.id
    AND json_extract(first.json, '$.cause.proof') IS NOT NULL) AS proven_at
    FROM records r JOIN cases c ON c.id = r.case_id AND c.revision = r.revision
    WHERE (c.id IN (SELECT value FROM json_each(?, '$')) OR (r.rowid > ? AND r.rowid <= ?))
    AND c.kind = 'fault case' AND c.status LIKE 'fixed%' AND c.fault IS NOT NULL AND c.fault != 'none'
    AND json_extract(r.json, '$.cause.proof') IS NOT NULL ORDER BY number
"""

_LAST_WORDS: Final = """
    SELECT w.case_id, w.said FROM reviews w JOIN cases c ON c.id = w.case_id AND c.revision = w.revision
    WHERE w.rowid = (SELECT max(x.rowid) FROM reviews x WHERE x.case_id = w.case_id AND x.revision = w.revision)
"""


@dataclass(frozen=True)
class OpenQuestion:
    """A case that is a question still: since which record, in which way, under which title, and whose."""

    case_id: str
    number: int
    what: What
    title: str
    author: str | None = None
    leftover: str | None = None


@dataclass(frozen=True)
class ProvenCase:
    """A case with a proven cause: the number of its current record, and of the first that held the proof."""

    case_id: str
    number: int
    proven_at: int


def open_questions(db: Database) -> list[OpenQuestion]:
    """Return everything that stands open of the shop's own cases, the oldest first; a case may ask twice."""
    gone = _with_last_word(db, _GONE)
    rows = [row for row in db.query(_QUESTIONS, {"kind": str(Kind.FAULT_CASE)}) if row["id"] not in gone]
    found = []
    for row in rows:
        told = row["id"], row["number"]
        if (what := _BY_STATUS.get(row["status"])) is not None:
            found.append(OpenQuestion(*told, what, row["title"], row["author"]))
        if row["leftover"]:
            found.append(OpenQuestion(*told, What.LEFTOVER, row["title"], row["author"], row["leftover"]))
    return found


def proven_cases(db: Database, after: int, upto: int, also: Sequence[str] = ()) -> list[ProvenCase]:
    """Return the proven cases logged after one number and up to another, and those named; none that was taken back."""
    not_told = _with_last_word(db, _NOT_TOLD)
    rows = db.execute(_PROVEN, [json.dumps(list(also)), after, upto])
    return [ProvenCase(*row) for row in rows if row[0] not in not_told]


def taken_back(db: Database) -> set[str]:
    """Return the cases that explain nothing: returned, merged or withdrawn by the shop lead."""
    return _with_last_word(db, _NOT_TOLD)


def leftover_as_job(case: Case, leftover: str) -> Case:
    """Return a leftover as a job of its own: its words, the codes that they name, what was read after the repair.

    The vehicle and its networks are those of the case. The other readings, codes and silent modules belong to what was
    fixed.
    """
    named = codes_named_in(case, leftover)
    told = [entry for entry in case.codes if entry.code.base in named]
    untold = named.keys() - {entry.code.base for entry in told}
    after = [reading for reading in case.readings if reading.stage is Stage.AFTER_REPAIR]
    return case.model_copy(
        update={
            "concern": leftover,
            "codes": [*told, *(CodeEntry(code=named[base]) for base in sorted(untold))],
            "readings": [reading.model_copy(update={"stage": Stage.AS_FOUND}) for reading in after],
            **{part: [] for part in ("symptoms", "lamps", "conditions", "modules", "steps", "trials")},
            **dict.fromkeys(("cause", "fix", "verification", "leftover", "note", "title")),
        }
    )


def codes_named_in(case: Case, leftover: str) -> dict[str, TroubleCode]:
    """Return the trouble codes that the leftover of a case names, by their base: its own codes, or by their grammar."""
    text = leftover.casefold()
    own = [entry.code for entry in case.codes if entry.code.base.casefold() in text]
    found = [one.code for line in leftover.splitlines() for one in codes_in_line(line)]
    return {code.base: code for code in (*own, *found)}


@dataclass(frozen=True)
class Shareable:
    """What leftovers may share with past cases: their codes, and the families of the modules that were at fault."""

    codes: frozenset[str]
    at_fault: frozenset[str]

    def is_named_in(self, leftover: str) -> bool:
        """Return whether a leftover names any of it: its other words alone tell too little."""
        text = leftover.casefold()
        named = {one.code.base for line in leftover.splitlines() for one in codes_in_line(line)}
        if named & self.codes or any(code.casefold() in text for code in self.codes):
            return True
        return any(module_family(found.key) in self.at_fault for found in modules_named_in(leftover))


def shareable(pasts: Iterable[Profile]) -> Shareable:
    """Return what leftovers may share with these cases."""
    codes: set[str] = set()
    at_fault: set[str] = set()
    for past in pasts:
        codes.update(code.base for code in past.codes)
        if past.cause_module:
            at_fault.add(family_of(past.cause_module))
    return Shareable(frozenset(codes), frozenset(at_fault))


def _with_last_word(db: Database, words: Sequence[Said]) -> set[str]:
    return {case_id for case_id, said in db.execute(_LAST_WORDS) if said in words}


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
        asked = {(one.case_id, one.what is What.LEFTOVER): one for one in open_questions(db)}
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
    now = now_text()
    shown = {(one.open_case, one.new_case) for one in news_in(library)}
    meant = [pair for pair in shown if case_id is None or case_id in pair]
    known = news_in(library, every=True) if case_id is not None else []
    if case_id is not None and not any(case_id in (one.open_case, one.new_case) for one in known):
        raise LibraryError(f"case {case_id}: there is no news of it: casebase news --all lists what there is")
    with library.changing() as db:
        for pair in meant:
            db.execute(
                "UPDATE news SET read_at = ? WHERE open_case = ? AND new_case = ? AND read_at IS NULL",
                (now, *pair),
            )
    return len(meant)


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
