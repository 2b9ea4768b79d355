"""Finding and reading records: by the ID of their case, by their number, and by full-text search.

A record's number is its place in the order in which records were logged; it never changes.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Final, TypeVar, overload

from pydantic import ValidationError

from casebase.errors import LibraryError
from casebase.library.authorship import removed_ids
from casebase.library.derived import StoredRecord
from casebase.library.engine import Database
from casebase.match.profile import Profile
from casebase.match.profile_of_case import from_data, profile_of
from casebase.record.case import Case, status_of
from casebase.record.cautions import cautions_of
from casebase.record.checks import remarks_on
from casebase.record.json_form import ID_LENGTH, id_from, plain_data, stored_case
from casebase.record.words import title_of

_Item = TypeVar("_Item")

_ID: Final = re.compile(r"[0-9a-hjkmnp-tv-z]+")
_LIKE_LETTERS: Final = str.maketrans("ilou", "110v")
_SHOWN: Final = 5


def new_id(db: Database, sha256: str) -> str:
    """Return an ID not in use, from a digest of the first revision; longer than usual only where one is taken."""
    for length in range(ID_LENGTH, 27):
        case_id = id_from(sha256, length)
        if not db.is_taken(case_id):
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


def known_ids(db: Database, words: Iterable[str]) -> set[str]:
    """Return the IDs of cases among words; letters that Crockford's base 32 leaves out are read as meant."""
    wanted = [word.casefold().translate(_LIKE_LETTERS) for word in words]
    sql = "SELECT DISTINCT case_id FROM records WHERE case_id IN (SELECT value FROM json_each(?, '$'))"
    return {case_id for (case_id,) in db.execute(sql, (json.dumps(wanted),))}


_AT_ONCE: Final = 1000
"""Records read from the engine together: PostgreSQL hands out all that a statement asks for."""

_CURRENT_OF_CASE = """
    SELECT r.case_id, r.revision, r.logged_at, r.json FROM records r WHERE {} NOT EXISTS
    (SELECT 1 FROM records newer WHERE newer.case_id = r.case_id AND newer.revision > r.revision) ORDER BY r.case_id
"""


def current_record(db: Database, case_id: str) -> StoredRecord:
    """Return the current revision of a case; raise `LibraryError` when it does not fit the format."""
    row = db.execute(_CURRENT_OF_CASE.format("r.case_id = ? AND"), (case_id,)).fetchone()
    try:
        return _kept(*row)
    except ValidationError:
        raise LibraryError(
            f"{_does_not_fit(*row)}, so it cannot be shown or compared: run casebase check"
        ) from None


def every_record(db: Database, without: Container[str] = frozenset()) -> Iterator[StoredRecord]:
    """Yield the current revision of every case but those `without`.

    Raises `LibraryError` that names one that does not fit the format.
    """
    for row in _current_rows(db):
        if row[0] in without:
            continue
        try:
            yield _kept(*row)
        except ValidationError:
            raise LibraryError(
                f"{_does_not_fit(*row)}: nothing was changed, for no record is left out: put it right with the"
                " casebase that wrote it, or restore a copy (casebase restore)"
            ) from None


def _does_not_fit(case_id: str, revision: int, *_: object) -> str:
    return f"case {case_id}, revision {revision}: the record does not fit the format"


def readable_records(db: Database, without: Container[str] = frozenset()) -> Iterator[StoredRecord]:
    """Yield the current revision of every case but those `without`.

    One that does not fit the format is left to `casebase check`.
    """
    for row in _current_rows(db):
        if row[0] in without:
            continue
        try:
            yield _kept(*row)
        except ValidationError:
            continue


def _current_rows(db: Database) -> Iterator[tuple[str, int, str, str]]:
    """Yield the rows of the current revisions in the order of their cases."""
    sql, last = f"{_CURRENT_OF_CASE.format('r.case_id > ? AND')} LIMIT {_AT_ONCE}", ""
    while rows := db.execute(sql, (last,)).fetchall():
        yield from rows
        last = rows[-1][0]


