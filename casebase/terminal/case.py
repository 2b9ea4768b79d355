"""Cases on the screen: one told in the order of the work, its files, its revisions, and the list with a line each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from casebase.library.derived import StoredRecord
from casebase.library.file_store import Files
from casebase.library.history import Event
from casebase.library.store import Library
from casebase.record.case import Attachment, Case, status_of
from casebase.record.cautions import cautions_of
from casebase.record.checks import remarks_on
from casebase.record.edits import Difference
from casebase.record.vocabulary import Kind, YesNo
from casebase.record.words import (
    cause_line,
    codes_by_code,
    fix_words,
    module_line,
    network_line,
    origin_words,
    others_line,
    reading_line,
    title_of,
    verification_words,
)
from casebase.terminal.answer import print_cautions
from casebase.terminal.page import MOST_NAMED, Page

LOOK_FIRST = (
    "Look at each picture that is for others: plates, papers, faces and names cannot be found by themselves."
)


def print_case(
    kept: StoredRecord, page: Page, taken_from: str = "", review: str = "", attached: Sequence[str] = ()
) -> None:
    """Print a whole case; `taken_from` tells which other shop sent it, `review` where it stands with the shop lead.

    `attached` are its files, each in one line.
    """
    case = kept.case
    page.heading(title_of(case))
    page.labelled("Case", f"{kept.case_id}, revision {kept.revision}, {status_of(case) or Kind.KNOWN_GOOD}")
    page.labelled("Vehicle", case.vehicle.line())
    page.labelled("From", origin_words(case))
    page.labelled("Sent", taken_from)
    page.labelled("Review", review)
    page.labelled("Note", case.note or "")
    page.labelled("Normal", case.why_normal or "")
    _print_found(case, page)
    _print_work(case, page)
    _print_outcome(case, page)
    if attached:
        page.heading("Attached")
        page.bullets("Files", attached)
    _print_remarks(case, page)
    print_cautions(cautions_of(case), page)


def _print_found(case: Case, page: Page) -> None:
    page.heading("Found")
    page.labelled("Concern", case.concern or "")
    page.bullets("Symptoms", case.symptoms)
    page.labelled("Lamps", ", ".join(case.lamps))
    page.labelled("When", ", ".join(case.conditions))
    page.labelled("Networks", network_line(case))
    page.labelled("Modules", "; ".join(map(module_line, case.modules)))
    page.labelled("Others", others_line(case))
    page.bullets("Codes", [f"{code.text} {stored} - {code.meaning}" for code, stored in codes_by_code(case)])
    page.bullets(
        "Readings",
        [f"{reading_line(one)}{f' - {one.note}' if one.note else ''}" for one in case.readings],
    )


def _print_work(case: Case, page: Page) -> None:
    if case.trials:
        page.heading("Tried")
        page.bullets("Trials", [f"{one.line()}{f' - {one.note}' if one.note else ''}" for one in case.trials])
    if not case.steps:
        return
    page.heading("Done, step by step")
    for place, step in enumerate(case.steps, start=1):
        minutes = f" ({step.minutes:g} min)" if step.minutes is not None else ""
        page.line(f"{place}. {step.did}{minutes}", 2, 5)
        page.labelled("found", step.found or "", 5)


def _print_outcome(case: Case, page: Page) -> None:
    if not (case.cause or case.fix or case.verification or case.leftover):
        return
    page.heading("Cause, fix, proof")
    if case.cause:
        page.labelled("Cause", cause_line(case.cause))
        page.labelled("Proof", case.cause.proof or "not proven")
    for cause in case.more_causes:
        page.labelled("And", cause_line(cause))
        page.labelled("Proof", cause.proof or "not proven")
    if case.fix:
        page.labelled("Fix", fix_words(case.fix))
    if case.verification:
        page.labelled("Verified", verification_words(case.verification))
    page.labelled("Leftover", case.leftover or "")


def _print_remarks(case: Case, page: Page) -> None:
    remarks = remarks_on(case)
    if remarks:
        page.heading("Kept, but check these again")
        for remark in remarks:
            page.line(f"- {remark}", 2, 4)


def print_revisions(kept: StoredRecord, history: list[dict[str, Any]], page: Page) -> None:
    """Print every revision of a case, the first first."""
    page.line(f"{title_of(kept.case)} ({kept.case_id})")
    for row in history:
        page.line(f"revision {row['revision']}, logged {row['logged_at']}, SHA-256 {row['sha256'][:16]}", 2)


def print_qr(case_id: str) -> None:
    """Print the ID of a case as a QR code (ISO/IEC 18004) that a telephone's camera reads off the screen."""
    import segno  # noqa: PLC0415  only where one is asked for

    # In capitals it takes the alphanumeric mode, and a smaller code.
    segno.make(case_id.upper(), micro=False).terminal(compact=True)
    print(case_id)


