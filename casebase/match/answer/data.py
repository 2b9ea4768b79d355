"""The answer, and the comparison of one pair, as plain data: what `--json` prints and the site serves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from casebase.bus.feed import feed_data
from casebase.match.answer.answer import Answer, DecidingTest, LikelyCause, ReadingBeside, something_else
from casebase.match.answer.glance import Glance, glance_at
from casebase.match.facets.base import Match
from casebase.match.meaning import meanings_data
from casebase.record.local_fault import local_fault_data
from casebase.record.stored_codes import CodeSetApart, blame_words
from casebase.record.words import title_of


def answer_data(answer: Answer) -> dict[str, Any]:
    """Return the answer as plain data."""
    return {
        "job": {
            "case_id": answer.job.id,
            "title": title_of(answer.job),
            "vehicle": answer.job.vehicle.line(),
        },
        "matches": [
            {**_match_data(case.match), "would_settle": case.would_settle} for case in answer.similar
        ],
        "known_good": [
            {**_match_data(vehicle.match), "readings": [_reading_data(row) for row in vehicle.readings]}
            for vehicle in answer.healthy
        ],
        **causes_data(answer.causes, answer.tests, answer.set_apart, answer.codes_note),
        "meaning": meanings_data(answer.meanings)["networks"],
        "feeds": [feed_data(feed) for feed in answer.feeds],
        "taken_as": answer.taken_as,
        "local_faults": [local_fault_data(one) for one in answer.local_faults],
        "silent": answer.job.silent_modules(),
        "blames": [
            {"module": blame.module, "kind": blame.kind, "reporters": list(blame.reporters)}
            | {"codes": [code.text for code in blame.codes], "words": blame_words(blame)}
            for blame in answer.blames
        ],
        "reads_normal": answer.reads_normal,
        "looks_normal": answer.looks_normal,
        "glance": glance_data(glance_at(answer)),
        "cautions": answer.cautions,
        "compared_with": answer.compared_with,
        "weights_origin": answer.weights_origin,
    }


def glance_data(glance: Glance) -> dict[str, Any]:
    """Return what is said first of an answer as plain data; the first test stands in full under `next_tests`."""
    return {
        "verdict": glance.verdict,
        "do_next": glance.next_test.words if glance.next_test else glance.no_test,
        "outcomes": list(glance.outcomes),
        "cautions": list(glance.cautions),
        "causes": [
            {
                "cause": cause.words,
                "chance": cause.chance,
                "for": cause.speaks_for,
                "against": cause.speaks_against,
            }
            for cause in glance.causes
        ],
        "something_else": glance.something_else_chance,
        "beside": list(glance.beside),
        "nearest": [
            {"case_id": case.case_id, "vehicle": case.vehicle, "was": case.was, "proved_by": case.proof}
            for case in glance.nearest
        ],
        "normal": glance.normal,
    }


def _reading_data(row: ReadingBeside) -> dict[str, Any]:
    return {"reading": row.what, "here": row.here, "there": row.there, "note": row.note, "fits": row.fits}


def _match_data(match: Match) -> dict[str, Any]:
    return {
        "case_id": match.profile.case_id,
        "title": match.profile.title,
        "score": round(match.score, 4),
        "tempering": round(match.tempering, 4),
        "kinds_compared": match.kinds_compared,
        "kinds": len(match.facets),
        "facets": {
            name: {
                "likeness": None if facet.likeness is None else round(facet.likeness, 4),
                "weight": round(facet.weight, 4),
            }
            for name, facet in match.facets.items()
        },
        "agree": match.agree,
        "differ": match.differ,
        "status": match.profile.status,
        "cause": match.profile.cause,
        "proved_by": match.profile.proof,
        "sent_by": match.profile.sent_by or None,
        "trust": match.profile.trust,
    }


def causes_data(
    causes: Sequence[LikelyCause],
    tests: Sequence[DecidingTest],
    set_apart: Sequence[CodeSetApart],
    note: str | None = None,
) -> dict[str, Any]:
    """Return what is said of the causes as plain data; `note` is what `codes_note` says.

    The probabilities under `causes` and that under `something_else` sum to 1, but for rounding.
    """
    return {
        "causes": [_cause_data(cause) for cause in causes if not cause.is_something_else],
        "something_else": round(something_else(causes), 4),
        "next_tests": [_test_data(test) for test in tests],
        "codes_set_apart": [_code_data(code) for code in set_apart],
        "codes_note": note,
    }


def _cause_data(cause: LikelyCause) -> dict[str, Any]:
    return {
        "cause": cause.words,
        "probability": round(cause.probability, 4),
        "cases": [behind.case_id for behind in cause.cases],
        "fault": cause.fault,
        "module": cause.module,
        "place": cause.place,
        "from_readings": None if cause.from_readings is None else round(cause.from_readings, 4),
        "took_elsewhere": None if cause.took is None else asdict(cause.took),
        "behind": [
            asdict(behind) | {"score": round(behind.score, 4), "weight": round(behind.weight, 4)}
            for behind in cause.cases
        ],
    }


def _test_data(test: DecidingTest) -> dict[str, Any]:
    return {
        "reading": test.words,
        "source": test.source,
        "bits": None if test.bits is None else round(test.bits, 3),
        "minutes": test.minutes,
        "minutes_each": test.in_turn,
        "tells": list(test.tells),
        "outcomes": list(test.outcomes),
        "preconditions": test.needs,
        "cautions": list(test.cautions),
        "cases": list(test.cases),
    }


def _code_data(code: CodeSetApart) -> dict[str, Any]:
    return {
        "code": code.code,
        "stored_in": code.stored_in,
        "reason": code.reason,
        "cautions": list(code.cautions),
    }


def explained_data(match: Match) -> dict[str, Any]:
    """Return a comparison as plain data."""
    return {
        "case_id": match.profile.case_id,
        "title": match.profile.title,
        "score": round(match.score, 4),
        "tempering": round(match.tempering, 4),
        "facets": {
            name: {
                "likeness": None if facet.likeness is None else round(facet.likeness, 4),
                "known": round(facet.compared.known, 4),
                "weight": round(facet.weight, 4),
                "agree": facet.compared.agree,
                "differ": facet.compared.differ,
            }
            for name, facet in match.facets.items()
        },
    }
