"""Taking in a bundle: what is new, what revises a case that is here, what stands beside one edited on both sides.

All of a checked bundle is kept, or nothing. Nothing that was written here is lost: a revision is added, never
replaced, and what the shop kept inside of a case stays with it.

A case keeps the ID it was given first, whoever sends it on. What tells an update from an edit on both sides is not a
number, for every shop counts its own revisions, but the SHA-256 of the versions that went before: a version is newer
than those named among its earlier ones, and stands beside all others.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from pydantic import ValidationError

from casebase.library.authorship import Authorship, Made, removed_ids, sign
from casebase.library.derived import StoredRecord, remove_derived, write_derived
from casebase.library.engine import Database
from casebase.library.library_file import now_text
from casebase.library.records import current_record, new_id
from casebase.library.sources import FULL_WEIGHT, refuse_wrong_weight
from casebase.library.store import Library
from casebase.publish.bundle_archive import Entry
from casebase.publish.bundle_checks import CheckedBundle, attachments_of, entries_of
from casebase.publish.bundle_lines import take_in_layouts
from casebase.publish.public_fields import public_case, with_what_stays_inside
from casebase.record.case import Case
from casebase.record.json_form import canonical_json, sha256_of, stored_case

_HERE_FOR: Final = """
    WITH wanted AS (SELECT value FROM json_each(:wanted, '$')),
        here AS (SELECT value AS case_id FROM wanted UNION
            SELECT case_id FROM taken_in WHERE their_id IN (SELECT value FROM wanted))
    SELECT r.case_id, coalesce((SELECT min(t.their_id) FROM taken_in t WHERE t.case_id = r.case_id), r.case_id),
        max(r.revision)
    FROM records r WHERE r.case_id IN (SELECT case_id FROM here) GROUP BY r.case_id
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
            yield public_sha256(stored_case(text))
        except ValidationError:
            yield sha256


_HELD_AT_ONCE: Final = 500
"""Records of a bundle held in memory; a record takes some tens of kilobytes there."""


class Became(StrEnum):
    """What became of a case of a bundle."""

    NEW = "new"
    REVISED = "revised"
    BESIDE = "kept beside"
    ALREADY_THERE = "already there"
    REMOVED = "removed here"


@dataclass(frozen=True)
class Taken:
    """A case of a bundle: its ID here, the ID it goes about under, and what became of it."""

    case_id: str
    told_id: str
    became: Became


@dataclass(frozen=True)
class TakenIn:
    """A bundle that was taken in: from whom, and what became of each of its cases, how many layouts are new."""

    source: str
    cases: list[Taken]
    layouts: int = 0

    def counted(self) -> dict[str, int]:
        """Return how many cases became what."""
        found = Counter(one.became for one in self.cases)
        return {str(became): found[became] for became in Became}

    def of(self, *became: Became) -> list[Taken]:
        """Return the cases of which something became."""
        return [one for one in self.cases if one.became in became]


def take_in(
    library: Library,
    bundle: CheckedBundle,
    source: str | None = None,
    weight: float | None = None,
    *,
    is_known: bool = True,
) -> TakenIn:
    """Keep every case of a checked bundle, in one transaction; nothing is agreed to by that.

    `source` is the sender's name here, else the one the bundle gives. `weight` sets what its cases weigh beside the
    shop's own; a new source without one counts in full. What a sender who is not known has to say of a case that is
    here stands beside it.
    """
    if weight is not None:
        refuse_wrong_weight(weight)
    named = source or bundle.shop
    # Before the records that name them: whoever is stopped in between leaves files that no record names.
    files = library.files
    for _, content in attachments_of(bundle):
        files.keep(content)
    with library.changing() as db:
        taking = _Taking(db, named, now_text(), heads_in(db, set(bundle.told_ids)), is_known)
        taken = [taking.take(entry) for entry in entries_of(bundle)]
        taking.write_derived()
        _keep_source(db, taking, weight, is_changed=taking.has_changed)
        layouts = take_in_layouts(db, bundle.layouts, named, taking.now, is_known=is_known)
    return TakenIn(named, taken, layouts)


