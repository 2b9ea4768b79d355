"""What the pages ask of the tables of a frozen file: with `code_catalogue.py` the only SQL of the site.

A page names a selection of the records (a vehicle, a code, a cause) and asks for rows by the functions below; words and
addresses are made of them in `lists.py`. What somebody typed into an address is always a value, never a part of SQL.
The tables are those of `library/schema.py`, without what stays in the shop.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.publish.edition import Edition

Rows = list[tuple[Any, ...]]

ALL: Final = -1
"""As many rows as there are: SQLite takes a negative limit as none."""


@dataclass(frozen=True)
class Selection:
    """Some of the records: a condition on a row of the table `cases`, and the values of its question marks."""

    where: str = "1"
    values: tuple[Any, ...] = ()

    def __and__(self, other: Selection) -> Selection:
        return Selection(f"({self.where}) AND ({other.where})", (*self.values, *other.values))


EVERY_RECORD: Final = Selection()
FAULT_CASES: Final = Selection("kind = 'fault case'")
KNOWN_GOOD: Final = Selection("kind = 'known good'")
WITH_CAUSE: Final = Selection("fault IS NOT NULL")
WITHOUT_CAUSE: Final = Selection("fault IS NULL")
WITH_CODES: Final = Selection("id IN (SELECT case_id FROM codes)")

_OF_RECORD: Final = "(SELECT json_extract(json, '{path}') FROM records WHERE case_id = cases.id)"
_CAUSE_COLUMNS: Final = {
    "place": _OF_RECORD.format(path="$.cause.where.place"),
    "mechanism": _OF_RECORD.format(path="$.cause.mechanism"),
}
_FIELDS: Final = {
    "make": "make = ? COLLATE NOCASE",
    "model": "model = ? COLLATE NOCASE",
    "platform": "platform = ? COLLATE NOCASE",
    "medium": "id IN (SELECT case_id FROM networks WHERE medium = ?)",
    "status": "coalesce(status, kind) = ?",
    "base": "id IN (SELECT case_id FROM codes WHERE base = ?)",
    "code": "id IN (SELECT case_id FROM codes WHERE code = ?)",
    "fault": "fault = ?",
    **{name: f"{column} = ?" for name, column in _CAUSE_COLUMNS.items()},
    "lamp": "EXISTS (SELECT 1 FROM records, json_each(records.json, '$.lamps') AS lit"
    " WHERE case_id = cases.id AND lit.value = ?)",
}

INCOMPLETE: Final = {
    "no cause": WITHOUT_CAUSE,
    "no proof": WITH_CAUSE & Selection(f"{_OF_RECORD.format(path='$.cause.proof')} IS NULL"),
    "no reading as found": Selection("id NOT IN (SELECT case_id FROM readings WHERE stage = 'as found')"),
    "no reading after the repair": Selection(
        "id IN (SELECT case_id FROM readings) AND id NOT IN"
        " (SELECT case_id FROM readings WHERE stage = 'after repair')"
    ),
    "no codes": Selection("id NOT IN (SELECT case_id FROM codes)"),
    "a leftover": Selection("leftover IS NOT NULL"),
}
"""What a fault case can lack, or leave unexplained."""

_STATUS_ORDER: Final = (
    "CASE status WHEN 'fixed, verified' THEN 0 WHEN 'fixed, cause not proven' THEN 1"
    " WHEN 'not fixed' THEN 2 ELSE 3 END"
)
BY_CASES: Final = "ORDER BY count(DISTINCT case_id) DESC"
_ROW: Final = "id, kind, status, title, make, model, model_year, platform, cause, leftover, ended"
_PROOF: Final = "(SELECT json_extract(data, '$.proof') FROM profiles WHERE profiles.case_id = cases.id)"


def selected(**given: str) -> Selection:
    """Return the records that fit every field given; a make, model or platform in capitals or not."""
    return Selection(" AND ".join(_FIELDS[name] for name in given) or "1", tuple(given.values()))


def of_ids(ids: Iterable[str]) -> Selection:
    """Return the records with these IDs."""
    return Selection("id IN (SELECT value FROM json_each(?))", (json.dumps(sorted(ids)),))


def query(edition: Edition, sql: str, values: Sequence[Any] = ()) -> Rows:
    """Return the rows of a statement; whatever came from outside is among `values`."""
    return edition.connection.execute(sql, tuple(values)).fetchall()


def of_these(these: Selection) -> str:
    """Return the condition on a table with a column `case_id` that holds for the records selected."""
    return "1" if these == EVERY_RECORD else f"case_id IN (SELECT id FROM cases WHERE {these.where})"


# --- records ------------------------------------------------------------------------------------------------------


def count_of(edition: Edition, these: Selection) -> int:
    """Return how many records are selected."""
    return int(query(edition, f"SELECT count(*) FROM cases WHERE {these.where}", these.values)[0][0])


def useful_first(edition: Edition, these: Selection, most: int = ALL, before: int = 0) -> list[str]:
    """Return IDs: proven repairs before guesses, guesses before open jobs; of these the newest first."""
    sql = f"SELECT id FROM cases WHERE {these.where} ORDER BY kind, {_STATUS_ORDER}, ended DESC, id LIMIT ? OFFSET ?"
    return [case_id for (case_id,) in query(edition, sql, (*these.values, most, before))]


def newest_first(edition: Edition, these: Selection, most: int = ALL) -> Rows:
    """Return (ID, kind, status, title, make, model, model year, platform, cause, leftover, day it ended, proof)."""
    sql = f"SELECT {_ROW}, {_PROOF} FROM cases WHERE {these.where} ORDER BY ended DESC, id LIMIT ?"
    return query(edition, sql, (*these.values, most))


def titles_beginning_with(edition: Edition, prefix: str) -> Rows:
    """Return (ID, title) of the first three cases whose ID begins with `prefix`."""
    sql = "SELECT id, title FROM cases WHERE id >= ? AND id < ? ORDER BY id LIMIT 3"
    return query(edition, sql, (prefix, f"{prefix}~"))


def shops(edition: Edition, most: int) -> Rows:
    """Return (shop, records), the most frequent first."""
    return query(
        edition,
        "SELECT shop, count(*) FROM cases WHERE shop IS NOT NULL GROUP BY shop COLLATE NOCASE"
        " ORDER BY count(*) DESC, shop LIMIT ?",
        (most,),
    )


def first_and_last_day(edition: Edition) -> tuple[str | None, str | None]:
    """Return the days on which the first and the last of the jobs ended."""
    first, last = query(edition, "SELECT min(ended), max(ended) FROM cases")[0]
    return first, last


def statuses(edition: Edition, these: Selection) -> Rows:
    """Return (status, cases) of the fault cases, proven repairs first."""
    return query(
        edition,
        f"SELECT status, count(*) FROM cases WHERE {(these & FAULT_CASES).where} GROUP BY status"
        f" ORDER BY {_STATUS_ORDER}, status",
        these.values,
    )


def media(edition: Edition) -> Rows:
    """Return (medium, records), the most frequent first; a record of two media counts for both."""
    return query(
        edition,
        "SELECT medium, count(DISTINCT case_id) FROM networks WHERE medium IS NOT NULL GROUP BY medium"
        f" {BY_CASES}, medium",
    )


def search_choices(edition: Edition, most: int) -> dict[str, list[str]]:
    """Return what occurs of each field that a search offers as a list, in order."""
    asked = {
        "medium": "SELECT DISTINCT medium FROM networks WHERE medium IS NOT NULL",
        "make": "SELECT make FROM cases GROUP BY make COLLATE NOCASE",
        "status": "SELECT DISTINCT coalesce(status, kind) FROM cases",
    }
    return {
        name: sorted(word for (word,) in query(edition, f"{sql} LIMIT ?", (most,)))
        for name, sql in asked.items()
    }


# --- causes -------------------------------------------------------------------------------------------------------


def faults(edition: Edition, these: Selection) -> Rows:
    """Return (cause, fault cases), the most frequent first."""
    return query(
        edition,
        f"SELECT fault, count(*) FROM cases WHERE {(these & FAULT_CASES & WITH_CAUSE).where}"
        " GROUP BY fault ORDER BY count(*) DESC, fault",
        these.values,
    )


def words_of_cause(edition: Edition, these: Selection, field: str) -> Rows:
    """Return (word, cases) of a cause's `place` or `mechanism`, the most frequent first."""
    found = f"SELECT {_CAUSE_COLUMNS[field]} AS word FROM cases WHERE {(these & WITH_CAUSE).where}"
    return query(
        edition,
        f"SELECT word, count(*) FROM ({found}) WHERE word IS NOT NULL GROUP BY word ORDER BY count(*) DESC, word",
        these.values,
    )


