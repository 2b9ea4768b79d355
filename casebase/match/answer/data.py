"""Causes, tests and codes set apart as plain data: what `--json` prints and the site serves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from casebase.match.answer.causes import LikelyCause, something_else
from casebase.match.answer.deciding_tests import DecidingTest
from casebase.record.stored_codes import CodeSetApart


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
