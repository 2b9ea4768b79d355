"""The first page: where to ask, what is new, what the collection holds."""

from __future__ import annotations

from typing import Any, Final

from casebase.publish.edition import Edition
from casebase.site.case_rows import case_rows
from casebase.site.counted import by_fault, by_make, by_medium

NEWEST: Final = 8
MOST_COUNTED: Final = 8


def start_context(edition: Edition) -> dict[str, Any]:
    """Return what the first page shows."""
    return {
        "count": edition.count(),
        "newest": case_rows(edition, most=NEWEST),
        "counted": [
            ("Causes", by_fault(edition)[:MOST_COUNTED], "/causes"),
            ("Makes", by_make(edition)[:MOST_COUNTED], "/vehicles"),
            ("Media", by_medium(edition), None),
        ],
        "facts": edition.facts(),
    }
