"""Versions of a case among shops: what stands here for a case, and which versions of it went before.

A case keeps the ID it was given first, whoever sends it on. What tells an update from an edit on both sides is not a
number, for every shop counts its own revisions, but the SHA-256 of the versions that went before: a version is newer
than those named among its earlier ones, and stands beside all others.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Final

from pydantic import ValidationError
from sqlite_utils import Database

from casebase.library.bundle_format import Entry
from casebase.publish.public_fields import public_case
from casebase.record.canonical import canonical_json, sha256_of
from casebase.record.case import Case

_HERE_FOR: Final = """
    WITH wanted AS (SELECT value FROM json_each(:wanted)),
        here AS (SELECT value AS case_id FROM wanted UNION SELECT case_id FROM taken_in WHERE their_id IN wanted)
    SELECT r.case_id, coalesce((SELECT min(t.their_id) FROM taken_in t WHERE t.case_id = r.case_id), r.case_id),
        max(r.revision)
    FROM records r WHERE r.case_id IN here GROUP BY r.case_id
"""
"""Cases that go about under an ID that is wanted, or stand under it here; found by way of the keys."""


@dataclass
class Head:
    """A case here: its ID and revision, the SHA-256 of its public part, and of every version known to go before.

    `told_by` holds the revision that each source told last; it is empty for a case of the shop's own.
    """

    case_id: str
    revision: int
    sha256: str
    known: set[str]
    told_by: dict[str, int] = field(default_factory=dict)

    def is_before(self, entry: Entry, source: str) -> bool:
        """Return whether a version that comes in was made from this one.

        Where it is known here already, a text was put back as it was: then the sender's own count decides.
        """
        if self.sha256 not in entry.earlier:
            return False
        return entry.sha256 not in self.known or self.told_by.get(source, entry.revision) < entry.revision


def told_ids(db: Database) -> dict[str, str]:
    """Return, of the cases here that go about under another ID than their own, that one."""
    return dict(db.execute("SELECT case_id, min(their_id) FROM taken_in GROUP BY case_id"))


def exchanged(db: Database) -> dict[str, set[str]]:
    """Return, by case, the SHA-256 of every version that left the shop or came in."""
    found: dict[str, set[str]] = defaultdict(set)
    for case_id, sha256 in db.execute("SELECT case_id, sha256 FROM exchanged"):
        found[case_id].add(sha256)
    return found


def heads_in(db: Database, wanted: Collection[str]) -> dict[str, list[Head]]:
    """Return, by the ID under which a case goes about, what stands here for it; for the IDs wanted."""
    found: dict[str, list[Head]] = defaultdict(list)
    rows = db.execute(_HERE_FOR, {"wanted": json.dumps(sorted(wanted))}).fetchall()
    for case_id, told_id, revision in rows:
        if told_id in wanted:
            found[told_id].append(_head(db, case_id, revision))
    return found


def public_sha256(case: Case) -> str:
    """Return the SHA-256 of what of a record may go between shops."""
    return sha256_of(canonical_json(public_case(case)))


def _head(db: Database, case_id: str, revision: int) -> Head:
    went = {sha256 for (sha256,) in db.execute("SELECT sha256 FROM exchanged WHERE case_id = ?", (case_id,))}
    told_by = dict(db.execute("SELECT source, their_revision FROM taken_in WHERE case_id = ?", (case_id,)))
    (current,) = db.execute(
        "SELECT sha256 FROM records WHERE case_id = ? AND revision = ?", (case_id, revision)
    ).fetchone()
    if current in went:
        return Head(case_id, revision, current, set(went), told_by)
    there = list(_public_sha256s(db, case_id))
    return Head(case_id, revision, there[-1], went | set(there), told_by)


def _public_sha256s(db: Database, case_id: str) -> Iterator[str]:
    """Yield the SHA-256 of the public part of each revision; of one that cannot be read, that of its text."""
    rows = db.execute("SELECT sha256, json FROM records WHERE case_id = ? ORDER BY revision", (case_id,))
    for sha256, text in rows.fetchall():
        try:
            yield public_sha256(Case.model_validate_json(text))
        except ValidationError:
            yield sha256
