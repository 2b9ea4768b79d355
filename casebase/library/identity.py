"""IDs of cases: made from the record, found by the beginning of one."""

from __future__ import annotations

import re
from typing import Final

from sqlite_utils import Database

from casebase.errors import LibraryError
from casebase.record.canonical import ID_LENGTH, id_from

_ID: Final = re.compile(r"[0-9a-hjkmnp-tv-z]+")
_LIKE_LETTERS: Final = str.maketrans("ilou", "110v")
_SHOWN: Final = 5


def new_id(db: Database, sha256: str) -> str:
    """Return an ID not in use, from the digest of the first revision; longer than usual only where one is taken."""
    for length in range(ID_LENGTH, 27):
        case_id = id_from(sha256, length)
        if not db.execute("SELECT 1 FROM records WHERE case_id = ?", (case_id,)).fetchone():
            return case_id
    raise LibraryError("no free ID for this record: run casebase check")


def resolve_id(db: Database, prefix: str) -> str:
    """Return the whole ID that `prefix` begins; letters that Crockford's base 32 leaves out are read as meant."""
    wanted = prefix.strip().casefold().translate(_LIKE_LETTERS)
    if not _ID.fullmatch(wanted):
        raise LibraryError(
            f"'{prefix}' is no case ID: expected one as casebase list shows it, or its first characters"
        )
    rows = db.execute(
        "SELECT DISTINCT case_id FROM records WHERE case_id >= ? AND case_id < ? ORDER BY case_id LIMIT ?",
        (wanted, wanted + "{", _SHOWN + 1),
    )
    found = [case_id for (case_id,) in rows]
    if wanted in found or len(found) == 1:
        return wanted if wanted in found else found[0]
    if not found:
        raise LibraryError(
            f"no case with an ID that begins with '{prefix}': casebase list shows those there are"
        )
    more = " and more" if len(found) > _SHOWN else ""
    raise LibraryError(
        f"'{prefix}' begins several IDs ({', '.join(found[:_SHOWN])}{more}): type one character more"
    )
