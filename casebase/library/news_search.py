"""Searching for news: whether a case that arrived explains an open question; what is found is kept."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from casebase.library.derived import StoredRecord
from casebase.library.library_file import now_text
from casebase.library.matching import Means, index_folder
from casebase.library.near_duplicates import NEAR_ODOMETER, SAME_VIN, same_vehicle
from casebase.library.news import (
    OpenQuestion,
    ProvenCase,
    What,
    leftover_as_job,
    open_questions,
    proven_cases,
    shareable,
    taken_back,
)
from casebase.library.records import count_records_between
from casebase.match.answer.explanation import (
    LIKE_FROM,
    Explained,
    best_explanation,
    explains_well,
    nearest_rows,
    proves_a_fault,
)
from casebase.match.evaluation.asking import as_stuck_job
from casebase.match.index.files import read_index
from casebase.match.index.query import Query
from casebase.match.index.search import first_of
from casebase.match.meaning import meanings_of, profile_to_compare
from casebase.match.profile import Profile
from casebase.record.case import Case

if TYPE_CHECKING:
    from casebase.library.store import Library

MOST_ASKED: Final = 20
"""Open questions that are asked for one new case where there are many: those most like it (judged)."""

AMONG_THE_FIRST: Final = 5
"""A new case that does not come so near by the index will not be the nearest by a closer look (judged)."""

MOST_LOOKED_AT: Final = 300
"""Questions that one search examines closely, those most like a new case: some half a minute (judged)."""

WORTH_A_LOOK: Final = 0.55
"""Likeness by the index, a tenth below that from which news is told, from which a question is examined closely: then
all its readings count, those with modules unplugged too (judged)."""

_LOOKED_FACT: Final = "news looked for up to"


@dataclass(frozen=True)
class NotExamined:
    """What was not examined yet: proven cases that arrived, questions older than any of them, the last record."""

    questions: list[OpenQuestion]
    proven: list[ProvenCase]
    upto: int


def not_examined(library: Library, also: Sequence[str] = ()) -> NotExamined:
    """Return what is to be examined: what arrived since the last time, and the cases named."""
    looked = int(library.fact(_LOOKED_FACT) or 0)
    with library.reading() as db:
        upto, asked = db.last_number(), open_questions(db)
        if not asked:
            return NotExamined([], [], upto)
        proven = proven_cases(db, max(looked, asked[0].number), upto, also)
    newest = max((one.proven_at for one in proven), default=0)
    return NotExamined([one for one in asked if one.number < newest], proven, upto)


def records_not_indexed(library: Library) -> int:
    """Return how many records the match index lacks: what a search has to work out first."""
    kept = read_index(index_folder(library.path))
    with library.reading() as db:
        return count_records_between(db, kept[1].last_number if kept else 0, db.last_number())


def index_has_stories(library: Library) -> bool:
    """Return whether the match index holds what stories mean: without the text model it should not grow then."""
    kept = read_index(index_folder(library.path))
    return bool(kept and kept[1].text)


def search_news(library: Library, means: Means, also: Sequence[str] = ()) -> list[OpenQuestion]:
    """Compare what arrived with every older open question; keep what is news; return the questions it is of."""
    there = not_examined(library, also)
    found = _NewsSearch(library, means, there).found() if there.questions else []
    return _keep(library, found, there.upto)


@dataclass(frozen=True)
class _Answered:
    question: OpenQuestion
    explained: Explained


class _NewsSearch:
    """One search: the questions that a new case is like, each put to the whole library."""

    def __init__(self, library: Library, means: Means, there: NotExamined) -> None:
        self.library, self.means = library, means
        self.collection, self.measure = library.collection(means), library.measure()
        self.new = {one.case_id: one for one in there.proven}
        self.new_rows = [row for row in self._rows(one.number for one in there.proven) if row is not None]
        self.is_new = set(self.new_rows)
        self.jobs = [one for one in there.questions if one.what is not What.LEFTOVER]
        self.left = [one for one in there.questions if one.what is What.LEFTOVER]
        with library.reading() as db:
            self.taken_back = taken_back(db)

    def found(self) -> list[_Answered]:
        """Return every question that a new case explains well, with that case."""
        near = self._worth_a_look()
        found = []
        for done, question in enumerate(near, start=1):
            explained = self._explained(question)
            if explained is not None:
                found.append(_Answered(question, explained))
            self.means.progress(done, len(near))
        return found

    # --- which questions are worth a close look -------------------------------------------------------------------

    def _worth_a_look(self) -> list[OpenQuestion]:
        """Return the questions that share something with a new case, those most like one first, not too many."""
        near: dict[OpenQuestion, float] = {}
        for question, score in (*self._near_jobs(), *self._near_left()):
            near[question] = max(score, near.get(question, 0.0))
        return sorted(near, key=lambda question: (-near[question], question.number))[:MOST_LOOKED_AT]

    def _near_jobs(self) -> Iterator[tuple[OpenQuestion, float]]:
        """Yield the jobs for which a new case leads by the index: of all, or of those most like a new one."""
        rows = self._rows(one.number for one in self.jobs)
        by_row = {row: one for row, one in zip(rows, self.jobs, strict=True) if row is not None}
        asked: Iterable[int] = by_row
        if len(by_row) > len(self.new_rows):
            asked = {row for new in self.new_rows for row in self._most_like(new, list(by_row))}
        for done, row in enumerate(sorted(asked), start=1):
            score = self._lead_of_new(self._profile(row))
            if score >= WORTH_A_LOOK:
                yield by_row[row], score
            self.means.progress(done, len(by_row))

    def _most_like(self, new: int, rows: Sequence[int]) -> list[int]:
        """Return the rows of the questions most like a new case."""
        allowed = np.zeros(len(self.collection.index), dtype=bool)
        allowed[rows] = True
        allowed[new] = False
        found = first_of(Query(self.collection.index, self._profile(new), self.measure), allowed, MOST_ASKED)
        return [int(row) for row in found.rows]

    def _lead_of_new(self, question: Profile) -> float:
        """Return the likeness of the best new case, if it is among the first few by the index; else 0."""
        found = nearest_rows(question, self.collection, AMONG_THE_FIRST, self.measure)
        new = [score for row, score in zip(found.rows, found.scores, strict=True) if int(row) in self.is_new]
        return float(max(new, default=0.0))

    def _near_left(self) -> Iterator[tuple[OpenQuestion, float]]:
        """Yield the leftovers that name a code, or the module at fault, of a new case; the newest are asked first."""
        if not self.left:
            return
        shared = shareable(self._profile(row) for row in self.new_rows)
        named = (one for one in reversed(self.left) if shared.is_named_in(one.leftover or ""))
        yield from ((one, 1.0) for one in islice(named, MOST_ASKED * len(self.new_rows)))

    def _rows(self, numbers: Iterable[int]) -> list[int | None]:
        """Return the row of each record; None for one that the index lacks."""
        there = self.collection.index.arrays["numbers"]
        wanted = np.fromiter(numbers, dtype=np.int64)
        rows = np.searchsorted(there, wanted)
        return [
            int(row) if row < len(there) and there[row] == number else None
            for row, number in zip(rows, wanted, strict=True)
        ]

    def _profile(self, row: int) -> Profile:
        return self.collection.profiles(np.array([row], dtype=np.intp))[0]

    # --- the close look -------------------------------------------------------------------------------------------

    def _explained(self, question: OpenQuestion) -> Explained | None:
        kept = self.library.get(question.case_id)

        def counts(past: Profile) -> bool:
            return (
                proves_a_fault(past)
                and past.case_id not in self.taken_back
                and not _same_vehicle(kept.case, self.library.get(past.case_id).case)
            )

        found = best_explanation(
            self._asked(question, kept), self.collection, counts, self.measure, LIKE_FROM
        )
        if found is None or not explains_well(found):
            return None
        if question.leftover and not shareable([found.match.profile]).is_named_in(question.leftover):
            return None
        new = self.new.get(found.match.profile.case_id)
        return found if new is not None and new.proven_at > question.number else None

    def _asked(self, question: OpenQuestion, kept: StoredRecord) -> Profile:
        """Return what is compared of a question: nothing that is only guessed of its cause."""
        named = kept.case.model_copy(update={"id": kept.case_id})
        leftover = question.leftover if question.what is What.LEFTOVER else None
        job = leftover_as_job(named, leftover) if leftover else as_stuck_job(named)
        meanings = meanings_of(job, self.means.buses, most_tests=0, rough=True)
        return profile_to_compare(job, meanings, self.means.embedder)


def _same_vehicle(one: Case, other: Case) -> bool:
    """Return whether two cases are of one vehicle: what was found on it later, its technician knows."""
    why = same_vehicle(one.vehicle, other.vehicle)
    return why == SAME_VIN or (why == NEAR_ODOMETER and one.provenance.shop == other.provenance.shop)


def _keep(library: Library, found: Sequence[_Answered], upto: int) -> list[OpenQuestion]:
    """Keep what was not told before; return the questions it is of."""
    now, told = now_text(), []
    with library.changing() as db:
        for one in found:
            match = one.explained.match
            kept = db.execute(
                "INSERT INTO news (open_case, what, new_case, score, probability, reasons, found_at)"
                " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                (
                    one.question.case_id,
                    str(one.question.what),
                    match.profile.case_id,
                    round(match.score, 4),
                    round(one.explained.probability, 4),
                    json.dumps([one.explained.reasons, one.explained.differ], ensure_ascii=False),
                    now,
                ),
            )
            told += [one.question] if kept.rowcount else []
        db.execute(
            "INSERT INTO facts (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"
            " WHERE CAST(excluded.value AS INTEGER) > CAST(facts.value AS INTEGER)",
            (_LOOKED_FACT, str(upto)),
        )
    return told
