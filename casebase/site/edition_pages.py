"""What this edition is: its date and origin, what it holds, what is missing in it, and what is not shown.

What is new in this edition: the cases that it adds, revises and takes out.

The first page: where to ask, what is new, what the collection holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.library.news import News
from casebase.publish.edition import Edition
from casebase.publish.frozen import Changed, read_changes
from casebase.site.catalogue import (
    FAULT_CASES,
    Counted,
    address,
    by_fault,
    by_make,
    by_medium,
    statuses_among,
)
from casebase.site.lists import KNOWN_GOOD, Asked, case_rows, count_of, part_of, so_many

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


_WORDS = {
    Changed.NEW: "new",
    Changed.REVISED: "revised",
    Changed.WITHDRAWN: "withdrawn",
}


def changes_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what an edition changes against the one before; nothing for a file that was not published."""
    changes = read_changes(edition.connection)
    number = edition.facts().get("number")
    counts = [(_WORDS[kind], sum(change.changed is kind for change in changes)) for kind in Changed]
    return {
        "title": f"What is new in edition {number}" if number else "What is new",
        "crumbs": [("/about", "About this collection"), ("/changes", "What is new")],
        "number": number,
        "counts": [(words, count) for words, count in counts if count],
        "found": part_of(changes, asked),
    }


NEWEST: Final = 8
MOST_COUNTED: Final = 8


@dataclass(frozen=True)
class ShownNews:
    """A piece of news, and whether the site has a page of the new case; the open one has none, nobody agreed to it."""

    news: News
    has_page: bool

    @property
    def question(self) -> str:
        """What stands open, in words."""
        told = self.news
        return f"{told.what[:1].upper()}{told.what[1:]} {told.open_case}: {' '.join(told.open_title.split())}"


def start_context(edition: Edition, news: Sequence[News] = ()) -> dict[str, Any]:
    """Return what the first page shows; news is the owner's, and stands beside the file, never in an edition."""
    facts = edition.facts()
    shown = [] if "number" in facts else [ShownNews(one, edition.has(one.new_case)) for one in news]
    return {
        "news": shown,
        "count": edition.count(),
        "newest": case_rows(edition, most=NEWEST),
        "counted": [
            ("Causes", by_fault(edition)[:MOST_COUNTED], "/causes"),
            ("Makes", by_make(edition)[:MOST_COUNTED], "/vehicles"),
            ("Media", by_medium(edition), None),
        ],
        "facts": facts,
    }
