"""What is said to a stuck job: the readings first, then causes, like cases, what is normal, and the next test."""

from __future__ import annotations

from typing import Any, Final

from casebase.bus.explain import evidence_rows, verdict
from casebase.bus.words import state_words
from casebase.match.answer import Answer, answer_data, answer_to, would_settle_in
from casebase.match.causes import LikelyCause
from casebase.match.causes_words import (
    cases_behind_words,
    in_words,
    needs_words,
    no_test_words,
    remainder_words,
    said_by_readings,
)
from casebase.match.local_codes import codes_note
from casebase.match.meaning import Meaning
from casebase.match.settling import SettlingTest
from casebase.publish.edition import Edition
from casebase.record.case import Case
from casebase.site.case_page import level_pictures
from casebase.site.held import Held

LIKE_CASES: Final = 5
CAUSES_AT_ONCE: Final = 3
LEAST_STATE_SHOWN: Final = 0.005


def answer_for(edition: Edition, held: Held, job: Case) -> Answer | None:
    """Return everything that is said to a job; None where this collection cannot be compared with."""
    collection = held.collection(edition)
    if collection is None:
        return None
    return answer_to(job, collection, LIKE_CASES, held.buses, held.embedder)


def answer_context(answer: Answer) -> dict[str, Any]:
    """Return what the page shows of an answer."""
    causes = [cause for cause in answer.causes if not cause.is_something_else]
    return {
        "meanings": [
            meaning_context(meaning) for meaning in answer.meanings if meaning.diagnosis.observations
        ],
        "pictures": level_pictures(answer.job),
        "causes": [cause_context(cause) for cause in causes[:CAUSES_AT_ONCE]],
        "more_causes": [cause_context(cause) for cause in causes[CAUSES_AT_ONCE:]],
        "remainder": [
            remainder_words(rest.probability, bool(causes))
            for rest in answer.causes
            if rest.is_something_else
        ],
        "like": answer.ranking.matches,
        "settles": {
            match.profile.case_id: would_settle_in(answer, match) for match in answer.ranking.matches
        },
        "compared_with": answer.ranking.compared_with,
        "healthy": [(match, rows) for match in answer.ranking.known_good if (rows := answer.beside(match))][
            :2
        ],
        "looks_normal": answer.looks_normal,
        "tests": [test_context(test) for test in answer.tests],
        "no_test": None if answer.tests else no_test_words(answer.causes),
        "set_apart": answer.set_apart,
        "codes_note": codes_note(answer.job),
        "cautions": answer.cautions,
    }


def meaning_context(meaning: Meaning) -> dict[str, Any]:
    """Return what one network's readings mean, with each reading's word for and against."""
    diagnosis = meaning.diagnosis
    credible = diagnosis.credible()
    return {
        "name": meaning.name,
        "verdict": verdict(diagnosis),
        "clashes": bool(diagnosis.clashes),
        "states": [
            (state_words(state), ">.99" if share > 0.99 else f"{share:.2f}", state in credible)
            for state, share in diagnosis.ranked()
            if share >= LEAST_STATE_SHOWN
        ],
        "evidence": evidence_rows(diagnosis),
        "unused": [(diagnosis.readings[index].what(), why) for index, why in diagnosis.interpreted.unused],
    }


def cause_context(cause: LikelyCause) -> dict[str, Any]:
    """Return a likely cause in words, with the cases behind it."""
    return {
        "words": cause.words,
        "chance": in_words(cause.probability),
        "place": cause.place,
        "cases": list(
            zip([behind.case_id for behind in cause.cases], cases_behind_words(cause), strict=False)
        ),
        "without_cases": None if cause.cases else cases_behind_words(cause)[0],
        "readings": said_by_readings(cause),
    }


def test_context(test: SettlingTest) -> dict[str, Any]:
    """Return a test that settles, in words."""
    return {
        "words": test.words,
        "needs": needs_words(test),
        "tells": test.tells[:3],
        "source": test.source,
        "cautions": test.cautions,
    }


def answer_json(answer: Answer) -> dict[str, Any]:
    """Return the answer as plain data: the same as `casebase similar --json` prints."""
    return answer_data(answer)
