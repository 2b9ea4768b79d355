"""Bundles on the screen: what was written, what was taken in, whose cases are here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from casebase.library.bundle_checks import CheckedBundle
from casebase.library.near_duplicates import SAME_JOB_FROM, NearDuplicate
from casebase.library.sources import Source
from casebase.publish.bundle import Exported
from casebase.publish.taking_in import Became, Taken, TakenIn
from casebase.terminal.page import Page

MOST_NAMED: Final = 12


def print_exported(made: Exported, shop: str, page: Page) -> None:
    """Print a bundle that was written."""
    files = f" with {made.attachments} attached files" if made.attachments else ""
    page.line(f"{made.cases} {_cases(made.cases)}{files} of {shop} in {made.path}, {made.bytes} bytes")
    page.labelled("SHA-256", made.sha256)
    page.line(f"The other shop takes it in with: casebase import {made.path.name}")


def print_taken_in(taken: TakenIn, twice: Sequence[NearDuplicate], bundle: CheckedBundle, page: Page) -> None:
    """Print what a bundle brought."""
    counted = taken.counted()
    if not taken.of(Became.NEW, Became.REVISED, Became.BESIDE):
        page.line(f"Nothing new from {taken.source}: all {len(taken.cases)} cases are here already.")
        return
    told = ", ".join(f"{count} {became}" for became, count in counted.items() if count)
    page.line(f"From {taken.source}, made on {bundle.made_on}: {told}.")
    if beside := taken.of(Became.BESIDE):
        page.heading("Edited on both sides: theirs stands beside yours")
        _print_some([_beside_words(one) for one in beside], page)
    if twice:
        page.heading(f"Perhaps one job told twice: likeness from {SAME_JOB_FROM:.2f}, the same codes")
        _print_some([f"{one.case_id}  {one.score:.2f}  like {one.other}: {one.why}" for one in twice], page)
    if bundle.attachments:
        page.line(f"Attached files checked and kept: {len(bundle.attachments)}.")
    page.line("They wait to be read: casebase review")


def print_sources(found: Sequence[Source], page: Page) -> None:
    """Print the shops whose cases are here."""
    if not found:
        page.line("No bundle was taken in yet: casebase import FILE.zip")
    for one in found:
        since = f", last on {one.last_at[:10]}" if one.last_at else ""
        page.line(f"{one.name}: weight {one.weight:g}, {one.cases} {_cases(one.cases)}{since}", 0, 2)


def exported_data(made: Exported) -> dict[str, Any]:
    """Return a bundle that was written as plain data."""
    return {
        "file": str(made.path),
        "bytes": made.bytes,
        "sha256": made.sha256,
        "cases": made.cases,
        "attachments": made.attachments,
    }


def taken_in_data(taken: TakenIn, twice: Sequence[NearDuplicate], bundle: CheckedBundle) -> dict[str, Any]:
    """Return what a bundle brought as plain data."""
    return {
        "source": taken.source,
        "made_on": bundle.made_on,
        "counted": taken.counted(),
        "cases": [
            {"case_id": one.case_id, "told_id": one.told_id, "became": str(one.became)} for one in taken.cases
        ],
        "maybe_same_job": [
            {"case_id": one.case_id, "other": one.other, "score": round(one.score, 4), "why": one.why}
            for one in twice
        ],
        "same_job_from": SAME_JOB_FROM,
        "attachments": len(bundle.attachments),
    }


def sources_data(found: Sequence[Source]) -> list[dict[str, Any]]:
    """Return the shops whose cases are here as plain data."""
    return [
        {
            "name": one.name,
            "weight": one.weight,
            "cases": one.cases,
            "first_at": one.first_at,
            "last_at": one.last_at,
        }
        for one in found
    ]


def _beside_words(one: Taken) -> str:
    return f"{one.case_id}  beside {one.told_id}"


def _print_some(lines: Sequence[str], page: Page) -> None:
    for line in lines[:MOST_NAMED]:
        page.line(line, 2, 12)
    if len(lines) > MOST_NAMED:
        page.line(f"and {len(lines) - MOST_NAMED} more; --json names all", 2)


def _cases(count: int) -> str:
    return "case" if count == 1 else "cases"
