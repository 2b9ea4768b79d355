"""What is new in this edition: the cases that it adds, revises and takes out."""

from __future__ import annotations

from typing import Any

from casebase.publish.changes import Changed, read_changes
from casebase.publish.edition import Edition
from casebase.site.asked_text import Asked
from casebase.site.listed import part_of

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