def lamps(edition: Edition, these: Selection, most: int) -> Rows:
    """Return (lamp, records), those lit most often first."""
    return query(
        edition,
        "SELECT lamps.value, count(DISTINCT case_id) FROM records, json_each(records.json, '$.lamps') AS lamps"
        f" WHERE {of_these(these)} GROUP BY lamps.value {BY_CASES}, lamps.value LIMIT ?",
        (*these.values, most),
    )


# --- vehicles -----------------------------------------------------------------------------------------------------


def makes(edition: Edition, these: Selection, most: int = ALL) -> Rows:
    """Return (make, records), the most frequent first."""
    return query(
        edition,
        f"SELECT make, count(*) FROM cases WHERE {these.where} GROUP BY make COLLATE NOCASE"
        " ORDER BY count(*) DESC, make LIMIT ?",
        (*these.values, most),
    )


def models(edition: Edition, these: Selection, most: int) -> Rows:
    """Return (make, model, records), the most frequent first."""
    return query(
        edition,
        f"SELECT make, model, count(*) FROM cases WHERE {these.where}"
        " GROUP BY make COLLATE NOCASE, model COLLATE NOCASE ORDER BY count(*) DESC, make, model LIMIT ?",
        (*these.values, most),
    )


def models_by_name(edition: Edition) -> Rows:
    """Return (make, platform, model, records) of every model, by make, then platform, then name."""
    return query(
        edition,
        "SELECT make, platform, model, count(*) FROM cases"
        " GROUP BY make COLLATE NOCASE, platform COLLATE NOCASE, model COLLATE NOCASE"
        " ORDER BY make COLLATE NOCASE, platform IS NULL, platform COLLATE NOCASE, model COLLATE NOCASE",
    )