def in_lots(items: Iterable[_Item]) -> Iterator[list[_Item]]:
    """Yield items as many together as are held in memory at once."""
    left = iter(items)
    while some := list(islice(left, _AT_ONCE)):
        yield some


class KeptRevisions(Sequence[StoredRecord]):
    """Revisions of cases, read anew whenever somebody goes through them: a revision never changes.

    `named` are their IDs and numbers. For as many as the memory need not hold at once.
    """

    def __init__(self, db: Database, named: Sequence[tuple[str, int]]) -> None:
        self._db, self._named = db, named

    def __len__(self) -> int:
        return len(self._named)

    @overload
    def __getitem__(self, place: int) -> StoredRecord: ...
    @overload
    def __getitem__(self, place: slice) -> Sequence[StoredRecord]: ...
    def __getitem__(self, place: int | slice) -> StoredRecord | Sequence[StoredRecord]:
        if isinstance(place, slice):
            return KeptRevisions(self._db, self._named[place])
        return earlier_record(self._db, *self._named[place])

    def __iter__(self) -> Iterator[StoredRecord]:
        sql = (
            "SELECT case_id, revision, logged_at, json FROM records"
            " WHERE case_id IN (SELECT value FROM json_each(?, '$'))"
        )
        for some in in_lots(self._named):
            with self._db.errors_as_sentences():
                rows = self._db.execute(sql, (json.dumps([case_id for case_id, _ in some]),)).fetchall()
            told = {(row[0], row[1]): row for row in rows}
            yield from (_earlier(told[named]) for named in some)


def earlier_record(db: Database, case_id: str, revision: int) -> StoredRecord:
    """Return a revision of a case; raise `LibraryError` where it does not fit the format."""
    sql = "SELECT case_id, revision, logged_at, json FROM records WHERE case_id = ? AND revision = ?"
    return _earlier(db.execute(sql, (case_id, revision)).fetchone())


def _earlier(row: tuple[str, int, str, str]) -> StoredRecord:
    try:
        return _kept(*row)
    except ValidationError:
        raise LibraryError(f"{_does_not_fit(*row)}: run casebase check") from None


def _kept(case_id: str, revision: int, logged_at: str, text: str) -> StoredRecord:
    return StoredRecord(case_id, revision, logged_at, stored_case(text))


# The number is SQLite's own rowid, on a hub a column of that name; records are never deleted, so it only grows.
_CURRENT_BY_NUMBER = """
    FROM records r WHERE r.rowid > :after AND r.rowid <= :upto AND NOT EXISTS
    (SELECT 1 FROM records newer WHERE newer.case_id = r.case_id AND newer.revision > r.revision
        AND newer.rowid <= :upto)
"""


@dataclass(frozen=True)
class NumberedRecord:
    """A current record with its number, the numbers of its earlier revisions, and whether it was removed."""

    number: int
    case_id: str
    case: Case
    supersedes: tuple[int, ...]
    is_removed: bool = False


def sha256_of_number(db: Database, number: int) -> str:
    """Return the SHA-256 of a record, "" where there is none of that number."""
    row = db.execute("SELECT sha256 FROM records WHERE rowid = ?", (number,)).fetchone()
    return row[0] if row else ""


def count_records_between(db: Database, after: int, upto: int) -> int:
    """Return how many current records there are after one number and up to another."""
    found = db.execute(f"SELECT count(*) {_CURRENT_BY_NUMBER}", {"after": after, "upto": upto}).fetchone()
    return int(found[0])