@dataclass
class _Taking:
    """A bundle on its way into the library."""

    db: Database
    source: str
    now: str
    heads: dict[str, list[Head]]
    is_known: bool = True

    def __post_init__(self) -> None:
        self._changed: set[str] = set()
        self._not_written: dict[str, StoredRecord] = {}
        self._revised: list[str] = []
        self._removed = removed_ids(self.db)

    def take(self, entry: Entry) -> Taken:
        """Keep one case."""
        heads = self.heads.setdefault(entry.told_id, [])
        became, head = _what_becomes_of(entry, heads, self.source)
        if became is Became.REVISED and not self.is_known and self.source not in head.told_by:
            became, head = Became.BESIDE, Head("", 1, entry.sha256, set())
        if head.case_id in self._removed:
            return Taken(head.case_id, entry.told_id, Became.REMOVED)
        if became is Became.REVISED:
            self._revise(entry, head)
        elif became is not Became.ALREADY_THERE:
            self._insert(entry, head)
            heads.append(head)
        self._note(entry, head, entry.told_id if became is Became.BESIDE else None)
        return Taken(head.case_id, entry.told_id, became)

    @property
    def has_changed(self) -> bool:
        """Whether anything was kept."""
        return bool(self._changed)

    def write_derived(self) -> None:
        """Write the tables made from what was kept since this was done last."""
        remove_derived(self.db, self._revised)
        write_derived(self.db, self._not_written.values())
        self._revised.clear()
        self._not_written.clear()

    def _insert(self, entry: Entry, head: Head) -> None:
        taken = self.db.execute("SELECT 1 FROM records WHERE case_id = ?", (entry.told_id,)).fetchone()
        head.case_id = new_id(self.db, entry.sha256) if taken else entry.told_id
        self._keep(head, entry.case)

    def _revise(self, entry: Entry, head: Head) -> None:
        ours = current_record(self.db, head.case_id).case
        if head.case_id not in self._not_written:
            self._revised.append(head.case_id)
        head.revision, head.sha256 = head.revision + 1, entry.sha256
        self._keep(head, with_what_stays_inside(entry.case, ours))

    def _keep(self, head: Head, case: Case) -> None:
        text = canonical_json(case)
        self.db.execute(
            "INSERT INTO records (case_id, revision, sha256, json, logged_at) VALUES (?, ?, ?, ?, ?)",
            (head.case_id, head.revision, sha256_of(text), text, self.now),
        )
        sign(self.db, head.case_id, head.revision, Authorship(Made.TAKEN_IN, self.source))
        self._changed.add(head.case_id)
        self._not_written[head.case_id] = StoredRecord(head.case_id, head.revision, self.now, case)
        if len(self._not_written) >= _HELD_AT_ONCE:
            self.write_derived()

    def _note(self, entry: Entry, head: Head, beside: str | None) -> None:
        """Note which versions went before, and, of a case that is not the shop's own as it stands, who told it."""
        went = {entry.sha256, *entry.earlier}
        head.known |= went
        self.db.executemany(
            "INSERT INTO exchanged (case_id, sha256) VALUES (?, ?) ON CONFLICT DO NOTHING",
            [(head.case_id, sha256) for sha256 in sorted(went)],
        )
        is_own = not head.told_by and head.case_id not in self._changed
        if not is_own and entry.sha256 == head.sha256:
            self._note_teller(entry, head, beside)

    def _note_teller(self, entry: Entry, head: Head, beside: str | None) -> None:
        head.told_by[self.source] = entry.revision
        self.db.execute(
            "INSERT INTO taken_in (case_id, source, their_id, their_revision, sha256, beside, at)"
            " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (case_id, source) DO UPDATE SET"
            " their_revision = excluded.their_revision, sha256 = excluded.sha256, at = excluded.at"
            " WHERE taken_in.sha256 != excluded.sha256 OR taken_in.their_revision != excluded.their_revision",
            (
                head.case_id,
                self.source,
                entry.told_id,
                entry.revision,
                entry.sha256,
                beside,
                self.now,
            ),
        )


def _what_becomes_of(entry: Entry, heads: Iterable[Head], source: str) -> tuple[Became, Head]:
    """Return what becomes of a case, and what stands here for it or will."""
    there = list(heads)
    for head in there:
        if head.sha256 == entry.sha256:
            return Became.ALREADY_THERE, head
    before = [head for head in there if head.is_before(entry, source)]
    known = [head for head in there if entry.sha256 in head.known and head not in before]
    if known:
        return Became.ALREADY_THERE, known[0]
    if before:
        return Became.REVISED, before[0]
    new = Head("", 1, entry.sha256, set())
    return (Became.BESIDE if there else Became.NEW), new


def _keep_source(db: Database, taking: _Taking, weight: float | None, *, is_changed: bool) -> None:
    """Keep the source and its weight; a bundle of the shop's own cases makes no source."""
    told = db.execute("SELECT 1 FROM taken_in WHERE source = ? LIMIT 1", (taking.source,)).fetchone()
    if told is None and weight is None:
        return
    db.execute(
        "INSERT INTO sources (name, weight, first_at, last_at) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (taking.source, FULL_WEIGHT if weight is None else weight, taking.now, taking.now),
    )
    if is_changed:
        db.execute("UPDATE sources SET last_at = ? WHERE name = ?", (taking.now, taking.source))
    if weight is not None:
        db.execute("UPDATE sources SET weight = ? WHERE name = ?", (weight, taking.source))