def print_history(kept: StoredRecord, events: Sequence[Event], page: Page) -> None:
    """Print what happened to a case, the first first."""
    page.line(f"{title_of(kept.case)} ({kept.case_id})")
    for event in events:
        page.line(event.words(), 2, 20)
        print_differences(event.differences, page, 20)


def print_differences(found: Sequence[Difference], page: Page, indent: int = 2) -> None:
    """Print what differs between two revisions, the first ones of many."""
    for one in found[:MOST_NAMED]:
        page.line(one.words(), indent, indent + 2)
    if len(found) > MOST_NAMED:
        page.line(f"and {len(found) - MOST_NAMED} more", indent)


def print_attached(library: Library, kept: StoredRecord, page: Page) -> None:
    """Print the files of a case as a page of their own."""
    lines = attachment_lines(library, kept.case)
    for line in lines:
        page.line(line, 0, 4)
    if not lines:
        page.line(f"No files are attached. Attach some: casebase attach {kept.case_id} FILE")
    if any(one.goes_out for one in kept.case.attachments):
        page.line(LOOK_FIRST)


def attachment_lines(library: Library, case: Case) -> list[str]:
    """Return each file of a case in one line."""
    files = library.files
    return [_line(one, files) for one in case.attachments]


def attached_data(library: Library, kept: StoredRecord) -> dict[str, Any]:
    """Return the files of a case as plain data."""
    files = library.files
    told = [
        {**one.model_dump(mode="json", exclude_none=True), "bytes": _bytes(one, files)}
        for one in kept.case.attachments
    ]
    return {"case_id": kept.case_id, "revision": kept.revision, "attachments": told}


def _line(one: Attachment, files: Files) -> str:
    shows = f": {one.shows}" if one.shows else ""
    reach = "for others" if one.for_others is YesNo.YES else "stays inside"
    return f"{one.file} ({_size(one, files)}, {reach}){shows}"


def _size(one: Attachment, files: Files) -> str:
    count = _bytes(one, files)
    if one.sha256 is None:
        return "only its name is known"
    told = "not there: casebase check" if count is None else f"{max(1, round(count / 1000))} kB"
    return f"{told}, SHA-256 {one.sha256[:12]}"


def _bytes(one: Attachment, files: Files) -> int | None:
    return None if one.sha256 is None else files.bytes_of(one.sha256)


def print_list(rows: list[dict[str, Any]], of_what: str, page: Page) -> None:
    """Print one entry per case, under a line that says how many and of what."""
    if not rows:
        page.line(f"No {of_what}. Log one with casebase log, or loosen the filters.")
        return
    page.line(
        f"{len(rows)} {of_what}"
        if len(rows) != 1
        else f"1 {of_what.replace('records', 'record').replace(' fit', ' fits')}"
    )
    for row in rows:
        vehicle = " ".join(str(row[key]) for key in ("make", "model", "model_year") if row[key])
        state = row["status"] or row["kind"]
        page.line(f"{row['id']}  {row['title']} - {vehicle}, {state}{_ending(row)}", 0, 10)


def _ending(row: dict[str, Any]) -> str:
    sent = row.get("taken_from")
    told = f", from {', '.join(sent['sources'])}" if sent else ""
    return f"{told}; something is left over" if row["leftover"] else told


def print_removed(gone: Sequence[tuple[StoredRecord, str]], page: Page) -> None:
    """Print the records that were removed, each with by whom and when, and how they come back."""
    for kept, words in gone:
        page.line(f"{kept.case_id}  {title_of(kept.case)} - {kept.case.vehicle.line()}: {words}", 0, 10)
    page.line("Bring one back: casebase remove ID --bring-back" if gone else "No record was removed.")


def removed_data(gone: Sequence[tuple[StoredRecord, str]]) -> list[dict[str, str]]:
    """Return the records that were removed as plain data."""
    return [{"case_id": kept.case_id, "title": title_of(kept.case), "removed": words} for kept, words in gone]