def records_between(db: Database, after: int, upto: int, most: int) -> tuple[list[NumberedRecord], int]:
    """Return the current records after one number and up to another, and the number up to which they go.

    At most `most` of them, in the order of their numbers. One that does not fit the format is left out: `casebase
    check` names it.
    """
    rows = db.execute(
        f"SELECT r.rowid, r.case_id, r.revision, r.json {_CURRENT_BY_NUMBER} ORDER BY r.rowid LIMIT :most",
        {"after": after, "upto": upto, "most": most},
    ).fetchall()
    last, removed = rows[-1][0] if len(rows) == most else upto, removed_ids(db)
    found = (_numbered(db, *row) for row in rows)
    return [replace(one, is_removed=one.case_id in removed) for one in found if one is not None], last


def profiles_of_numbers(db: Database, numbers: Sequence[int]) -> list[Profile]:
    """Return what is compared of the cases with these numbers, in that order."""
    sql = (
        "SELECT r.rowid, p.data FROM records r JOIN profiles p ON p.case_id = r.case_id"
        " WHERE r.rowid IN (SELECT CAST(value AS BIGINT) FROM json_each(?, '$'))"
    )
    told = dict(db.execute(sql, (json.dumps([int(number) for number in numbers]),)))
    return [
        _profile(told[number]) if number in told else _profile_of_removed(db, int(number))
        for number in numbers
    ]


def rows_of_case(db: Database, case_id: str) -> list[int]:
    """Return the numbers of every revision of a case."""
    return [row[0] for row in db.execute("SELECT rowid FROM records WHERE case_id = ?", (case_id,))]


def _numbered(db: Database, number: int, case_id: str, revision: int, text: str) -> NumberedRecord | None:
    try:
        case = stored_case(text)
    except ValidationError:
        return None
    earlier = [row for row in rows_of_case(db, case_id) if row < number] if revision > 1 else []
    return NumberedRecord(number, case_id, case, tuple(earlier))


def _profile_of_removed(db: Database, number: int) -> Profile:
    """Return what is compared of a case that somebody removed since it was found."""
    found = db.execute("SELECT case_id, revision, json FROM records WHERE rowid = ?", (number,)).fetchone()
    numbered = _numbered(db, number, *found) if found else None
    if numbered is None or numbered.case_id not in removed_ids(db):
        return _profile("")
    return profile_of(numbered.case, numbered.case_id)


def _profile(told: str) -> Profile:
    try:
        return from_data(json.loads(told))
    except (ValueError, TypeError, KeyError, AttributeError):
        raise LibraryError("what is compared of a case cannot be read: run casebase rebuild") from None


def case_data(kept: StoredRecord) -> dict[str, Any]:
    """Return a case as plain data: the record, and what follows from it."""
    case = kept.case
    return {
        "case_id": kept.case_id,
        "revision": kept.revision,
        "title": title_of(case),
        "status": status_of(case),
        "logged_at": kept.logged_at,
        "record": plain_data(case),
        "remarks": remarks_on(case),
        "cautions": cautions_of(case),
    }


COMMON_SHARE: Final = 0.2
"""A word in more than this share of the cases sets none apart and costs the most time."""

_FEW_CASES: Final = 50
_TOKEN: Final = re.compile(r"[^\W_]+")


def found_ids(db: Database, text: str) -> list[str]:
    """Return the IDs of the cases that hold every word of `text` but the common ones, the most relevant first."""
    words = _rare_words(db, list(dict.fromkeys(words_in(text))))
    return db.found(words) if words else []


def words_in(text: str) -> list[str]:
    """Return the tokens of `text` as FTS5's unicode61 tokenizer parts them.

    >>> words_in("U0100-87, CAN-H it's 60.2 (")
    ['U0100', '87', 'CAN', 'H', 'it', 's', '60', '2']
    """
    return _TOKEN.findall(unicodedata.normalize("NFC", text))


def _rare_words(db: Database, words: list[str]) -> list[str]:
    """Leave out the words that many cases hold; where all are common, keep them."""
    total = db.execute("SELECT count(*) FROM cases").fetchone()[0]
    if total < _FEW_CASES:
        return words
    held = zip(words, db.holding(words), strict=True)
    rare = [word for word, holding in held if holding <= COMMON_SHARE * total]
    return rare or words
