"""The library as its users see it: keep records, give them back, list, search, compare, check, rebuild."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from uuid import uuid4

from casebase.errors import LibraryError
from casebase.library.authorship import Authorship, authorships, removed_ids, sign
from casebase.library.derived import DERIVED_VERSION, StoredRecord, remove_derived, write_derived
from casebase.library.engine import Database, HubAddress
from casebase.library.file_store import Files, LeftOver, faults_of_files, left_over, remove_left_over
from casebase.library.integrity import faults_in
from casebase.library.layouts import keep_layouts
from casebase.library.library_file import LibraryFile, RevisedMeanwhileError, now_text, refuse_removed
from casebase.library.matching import Means, collection_in, index_folder
from casebase.library.records import (
    KeptRevisions,
    earlier_record,
    every_record,
    found_ids,
    in_lots,
    new_id,
    readable_records,
)
from casebase.library.reviews import standings
from casebase.library.schema import DERIVED_TABLES
from casebase.match.facets.measure import FAULTS, Measure, faults_by
from casebase.match.index.collection import Collection
from casebase.match.index.files import begin_again, damage_in, writing_alone
from casebase.record.case import Case
from casebase.record.json_form import canonical_json, digest_for_id, sha256_of

if TYPE_CHECKING:
    from casebase.record.layout import Layout


HELD_AT_ONCE: Final = 5000
"""Agreed records that are held in memory, some 33 kB each; of more only their names are."""


class Outcome(StrEnum):
    """What became of a record given to the library."""

    NEW = "new"
    REVISED = "revised"
    ALREADY_THERE = "already there"


@dataclass(frozen=True)
class Logged:
    """A record given to the library: its ID, its revision, what became of it."""

    case_id: str
    revision: int
    outcome: Outcome


_ID_FACT: Final = "library id"
"""Tells a library from another that stood at the same path: its index must not be taken for this one's."""

RESTORED_FACT: Final = "restored"
"""Another text after each restore: the index of the library before must not be taken for that of the one restored."""

_CURRENT_SHA256: Final = (
    "SELECT r.sha256 FROM records r JOIN cases c ON c.id = r.case_id AND c.revision = r.revision"
)

_WEIGHTS_FACT: Final = "weights of the facets"

_SUMMARY_COLUMNS: Final = (
    "id, revision, kind, status, title, make, model, model_year, platform, fault, cause, leftover, author, shop,"
    " opened, ended, logged_at"
)


