"""The files of a case on the screen: name, size, whether they may leave the shop, what they show."""

from __future__ import annotations

from typing import Any

from casebase.library.attached_files import AttachedFiles
from casebase.library.derived import Kept
from casebase.library.store import Library
from casebase.record.case import Attachment, Case
from casebase.record.vocabulary import YesNo
from casebase.terminal.page import Page

LOOK_FIRST = (
    "Look at each picture that is for others: plates, papers, faces and names cannot be found by themselves."
)


def print_attached(library: Library, kept: Kept, page: Page) -> None:
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
    files = AttachedFiles(library.path)
    return [_line(one, files) for one in case.attachments]


def attached_data(library: Library, kept: Kept) -> dict[str, Any]:
    """Return the files of a case as plain data."""
    files = AttachedFiles(library.path)
    told = [
        {**one.model_dump(mode="json", exclude_none=True), "bytes": _bytes(one, files)}
        for one in kept.case.attachments
    ]
    return {"case_id": kept.case_id, "revision": kept.revision, "attachments": told}


def _line(one: Attachment, files: AttachedFiles) -> str:
    shows = f": {one.shows}" if one.shows else ""
    return f"{one.file} ({_size(one, files)}, {_reach(one)}){shows}"


def _size(one: Attachment, files: AttachedFiles) -> str:
    count = _bytes(one, files)
    if one.sha256 is None:
        return "only its name is known"
    told = "not there: casebase check" if count is None else f"{max(1, round(count / 1000))} kB"
    return f"{told}, SHA-256 {one.sha256[:12]}"


def _bytes(one: Attachment, files: AttachedFiles) -> int | None:
    return None if one.sha256 is None else files.bytes_of(one.sha256)


def _reach(one: Attachment) -> str:
    return "for others" if one.for_others is YesNo.YES else "stays inside"
