"""Editions on the screen: one that was made, what leaves it and what waits, and those of a folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from casebase.publish.changes import Change, Changed
from casebase.publish.edition import EditionFile
from casebase.publish.leaving import Leaving, Newer
from casebase.publish.publication import Published, counted
from casebase.terminal.case import print_differences
from casebase.terminal.page import MOST_NAMED, Page


def print_leaving(gone: Sequence[Leaving], page: Page) -> None:
    """Print what the last edition holds and the next one will not, and why."""
    page.line(f"{len(gone)} of the last edition would not be in the next one:")
    for one in gone:
        page.line(f"{one.case_id}  {one.title}: {one.why}", 2, 12)


def print_published(made: Published, newer: Sequence[Newer], page: Page) -> None:
    """Print an edition that was made, what it changes, and which later revisions wait to be read."""
    page.line(f"Edition {made.number}: {made.records} records in {made.path}")
    page.labelled("SHA-256", made.sha256)
    for changed in Changed:
        _print_changes(changed, [change for change in made.changes if change.changed is changed], page)
    if newer:
        page.heading(f"{len(newer)} revised since they were agreed to: the edition holds what was agreed")
    for one in newer:
        page.line(f"{one.kept.case_id}  revision {one.kept.revision}: {one.standing.words()}", 2, 12)
        print_differences(one.differences, page, 12)
    page.line(f"It is shown from now on. Read it: casebase browse {made.path.parent}")


def _print_changes(changed: Changed, changes: Sequence[Change], page: Page) -> None:
    if not changes:
        return
    page.heading(f"{len(changes)} {changed}")
    for change in changes[:MOST_NAMED]:
        layout = "layout: " if change.what == "layout" else ""
        page.line(f"{change.case_id}  {layout}{change.title}", 2, 12)
    if len(changes) > MOST_NAMED:
        page.line(f"and {len(changes) - MOST_NAMED} more", 2)


def published_data(made: Published, newer: Sequence[Newer]) -> dict[str, Any]:
    """Return an edition as plain data, with the later revisions that wait."""
    return {
        "number": made.number,
        "file": str(made.path),
        "sha256": made.sha256,
        "records": made.records,
        "counted": counted(made.changes),
        "changes": [
            {
                "changed": str(change.changed),
                "case_id": change.case_id,
                "title": change.title,
                "what": change.what,
            }
            for change in made.changes
        ],
        "newer": [
            {
                "case_id": one.kept.case_id,
                "agreed": one.standing.agreed,
                "revision": one.kept.revision,
                "said": str(one.standing.said),
                "differences": [asdict(difference) for difference in one.differences],
            }
            for one in newer
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
