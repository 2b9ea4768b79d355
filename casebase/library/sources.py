"""Other shops whose bundles were taken in: how much their cases weigh, and which cases came from whom."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from casebase.errors import LibraryError
from casebase.library.engine import Database
from casebase.library.library_file import LibraryFile, now_text

FULL_WEIGHT: Final = 1.0

_ROWS: Final = """
    SELECT t.case_id, t.source, t.their_revision, t.sha256, t.beside, s.weight
    FROM taken_in t JOIN sources s ON s.name = t.source {} ORDER BY t.case_id, t.at, t.rowid
"""


@dataclass(frozen=True)
class Source:
    """Another shop: what its cases weigh beside the shop's own (0 to 1), since when it sends, how many came."""

    name: str
    weight: float
    first_at: str | None
    last_at: str | None
    cases: int


@dataclass(frozen=True)
class TakenFrom:
    """Where a case came from: who told what is kept, their revision, its weight, the case beside which it stands."""

    sources: tuple[str, ...]
    their_revision: int
    weight: float
    beside: str | None

    def words(self) -> str:
        """Return it in one line."""
        beside = f"; stands beside {self.beside}, edited on both sides" if self.beside else ""
        return f"from {', '.join(self.sources)}, revision {self.their_revision} there{beside}"

    def data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "sources": list(self.sources),
            "their_revision": self.their_revision,
            "weight": self.weight,
            "beside": self.beside,
        }


def sources_in(library: LibraryFile) -> list[Source]:
    """Return every source, in the order of the alphabet."""
    sql = (
        "SELECT name, weight, first_at, last_at, (SELECT count(*) FROM taken_in t WHERE t.source = s.name) AS cases"
        " FROM sources s ORDER BY lower(name), name"
    )
    with library.reading() as db:
        return [Source(**row) for row in db.query(sql)]


def set_weight(library: LibraryFile, name: str, weight: float) -> None:
    """Set what the cases of a source weigh; raise `LibraryError` for one that is not there or no weight."""
    refuse_wrong_weight(weight)
    with library.changing() as db:
        if not db.execute("UPDATE sources SET weight = ? WHERE name = ?", (weight, name)).rowcount:
            raise LibraryError(f"'{name}' sent nothing yet: casebase sources lists those that did")


def refuse_wrong_weight(weight: float) -> None:
    """Raise `LibraryError` for a weight that is not from 0 to 1."""
    if not 0.0 <= weight <= FULL_WEIGHT:
        raise LibraryError(f"{weight:g} is no weight: expected a number from 0 to 1")


def keys_of_sources(library: LibraryFile) -> dict[str, str]:
    """Return the public key of every source whose key is known, in hexadecimal digits."""
    with library.reading() as db:
        return dict(db.execute("SELECT source, public_key FROM source_keys ORDER BY rowid"))


def key_of(library: LibraryFile, name: str) -> str | None:
    """Return the public key of a source, None where none was taken as theirs."""
    return keys_of_sources(library).get(name)


def pin_key(library: LibraryFile, name: str, public_key: str, before: str | None) -> None:
    """Take a key as that of a source from now on; what was before is kept.

    Raises `LibraryError` where its key is not the one `before` any more.
    """
    with library.changing() as db:
        if key_of(library, name) != before:
            raise LibraryError(f"'{name}': another key was taken as theirs just now: look again")
        db.execute(
            "INSERT INTO source_keys (source, public_key, at) VALUES (?, ?, ?)",
            (name, public_key, now_text()),
        )


def taken_from(library: LibraryFile) -> dict[str, TakenFrom]:
    """Return where every case came from that another shop sent."""
    with library.reading() as db:
        return _by_case(db.query(_ROWS.format("")))


def taken_from_of(library: LibraryFile, case_id: str) -> TakenFrom | None:
    """Return where one case came from; None for the shop's own."""
    with library.reading() as db:
        return _by_case(db.query(_ROWS.format("WHERE t.case_id = ?"), [case_id])).get(case_id)


def senders_of_cases(db: Database) -> dict[str, tuple[str, float]]:
    """Return who sent the cases that are not the shop's own, and what they weigh beside those."""
    found = _by_case(db.query(_ROWS.format("")))
    return {case_id: (", ".join(told.sources), told.weight) for case_id, told in found.items()}


def _by_case(rows: Iterable[dict[str, Any]]) -> dict[str, TakenFrom]:
    return {
        case_id: _taken_from(list(group))
        for case_id, group in groupby(rows, key=lambda row: str(row["case_id"]))
    }


def _taken_from(rows: list[dict[str, Any]]) -> TakenFrom:
    """Of several sources those count that sent what is kept now; the one trusted most gives the weight."""
    last = rows[-1]
    same = [row for row in rows if row["sha256"] == last["sha256"]]
    beside = next((row["beside"] for row in rows if row["beside"]), None)
    return TakenFrom(
        tuple(row["source"] for row in same),
        last["their_revision"],
        max(row["weight"] for row in same),
        beside,
    )