class Library(LibraryFile):
    """A library file and all that is done with its cases."""

    def __init__(self, db: Database, path: Path, hub: tuple[HubAddress, Files] | None = None) -> None:
        super().__init__(db, path, hub)
        if self.fact("derived version") != DERIVED_VERSION:
            self._db.refuse_rebuilding_in_passing()
            self.rebuild()

    def log(
        self,
        cases: Iterable[Case],
        authorship: Authorship | None = None,
        layouts: Iterable[Layout] = (),
    ) -> list[Logged]:
        """Keep every record given, all or none; return what became of each, the cases first.

        A record without an ID is new, unless the same record is there already. One with an ID is a new revision
        of that case; where it names the revision it was made from, that must be the current one. `authorship` tells
        who made them, in which way; left out, they were logged by their authors.
        """
        given, drawn, signed = list(cases), list(layouts), authorship or Authorship()
        with self._readable():
            return self._db.tried_again(lambda: self._log(given, signed, drawn))

    def _log(self, cases: list[Case], signed: Authorship, layouts: list[Layout]) -> list[Logged]:
        now = now_text()
        logged: list[Logged] = []
        changed: dict[str, StoredRecord] = {}
        with self._db.writing(alone=False):
            removed = removed_ids(self._db)
            for case in cases:
                one = self._keep(case, now)
                refuse_removed(one.case_id, removed)
                logged.append(one)
                if one.outcome is not Outcome.ALREADY_THERE:
                    sign(self._db, one.case_id, one.revision, signed)
                    changed[one.case_id] = StoredRecord(one.case_id, one.revision, now, case)
            remove_derived(self._db, [one.case_id for one in logged if one.outcome is Outcome.REVISED])
            write_derived(self._db, changed.values())
            logged += [
                Logged(layout_id, revision, _outcome(revision, is_kept=is_kept))
                for layout_id, revision, is_kept in keep_layouts(self._db, layouts, now)
            ]
        return logged

    def holds(self, cases: Iterable[Case]) -> bool:
        """Return whether every record given is the current revision of a case."""
        with self._readable():
            current = {row[0] for row in self._db.execute(_CURRENT_SHA256)}
        return all(sha256_of(canonical_json(case)) in current for case in cases)

    def read_and_agreed(self) -> Sequence[StoredRecord]:
        """Return, of every case that is there, the last revision that the shop lead has read and agreed to.

        Many are read anew whenever somebody goes through them.
        """
        with self._readable():
            if self.count() > HELD_AT_ONCE:
                return KeptRevisions(self._db, [(kept.case_id, number) for kept, number in self._agreed()])
            return [
                kept if number == kept.revision else earlier_record(self._db, kept.case_id, number)
                for kept, number in self._agreed()
            ]

    def _agreed(self) -> Iterator[tuple[StoredRecord, int]]:
        """Yield every case that is there and was agreed to, with the number of the revision that was."""
        there = every_record(self._db, removed_ids(self._db))
        for some in in_lots(there):
            found = standings(self._db, some)
            for kept in some:
                if (agreed := found[kept.case_id].agreed) is not None:
                    yield kept, agreed

    def records(self) -> list[StoredRecord]:
        """Return the current revision of every case that fits the format and was not removed."""
        with self._readable():
            return list(readable_records(self._db, removed_ids(self._db)))

    def revisions(self, prefix: str) -> list[dict[str, Any]]:
        """Return every revision of a case: number, SHA-256, when logged, by whom, in which way, and the record."""
        case_id = self.resolve(prefix)
        with self._readable():
            made = authorships(self._db, case_id)
            rows = self._db.query(
                "SELECT revision, sha256, logged_at, json FROM records WHERE case_id = ? ORDER BY revision",
                [case_id],
            )
            return [_revision(row, made.get(row["revision"], Authorship())) for row in rows]

    def summaries(self, find: str | None = None, **filters: str | None) -> list[dict[str, Any]]:
        """Return one row per case, the newest first; with `find`, those holding its words, the best first.

        `filters` are columns of `cases` with the value wanted (`kind`, `status`, `make`, `model`, `platform`,
        `fault`), compared without regard to capitals, or `code` and `module`.
        """
        with self._readable():
            rows = list(
                self._db.query(*_summary_query({key: value for key, value in filters.items() if value}))
            )
            if find is None:
                return rows
            order = {case_id: place for place, case_id in enumerate(found_ids(self._db, find))}
            return sorted((row for row in rows if row["id"] in order), key=lambda row: order[row["id"]])

    def collection(self, means: Means | None = None) -> Collection:
        """Return the cases to compare with, their index brought up to date; without `means` from records alone."""
        with self._readable():
            named = dict(
                self._db.execute(
                    "SELECT name, value FROM facts WHERE name IN (?, ?)", (_ID_FACT, RESTORED_FACT)
                )
            )
        library, restored = named.get(_ID_FACT), named.get(RESTORED_FACT) or ""
        if library is None:
            raise LibraryError(f"{self.place}: the library has no name of its own: run casebase rebuild")
        with self._readable():
            return collection_in(self._db, self.path, library + restored, means or Means())

    def measure(self) -> Measure:
        """Return the measure that fault cases are compared by: the usual weights, or those kept for this library."""
        kept = self.fact(_WEIGHTS_FACT)
        if kept is None:
            return FAULTS
        try:
            return faults_by({name: float(json.loads(kept)[name]) for name in FAULTS.facets})
        except (ValueError, TypeError, KeyError):
            raise LibraryError(
                "the weights kept for this library cannot be read: casebase evaluate --usual goes back to the usual"
            ) from None

    def keep_weights(self, weights: Mapping[str, float] | None) -> None:
        """Keep weights of the facets for this library; None goes back to the usual ones."""
        with self._writing():
            if weights is None:
                self._db.execute("DELETE FROM facts WHERE name = ?", (_WEIGHTS_FACT,))
            else:
                self._set_fact(_WEIGHTS_FACT, json.dumps(dict(weights)))

    def fault_counts(self) -> dict[str, int]:
        """Return how many cases had each fault."""
        with self._readable():
            rows = self._db.execute(
                "SELECT fault, count(*) FROM cases WHERE fault IS NOT NULL GROUP BY fault ORDER BY fault"
            )
            return dict(rows)

    def vehicles(self) -> list[tuple[str, str]]:
        """Return every make and model that a case names."""
        with self._readable():
            return list(
                self._db.execute(
                    "SELECT DISTINCT make, model FROM cases ORDER BY 1 NULLS FIRST, 2 NULLS FIRST"
                )
            )

    def last_shop(self) -> str | None:
        """Return the shop of the record logged last: most likely that of the next one too."""
        with self._readable():
            row = self._db.execute(
                "SELECT shop FROM cases WHERE shop IS NOT NULL ORDER BY logged_at DESC LIMIT 1"
            ).fetchone()
            return row[0] if row else None

    def vehicles_and_platforms(self) -> list[tuple[str, str, str | None]]:
        """Return (make, model, platform) of the cases, the most usual first."""
        sql = (
            "SELECT make, model, platform FROM cases GROUP BY 1, 2, 3"
            " ORDER BY count(*) DESC, 1 NULLS FIRST, 2 NULLS FIRST, 3 NULLS FIRST"
        )
        with self._readable():
            return list(self._db.execute(sql))

    def module_names(self, most: int) -> list[str]:
        """Return the names of modules that the cases hold, the most usual first."""
        sql = "SELECT name FROM modules GROUP BY 1 ORDER BY count(*) DESC, 1 LIMIT ?"
        with self._readable():
            return [name for (name,) in self._db.execute(sql, (most,))]

    def last_odometer(self) -> str | None:
        """Return the odometer of the record logged last that has one: its unit is most likely the next one's too."""
        sql = (
            "SELECT json_extract(json, '$.vehicle.odometer') AS odometer FROM records"
            " WHERE json_extract(json, '$.vehicle.odometer') IS NOT NULL ORDER BY rowid DESC LIMIT 1"
        )
        with self._readable():
            row = self._db.execute(sql).fetchone()
            return row[0] if row else None

    def count(self) -> int:
        """Return the number of cases."""
        with self._readable():
            return int(self._db.execute("SELECT count(*) FROM cases").fetchone()[0])

    def faults(self) -> list[str]:
        """Return everything wrong with the library, in sentences."""
        with self._readable():
            found = [*faults_in(self._db), *faults_of_files(self._db, self.files)]
        folder = index_folder(self.path)
        damage = damage_in(folder)
        return (
            [*found, f"{folder}: the index is damaged: {damage}: run casebase rebuild"] if damage else found
        )

    def left_over_files(self) -> LeftOver:
        """Return how many attached files no record names."""
        with self._readable():
            return left_over(self._db, self.files)

    def remove_left_over_files(self) -> None:
        """Remove the attached files that no record names; nobody keeps a record meanwhile."""
        with self._writing():
            remove_left_over(self._db, self.files)

    def rebuild(self) -> int:
        """Make all derived tables again from the records; return the number of cases."""
        with self._writing():
            self._db.make_words_again()
            for table in DERIVED_TABLES:
                self._db.execute(f"DELETE FROM {table}")
            count = write_derived(self._db, every_record(self._db, removed_ids(self._db)))
            if self._db.execute("SELECT 1 FROM facts WHERE name = ?", (_ID_FACT,)).fetchone() is None:
                self._set_fact(_ID_FACT, uuid4().hex)
            self._set_fact("derived version", DERIVED_VERSION)
        folder = index_folder(self.path)
        if damage_in(folder):
            with writing_alone(folder) as alone:
                if alone:
                    begin_again(folder)
        return count

    def _keep(self, case: Case, now: str) -> Logged:
        canonical = canonical_json(case)
        sha256 = sha256_of(canonical)
        if case.id:
            return self._keep_revision(case, canonical, sha256, now)
        return self._keep_new(canonical, sha256, digest_for_id(case), now)

    def _keep_new(self, canonical: str, sha256: str, for_id: str, now: str) -> Logged:
        # The ID comes first: whoever takes it for the same record meanwhile is seen by what follows.
        case_id = new_id(self._db, for_id)
        there = self._db.execute(
            "SELECT case_id, revision FROM records WHERE sha256 = ?", (sha256,)
        ).fetchone()
        if there:
            return Logged(there[0], there[1], Outcome.ALREADY_THERE)
        self._insert(case_id, 1, sha256, canonical, now)
        return Logged(case_id, 1, Outcome.NEW)

    def _keep_revision(self, case: Case, canonical: str, sha256: str, now: str) -> Logged:
        case_id = str(case.id)
        last = self._db.execute(
            "SELECT revision, sha256 FROM records WHERE case_id = ? ORDER BY revision DESC LIMIT 1",
            (case_id,),
        ).fetchone()
        if last is None:
            self._insert(case_id, 1, sha256, canonical, now)
            return Logged(case_id, 1, Outcome.NEW)
        revision, known = last
        if known == sha256:
            return Logged(case_id, revision, Outcome.ALREADY_THERE)
        if case.revision is not None and case.revision != revision:
            raise RevisedMeanwhileError(case_id, case.revision, revision)
        self._insert(case_id, revision + 1, sha256, canonical, now)
        return Logged(case_id, revision + 1, Outcome.REVISED)

    def _insert(self, case_id: str, revision: int, sha256: str, canonical: str, now: str) -> None:
        self._db.execute(
            "INSERT INTO records (case_id, revision, sha256, json, logged_at) VALUES (?, ?, ?, ?, ?)",
            (case_id, revision, sha256, canonical, now),
        )


def _outcome(revision: int, *, is_kept: bool) -> Outcome:
    if not is_kept:
        return Outcome.ALREADY_THERE
    return Outcome.NEW if revision == 1 else Outcome.REVISED


def _revision(row: dict[str, Any], authorship: Authorship) -> dict[str, Any]:
    record = json.loads(row["json"])
    by = authorship.by or record.get("provenance", {}).get("author")
    told = {
        "made": str(authorship.made),
        "by": by,
        "text_of": authorship.text_of,
        "remark": authorship.remark,
    }
    return {**row, "json": record, **told}


def _summary_query(filters: dict[str, str]) -> tuple[str, dict[str, str]]:
    conditions = {
        "code": "id IN (SELECT case_id FROM codes WHERE lower(code) = lower(:code) OR lower(base) = lower(:code))",
        "module": "id IN (SELECT case_id FROM modules WHERE module_key = :module OR lower(name) = lower(:module))",
    }
    where = [conditions.get(key, f"lower({key}) = lower(:{key})") for key in filters]
    sql = f"SELECT {_SUMMARY_COLUMNS} FROM cases{' WHERE ' if where else ''}{' AND '.join(where)}"
    return f"{sql} ORDER BY logged_at DESC, id", filters
