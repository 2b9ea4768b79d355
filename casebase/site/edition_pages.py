"""The pages of the edition as a whole: the first page, what it is and what is missing in it, what is new in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.library.news import News
from casebase.publish.changes import Changed, read_changes
from casebase.publish.edition import Edition
from casebase.record.words import proved
from casebase.site import catalogue
from casebase.site.catalogue import EVERY_RECORD, FAULT_CASES, INCOMPLETE, KNOWN_GOOD, count_of
from casebase.site.lists import (
    Asked,
    Counted,
    address,
    counted_faults,
    counted_makes,
    counted_media,
    newest_cases,
    part_of,
    so_many,
)

_TOLD_APART: Final = frozenset({"name", "number", "frozen on", "cases from", "licence"})
_MOST_SHOPS: Final = 100
NEWEST: Final = 8
MOST_COUNTED: Final = 8

_CHANGE_WORDS: Final = {
    Changed.NEW: "new",
    Changed.REVISED: "revised",
    Changed.WITHDRAWN: "withdrawn",
}

_INCOMPLETE_WORDS: Final = {
    "no cause": "without a cause",
    "no proof": "with a cause that was not proven",
    "no reading as found": "without any reading as found",
    "no reading after the repair": "with readings, none of them after the repair",
    "no codes": "without codes",
    "a leftover": "with something that still makes no sense",
}

NOT_SHOWN: Final = (
    "the customer's own words and name",
    "the VIN",
    "what it cost",
    "attached files that are not for others",
    "what the shop lead remarked",
)
"""What freezing leaves out (`publish/public_fields.py`)."""


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
        "newest": newest_cases(edition, EVERY_RECORD, NEWEST),
        "counted": [
            ("Causes", counted_faults(edition, EVERY_RECORD)[:MOST_COUNTED], "/causes"),
            ("Makes", counted_makes(edition, EVERY_RECORD, MOST_COUNTED), "/vehicles"),
            ("Media", counted_media(edition), None),
        ],
        "facts": facts,
    }


def about_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what the file tells of itself and of the records in it."""
    facts = edition.facts()
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
        "fault_cases": count_of(edition, FAULT_CASES),
        "known_good": count_of(edition, KNOWN_GOOD),
        "statuses": [
            Counted(proved(status, None), count, address("/search", status=status))
            for status, count in catalogue.statuses(edition, EVERY_RECORD)
        ],
        "makes": counted_makes(edition, EVERY_RECORD),
        "media": counted_media(edition),
        "shops": catalogue.shops(edition, _MOST_SHOPS),
        "span": catalogue.first_and_last_day(edition),
        "missing": [
            (words, so_many(count, "case"))
            for lacking, words in _INCOMPLETE_WORDS.items()
            if (count := count_of(edition, FAULT_CASES & INCOMPLETE[lacking]))
        ],
        "not_shown": list(NOT_SHOWN),
    }


def changes_context(edition: Edition, asked: Asked) -> dict[str, Any]:
    """Return what an edition changes against the one before; nothing for a file that was not published."""
    changes = read_changes(edition.connection)
    number = edition.facts().get("number")
    counts = [(_CHANGE_WORDS[kind], sum(change.changed is kind for change in changes)) for kind in Changed]
    return {
        "title": f"What is new in edition {number}" if number else "What is new",
        "crumbs": [("/about", "About this collection"), ("/changes", "What is new")],
        "number": number,
        "counts": [(words, count) for words, count in counts if count],
        "found": part_of(changes, asked),
    }
