"""What this edition is: its date and origin, what it holds, what is missing in it, and what is not shown."""

from __future__ import annotations

from typing import Any, Final

from casebase.publish.edition import Edition
from casebase.site.asked_text import Asked
from casebase.site.counted import FAULT_CASES, Counted, address, by_make, by_medium
from casebase.site.listed import KNOWN_GOOD, count_of, so_many
from casebase.site.tallies import statuses_among

_TOLD_APART: Final = frozenset({"name", "number", "frozen on", "cases from", "licence"})
_MOST_SHOPS: Final = 100

_OF_CAUSE: Final = "(SELECT json_extract(json, '$.cause.proof') FROM records WHERE case_id = cases.id)"
_MISSING: Final = (
    ("without a cause", "fault IS NULL"),
    ("with a cause that nobody proved", f"fault IS NOT NULL AND {_OF_CAUSE} IS NULL"),
    (
        "without any reading as found",
        "id NOT IN (SELECT case_id FROM readings WHERE stage = 'as found')",
    ),
    (
        "with readings, none of them after the repair",
        "id IN (SELECT case_id FROM readings) AND id NOT IN"
        " (SELECT case_id FROM readings WHERE stage = 'after repair')",
    ),
    ("without codes", "id NOT IN (SELECT case_id FROM codes)"),
    ("with something that still makes no sense", "leftover IS NOT NULL"),
)

NOT_SHOWN: Final = (
    "the customer's own words and name",
    "the VIN",
    "what it cost",
    "attached files that are not for others",
    "what the shop lead remarked",
)
"""What freezing leaves out (`publish/public_fields.py`)."""


def about_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what the file tells of itself and of the records in it."""
    facts = edition.facts()
    faults = count_of(edition, FAULT_CASES)
    return {
        "title": "About this collection",
        "crumbs": [("/about", "About this collection")],
        "name": facts.get("name"),
        "number": facts.get("number"),
        "frozen_on": facts.get("frozen on"),
        "cases_from": facts.get("cases from"),
        "licence": facts.get("licence"),
        "other_facts": {name: value for name, value in facts.items() if name not in _TOLD_APART},
        "records": edition.count(),
        "fault_cases": faults,
        "known_good": count_of(edition, KNOWN_GOOD),
        "statuses": _statuses(edition),
        "makes": by_make(edition),
        "media": by_medium(edition),
        "shops": _shops(edition),
        "span": _span(edition),
        "missing": [
            (words, so_many(count, "case"))
            for words, where in _MISSING
            if (count := count_of(edition, f"{FAULT_CASES} AND {where}"))
        ],
        "not_shown": list(NOT_SHOWN),
    }


def _statuses(edition: Edition) -> list[Counted]:
    return [
        Counted(status, count, address("/search", status=status))
        for status, count in statuses_among(edition, "1")
    ]


def _shops(edition: Edition) -> list[tuple[str, int]]:
    return edition.connection.execute(
        "SELECT shop, count(*) FROM cases WHERE shop IS NOT NULL GROUP BY shop COLLATE NOCASE"
        " ORDER BY count(*) DESC, shop LIMIT ?",
        (_MOST_SHOPS,),
    ).fetchall()


def _span(edition: Edition) -> tuple[str | None, str | None]:
    """Return the days on which the first and the last of the jobs ended."""
    first, last = edition.connection.execute("SELECT min(ended), max(ended) FROM cases").fetchone()
    return first, last
