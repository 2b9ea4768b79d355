"""The texts of the attachments that may leave the shop: their names, what they show, and the lines of text files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from casebase.errors import CaptureError
from casebase.intake.capture.trace import ENDING, trace_from
from casebase.library.taken_files import FileKind, kind_of
from casebase.publish.public_files import Contents
from casebase.record.case import Attachment, Case

_MADE_BY_A_CAMERA: Final = re.compile(
    r"(?<![0-9])(?:19|20)[0-9]{2}[-_. ]?[01][0-9][-_. ]?[0-3][0-9]"
    r"(?:(?:[-_. T]|at)*[0-2][0-9][-_.]?[0-5][0-9][-_.]?[0-5][0-9][0-9]{0,3})?(?![0-9])"
)
"""Day and time as cameras and telephones name their pictures, which read like a telephone number (common practice)."""


def texts_of_attachments(case: Case, contents: Contents | None) -> Iterator[tuple[str, str]]:
    """Yield every text of the attachments for others, with its place in the record; text files line by line.

    Without `contents`, which gives their bytes, the text files are left out.
    """
    for place, attachment in enumerate(case.attachments):
        if attachment.goes_out:
            where = f"attachments[{place}]"
            yield f"{where}.file", _words_of_name(attachment.file)
            if attachment.shows:
                yield f"{where}.shows", attachment.shows
            yield from _lines(where, attachment, contents)


def _words_of_name(name: str) -> str:
    """Return a file name with its words apart, and without the time that a camera gave it."""
    return _MADE_BY_A_CAMERA.sub(lambda found: "-" * len(found[0]), name).replace("_", " ")


def _lines(where: str, attachment: Attachment, contents: Contents | None) -> Iterator[tuple[str, str]]:
    content = contents(str(attachment.sha256)) if contents else b""
    if kind_of(content) is FileKind.TEXT:
        text = content.decode("utf-8", "replace")
        figures = _is_trace(attachment.file, text)
        for number, line in enumerate(text.splitlines(), start=1):
            if line.strip() and not (figures and not line.startswith("#")):
                yield f"{where} {attachment.file} line {number}", line


def _is_trace(name: str, text: str) -> bool:
    """Return whether a text is the trace of a capture: below its head nothing but figures can stand there."""
    if not name.endswith(ENDING):
        return False
    try:
        trace_from(text)
    except CaptureError:
        return False
    return True