def makes_on_platforms(edition: Edition) -> Rows:
    """Return (platform, make) of every make that has vehicles on a platform, by make."""
    return query(
        edition,
        "SELECT platform, make FROM cases WHERE platform IS NOT NULL"
        " GROUP BY platform COLLATE NOCASE, make COLLATE NOCASE ORDER BY make COLLATE NOCASE",
    )


def platforms_of(edition: Edition, these: Selection) -> Rows:
    """Return (platform, records on it, whichever were selected) of the platforms of the records selected."""
    return query(
        edition,
        "SELECT platform, count(*) FROM cases WHERE platform IN"
        f" (SELECT platform FROM cases WHERE {these.where} AND platform IS NOT NULL)"
        " GROUP BY platform ORDER BY platform",
        these.values,
    )


def vehicle_as_recorded(edition: Edition, these: Selection) -> tuple[Any, ...] | None:
    """Return (make, model, platform) as one of the records spells them; None where none is selected."""
    found = query(
        edition, f"SELECT make, model, platform FROM cases WHERE {these.where} LIMIT 1", these.values
    )
    return found[0] if found else None


def makes_and_models(edition: Edition) -> list[tuple[str, str]]:
    """Return every make and model that a case names."""
    rows = query(
        edition, "SELECT DISTINCT make, model FROM cases WHERE make > '' AND model > '' ORDER BY 1, 2"
    )
    return [(row[0], row[1]) for row in rows]


def vehicles_named(edition: Edition, text: str, most: int) -> Rows:
    """Return (make, model, platform) of the vehicles of which `text` is the make, the model, both, or the platform."""
    named = " OR ".join(
        f"{column} = ?1 COLLATE NOCASE"
        for column in ("coalesce(make, '')", "model", "platform", "make || ' ' || model")
    )
    return query(
        edition,
        f"SELECT make, model, platform FROM cases WHERE {named} GROUP BY make, model, platform LIMIT ?2",
        (text, most),
    )


# --- full text and the file ---------------------------------------------------------------------------------------


def count_holding(edition: Edition, sought: str) -> int:
    """Return how many records an FTS5 query finds."""
    return int(query(edition, "SELECT count(*) FROM cases_fts WHERE cases_fts MATCH ?", (sought,))[0][0])


def excerpts(
    edition: Edition, case_id: str, sought: str, marks: tuple[str, str], words: int
) -> tuple[Any, ...] | None:
    """Return the marked title of a case and excerpts of its other texts; None where the FTS5 query finds none there."""
    columns = [
        "highlight(cases_fts, 0, ?1, ?2)",
        *(f"snippet(cases_fts, {column}, ?1, ?2, '...', 12)" for column in (1, 2)),
        *(f"snippet(cases_fts, {column}, ?1, ?2, '...', ?3)" for column in (3, 4)),
    ]
    found = query(
        edition,
        f"SELECT {', '.join(columns)} FROM cases_fts JOIN cases ON cases.rowid = cases_fts.rowid"
        " WHERE cases_fts MATCH ?4 AND cases.id = ?5",
        (*marks, words, sought, case_id),
    )
    return found[0] if found else None


def rows_by_table(connection: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each table of the file has."""
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    return {name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for (name,) in tables}


def ids_of_platform(
    edition: Edition, make: str, models: Sequence[str], platform: str | None, most: int
) -> list[str]:
    """Return the IDs of the fault cases on a platform, of whichever make, or of models of a make; the newest first."""
    rows = edition.connection.execute(
        "SELECT id FROM cases WHERE kind = 'fault case' AND (platform = ? COLLATE NOCASE OR (make = ? COLLATE NOCASE"
        " AND lower(model) IN (SELECT lower(value) FROM json_each(?)))) ORDER BY ended DESC, id LIMIT ?",
        (platform or "", make, json.dumps(list(models)), most),
    )
    return [case_id for (case_id,) in rows]
