"""The attachments on the page of a case, and their bytes under an address of their own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from markupsafe import Markup

from casebase.errors import CaptureError
from casebase.intake.capture.trace import ENDING, trace_from
from casebase.library.taken_files import FileKind
from casebase.publish.edition import Edition, EditionAttachment
from casebase.record.case import Attachment, Case
from casebase.site.errors import NotHereError
from casebase.site.trace_picture import trace_picture

LONGEST_SHOWN: Final = 4_000
"""Bytes of a text file that stand on the page itself; a longer one is a link (judged)."""

MOST_SHOWN: Final = 20_000
"""Bytes of all text files that stand on one page, which is to stay small."""


MOST_TRACES: Final = 3
"""Captures drawn on one page: each is some 15 kB (measured)."""


@dataclass(frozen=True)
class Shown:
    """A file of a case as its page shows it: a picture with its size in pixels, a text with its words, or a link."""

    name: str
    alt: str
    caption: str
    address: str
    kilobytes: int
    width: int | None = None
    height: int | None = None
    text: str | None = None
    drawn: Markup | None = None


def attachments_shown(edition: Edition, case: Case) -> list[Shown]:
    """Return the attachments that a case shows; those of an edition made before there were any are left out."""
    shown, left = [], MOST_SHOWN
    traces = 0
    for attachment in case.attachments:
        told = edition.attachment(attachment.sha256) if attachment.sha256 else None
        if told is None:
            continue
        one = _shown(
            attachment, told, _text(edition, told) if told.bytes <= min(left, LONGEST_SHOWN) else None
        )
        if attachment.file.endswith(ENDING) and traces < MOST_TRACES:
            one = replace(one, drawn=_drawn(edition, told), text=None)
            traces += 1
        left -= told.bytes if one.text is not None else 0
        shown.append(one)
    return shown


def attachment_bytes(edition: Edition, sha256: str) -> tuple[bytes, str]:
    """Return the bytes of an attachment and their media type; raise `NotHereError` where there is none."""
    told = edition.attachment(sha256)
    if told is None:
        raise NotHereError("There is no such file in this collection: it may have been taken off its case.")
    kind = FileKind(told.kind)
    media_type = f"{kind}; charset=utf-8" if kind is FileKind.TEXT else str(kind)
    return edition.attachment_content(sha256), media_type


def _text(edition: Edition, told: EditionAttachment) -> str | None:
    if told.kind != FileKind.TEXT:
        return None
    return edition.attachment_content(told.sha256).decode("utf-8", "replace").strip("\ufeff")


def _drawn(edition: Edition, told: EditionAttachment) -> Markup | None:
    """Return the picture of a trace; None where the file is another one with the name of a trace."""
    try:
        return trace_picture(trace_from(_text(edition, told) or ""))
    except CaptureError:
        return None


def _shown(attachment: Attachment, told: EditionAttachment, text: str | None) -> Shown:
    return Shown(
        name=attachment.file,
        alt=attachment.shows or f"picture {attachment.file}",
        caption=attachment.shows or attachment.file,
        address=f"/attachment/{told.sha256}",
        kilobytes=max(1, round(told.bytes / 1000)),
        width=told.width,
        height=told.height,
        text=text,
    )
