"""What a library holds of its cases to compare them by."""

from __future__ import annotations

from casebase.library.records import profiles_of_numbers
from casebase.library.store import Library
from casebase.match.profile import Profile


def profiles_in(library: Library) -> list[Profile]:
    """Return the profile of every case that has one, as comparing reads it."""
    with library.reading() as db:
        sql = "SELECT rowid FROM records WHERE revision = 1 AND case_id IN (SELECT case_id FROM profiles)"
        return profiles_of_numbers(db, [number for (number,) in db.execute(sql)])
