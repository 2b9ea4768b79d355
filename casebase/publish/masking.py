"""Putting the texts proposed in place of what looks private into a record, as its next revision."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from casebase.library.authorship import Authorship, Made
from casebase.library.derived import StoredRecord
from casebase.library.privacy import clear
from casebase.library.store import Library, Logged
from casebase.publish.private_text import Hit
from casebase.record.edits import with_fields

_NOT_A_FIELD: Final = re.compile(r" line [0-9]+$|^attachments\[[0-9]+\]\.file$")
"""Lines of attached files and their names: the file itself is to be attached anew."""


def can_be_masked(hit: Hit) -> bool:
    """Return whether the text proposed can be put in place of a find: it stands in a field of the record."""
    return _NOT_A_FIELD.search(hit.field) is None


def mask(library: Library, kept: StoredRecord, hits: Sequence[Hit], by: str) -> Logged:
    """Put the texts proposed into a record and keep it as the next revision; earlier ones stay in the library.

    Raises `LibraryError` where somebody else revised it meanwhile.
    """
    texts = {hit.field: hit.proposed for hit in hits if can_be_masked(hit)}
    settings = [f"{field}={text}" for field, text in texts.items()]
    case = with_fields(kept.case, settings, f"case {kept.case_id}")
    named = case.model_copy(update={"id": kept.case_id, "revision": kept.revision})
    return library.log([named], Authorship(Made.MASKED, by))[0]


def say_none_is_private(library: Library, hits: Sequence[Hit]) -> None:
    """Let the texts of these finds go out; once changed they are looked at again."""
    for case_id, field, text in {(hit.case_id, hit.field, hit.text) for hit in hits}:
        clear(library, case_id, field, text)
