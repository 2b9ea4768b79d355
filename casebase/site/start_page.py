"""The first page: where to ask, what is new, what the collection holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.library.news import News
from casebase.publish.edition import Edition
from casebase.site.case_rows import case_rows
from casebase.site.counted import by_fault, by_make, by_medium

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
