"""Editions on the screen: what was published, what it changes, which ones there are."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from casebase.publish.changes import Change, Changed
from casebase.publish.edition_folder import EditionFile
from casebase.publish.publication import Published, counted
from casebase.terminal.page import Page

MOST_NAMED: Final = 12


def print_published(made: Published, page: Page) -> None:
    """Print an edition that was made, and what it changes."""
    page.line(f"Edition {made.number}: {made.records} records in {made.path}")
    page.labelled("SHA-256", made.sha256)
    for changed in Changed:
        _print_changes(changed, [change for change in made.changes if change.changed is changed], page)
    page.line(f"It is shown from now on. Read it: casebase browse {made.path.parent}")


def _print_changes(changed: Changed, changes: Sequence[Change], page: Page) -> None:
    if not changes:
        return
    page.heading(f"{len(changes)} {changed}")
    for change in changes[:MOST_NAMED]:
        page.line(f"{change.case_id}  {change.title}", 2, 12)
    if len(changes) > MOST_NAMED:
        page.line(f"and {len(changes) - MOST_NAMED} more", 2)


def published_data(made: Published) -> dict[str, Any]:
    """Return an edition as plain data."""
    return {
        "number": made.number,
        "file": str(made.path),
        "sha256": made.sha256,
        "records": made.records,
        "counted": counted(made.changes),
        "changes": [
            {"changed": str(change.changed), "case_id": change.case_id, "title": change.title}
            for change in made.changes
        ],
    }


def print_editions(editions: Sequence[EditionFile], folder: Path, page: Page) -> None:
    """Print the editions of a folder, the newest first."""
    if not editions:
        page.line(f"{folder}: no edition yet. Make one: casebase publish {folder}")
    for one in editions:
        shown = "  (shown)" if one.is_shown else ""
        page.line(
            f"{one.number:>4}  {one.day}, {one.records} records, signed off by {one.signed_off_by or 'nobody'}{shown}"
        )
        page.line(f"SHA-256 {one.sha256}", 6)


def editions_data(editions: Sequence[EditionFile]) -> list[dict[str, Any]]:
    """Return editions as plain data."""
    return [
        {
            "number": one.number,
            "file": str(one.path),
            "day": one.day,
            "records": one.records,
            "signed_off_by": one.signed_off_by,
            "sha256": one.sha256,
            "shown": one.is_shown,
        }
        for one in editions
    ]
