"""What the shop lead sees: review, bundles between shops, copies of the library, and news."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from casebase.library.backup import BackedUp
from casebase.library.layouts import StoredLayout
from casebase.library.near_duplicates import SAME_JOB_FROM, NearDuplicate
from casebase.library.news import News
from casebase.library.restore import Restored
from casebase.library.review_queue import Reviewed, Waiting
from casebase.library.sources import Source
from casebase.publish.bundle import Exported
from casebase.publish.bundle_checks import CheckedBundle
from casebase.publish.changes import Change, Changed
from casebase.publish.edition import EditionFile
from casebase.publish.publication import Leaving, Newer, Published, counted
from casebase.publish.signing import fingerprint
from casebase.publish.taking_in import Became, TakenIn
from casebase.record.words import title_of
from casebase.terminal.case import LOOK_FIRST, print_case, print_differences
from casebase.terminal.page import MOST_NAMED, Page


def print_waiting(
    found: Sequence[Waiting], count: int, page: Page, layouts: Sequence[StoredLayout] = ()
) -> None:
    """Print what waits: the records `found` of `count`, then the layouts."""
    if not found and not layouts:
        page.line("Nothing waits to be read.")
    if found:
        _print_records_waiting(found, count, page)
    if layouts:
        many = "layouts wait" if len(layouts) > 1 else "layout waits"
        page.line(f"{len(layouts)} wiring {many} to be read. Next: casebase layout {layouts[0].layout_id}")
    for one in layouts:
        page.line(f"{one.layout_id}  {one.layout.name()}", 0, 10)


def _print_records_waiting(found: Sequence[Waiting], count: int, page: Page) -> None:
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
    if one.since:
        page.heading(f"Since revision {found.standing.agreed}, which the edition holds")
        print_differences(one.since, page)
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


def print_exported(made: Exported, shop: str, page: Page) -> None:
    """Print a bundle that was written."""
    files = f" with {made.attachments} attached files" if made.attachments else ""
    drawn = f" and {made.layouts} wiring layout{'' if made.layouts == 1 else 's'}" if made.layouts else ""
    page.line(f"{made.cases} {_cases(made.cases)}{files}{drawn} of {shop} in {made.path}, {made.bytes} bytes")
    page.labelled("SHA-256", made.sha256)
    page.labelled("Signed by", f"the key {fingerprint(made.key)}: tell it to the other shop by another way")
    page.line(f"The other shop takes it in with: casebase import {made.path.name}")


def print_taken_in(taken: TakenIn, twice: Sequence[NearDuplicate], bundle: CheckedBundle, page: Page) -> None:
    """Print what a bundle brought."""
    counted = taken.counted()
    if taken.layouts:
        page.line(f"Wiring layouts new or revised: {taken.layouts}. They wait to be read: casebase layout")
    if not taken.of(Became.NEW, Became.REVISED, Became.BESIDE):
        page.line(f"Nothing new from {taken.source}: all {len(taken.cases)} cases are here already.")
        return
    told = ", ".join(f"{count} {became}" for became, count in counted.items() if count)
    page.line(f"From {taken.source}, made on {bundle.made_on}: {told}.")
    if beside := taken.of(Became.BESIDE):
        page.heading("Edited on both sides: theirs stands beside yours")
        _print_some([f"{one.case_id}  beside {one.told_id}" for one in beside], page)
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
        "layouts": made.layouts,
        "fingerprint": fingerprint(made.key),
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
        "layouts": taken.layouts,
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


def _print_some(lines: Sequence[str], page: Page) -> None:
    for line in lines[:MOST_NAMED]:
        page.line(line, 2, 12)
    if len(lines) > MOST_NAMED:
        page.line(f"and {len(lines) - MOST_NAMED} more; --json names all", 2)


def _cases(count: int) -> str:
    return "case" if count == 1 else "cases"


def print_backed_up(made: BackedUp, page: Page) -> None:
    """Print where the copy is, what it holds, and which older ones went."""
    page.line(f"{made.path}: {made.cases} records in {made.bytes} bytes, checked record by record.")
    if made.files:
        page.line(f"{made.files} attached files brought along.")
    for path in made.removed:
        page.line(f"Removed, for all its records stand in this one: {path.name}")
    for path in made.left:
        page.line(f"Left, for it holds records that the library lacks: {path.name}")


def backed_up_data(made: BackedUp) -> dict[str, Any]:
    """Return a copy that was made as plain data."""
    return {
        "file": str(made.path),
        "bytes": made.bytes,
        "records": made.cases,
        "attached_files": made.files,
        "removed": [str(path) for path in made.removed],
        "left": [str(path) for path in made.left],
        "faults": made.faults,
    }


def print_restored(done: Restored, library: object, copy: Path, page: Page) -> None:
    """Print what the library holds now, and where the one before is."""
    page.line(f"{library}: {done.cases} records, as in {copy}.")
    if done.files:
        page.line(f"{done.files} attached files brought back.")
    if done.aside and done.was_damaged:
        page.line(f"What stood there could not be opened; it is kept as it was: {done.aside}")
    elif done.aside:
        page.line(f"The library before is kept: {done.aside}")
        page.line(f"Go back to it: casebase restore {done.aside} --library {library}")


def restored_data(done: Restored, library: object) -> dict[str, Any]:
    """Return a library that was restored as plain data."""
    return {
        "library": str(library),
        "records": done.cases,
        "aside": str(done.aside) if done.aside else None,
        "was_damaged": done.was_damaged,
        "attached_files": done.files,
        "faults": done.faults,
    }


def print_news(found: Sequence[News], page: Page) -> None:
    """Print every piece of news, the newest first."""
    if not found:
        page.line("No news: no case that arrived later explains an open question well.")
        return
    for one in found:
        _print_one(one, page)
    page.line()
    page.line(
        "It may still be another fault: prove it on the vehicle. What was read goes with: casebase news --read"
    )


def _print_one(one: News, page: Page) -> None:
    page.heading(f"{one.what[:1].upper()}{one.what[1:]} {one.open_case}: {' '.join(one.open_title.split())}")
    page.labelled("asked by", one.asked_by or "", 4)
    sender = f", sent by {one.sent_by}" if one.sent_by else ""
    page.line(f"may be explained by {one.new_case}: {one.new_title}{sender}", 2, 4)
    page.labelled("cause", one.cause, 4)
    page.bullets("because", one.agree, 4)
    page.bullets("differs", one.differ, 4)
    page.labelled("read", f"casebase show {one.new_case}", 4)
    page.labelled("told", f"{one.found_at[:10]}{f', read {one.read_at[:10]}' if one.read_at else ''}", 4)


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
