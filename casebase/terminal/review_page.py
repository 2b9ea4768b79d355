"""Review on the screen: what waits, and one record with what is missing and what it may repeat."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from casebase.library.waiting import Reviewed, Waiting
from casebase.record.words import title_of
from casebase.terminal.attachments_page import LOOK_FIRST
from casebase.terminal.case_page import print_case
from casebase.terminal.page import Page


def print_waiting(found: Sequence[Waiting], count: int, page: Page) -> None:
    """Print what waits."""
    if not found:
        page.line("Nothing waits to be read.")
        return
    page.line(
        f"{count} wait to be read, the most complete first. Next: casebase review {found[0].kept.case_id}"
    )
    for one in found:
        page.line(f"{one.kept.case_id}  {one.complete.points:>3} of 100  {title_of(one.kept.case)}", 0, 10)
        page.labelled("vehicle", one.kept.case.vehicle.line(), 10)
        if one.standing.revised_since:
            page.labelled("standing", one.standing.words(), 10)
        page.bullets("missing", one.complete.missing, 10)
        page.bullets("clash", one.complete.clashes, 10)
    if count > len(found):
        page.line(f"and {count - len(found)} more: casebase review --all")


def print_reviewed(one: Reviewed, page: Page, attached: Sequence[str] = ()) -> None:
    """Print one record under review; `attached` are its files, each in one line."""
    found = one.waiting
    print_case(found.kept, page, attached=attached)
    if any(file.goes_out for file in found.kept.case.attachments):
        page.line(LOOK_FIRST, 2)
    page.heading("Review")
    page.labelled("Standing", found.standing.words())
    page.labelled("Complete", f"{found.complete.points} of 100")
    page.bullets("Missing", found.complete.missing)
    page.bullets("Clash", found.complete.clashes)
    page.bullets("Said", [_word(row) for row in one.history])
    page.heading("Is it the same job told twice? Nearest cases")
    for match, same in one.nearest:
        told = f"  perhaps the same job: {same}" if same else ""
        page.line(f"{match.profile.case_id}  {match.score:.2f}  {match.profile.title}{told}", 2, 12)
    page.line(
        f"Then one of: casebase review {found.kept.case_id} --agree, --return REMARK, --merge-into ID,"
        " --withdraw REMARK, --keep-inside, with --by HANDLE"
    )


def _word(row: dict[str, Any]) -> str:
    parts = (
        f"revision {row['revision']}",
        row["said"],
        row["other"],
        f"by {row['by']}",
        row["at"][:10],
        row["remark"],
    )
    return ", ".join(str(part) for part in parts if part)
