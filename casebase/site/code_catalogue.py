"""What the pages ask of the tables of codes and modules in a frozen file."""

from __future__ import annotations

from typing import Any

from casebase.publish.edition import Edition
from casebase.site.catalogue import BY_CASES, FAULT_CASES, Rows, Selection, of_these, query


def code_count(edition: Edition) -> int:
    """Return how many codes there are, each counted once whatever its failure type."""
    return int(query(edition, "SELECT count(DISTINCT base) FROM codes")[0][0])


def codes(edition: Edition, these: Selection, most: int, before: int = 0) -> Rows:
    """Return (base, any code on it, records), those that most records hold first."""
    return query(
        edition,
        f"SELECT base, min(code), count(DISTINCT case_id) FROM codes WHERE {of_these(these)}"
        f" GROUP BY base {BY_CASES}, base LIMIT ? OFFSET ?",
        (*these.values, most, before),
    )


def codes_about(edition: Edition, module: str | None, most: int, but: str = "") -> Rows:
    """Return (base, any code on it, records) of the codes that name a module, without those on the base `but`."""
    return query(
        edition,
        "SELECT base, min(code), count(DISTINCT case_id) FROM codes WHERE about = ? AND base <> ? GROUP BY base"
        f" {BY_CASES}, base LIMIT ?",
        (module, but, most),
    )


def stored_code(edition: Edition, base: str) -> tuple[Any, ...] | None:
    """Return (base, any code on it) of a base as typed or in capitals; None where no record holds it."""
    found = query(
        edition,
        "SELECT base, min(code) FROM codes WHERE base IN (?, ?) GROUP BY base LIMIT 1",
        (base, base.upper()),
    )
    return found[0] if found else None


def codes_on(edition: Edition, base: str, most: int) -> Rows:
    """Return (code, records) of each failure type or failure mode on a base."""
    return query(
        edition,
        f"SELECT code, count(DISTINCT case_id) FROM codes WHERE base = ? GROUP BY code {BY_CASES}, code LIMIT ?",
        (base, most),
    )


def reporters(edition: Edition, column: str, code: str) -> Rows:
    """Return (module, case) wherever a module stores the code; `column` is `base` or `code`."""
    sql = f"SELECT DISTINCT module, case_id FROM codes WHERE {column} = ? AND module IS NOT NULL"
    return query(edition, sql, (code,))


def texts_beside(edition: Edition, column: str, code: str, most: int) -> list[str]:
    """Return the texts that scans print beside the code, the most frequent first; `column` is `base` or `code`."""
    found = query(
        edition,
        f"SELECT text FROM codes WHERE {column} = ? AND text IS NOT NULL GROUP BY text"
        " ORDER BY count(*) DESC, text LIMIT ?",
        (code, most),
    )
    return [text for (text,) in found]


def module_listings(edition: Edition, only: str | None) -> Rows:
    """Return (name, key, case, whether it was silent in a fault case), of one key or all; a key can be None."""
    return query(
        edition,
        "SELECT name, module_key, case_id,"
        f" answers IN ('no', 'intermittent') AND {of_these(FAULT_CASES)} FROM modules"
        " WHERE ?1 IS NULL OR module_key = ?1 OR module_key IS NULL",
        (only,),
    )


def blames(edition: Edition, only: str | None) -> Rows:
    """Return (module named, module that stores the code, case) of codes that miss a module or refuse its data."""
    return query(
        edition,
        "SELECT DISTINCT about, module, case_id FROM codes WHERE about IS NOT NULL"
        f" AND statement IN ('lost communication', 'invalid data') AND {of_these(FAULT_CASES)}"
        " AND (?1 IS NULL OR about = ?1)",
        (only,),
    )


def culprits(edition: Edition) -> Rows:
    """Return (name of the module at fault, case)."""
    module = "json_extract(json, '$.cause.module')"
    return query(edition, f"SELECT {module}, case_id FROM records WHERE {module} IS NOT NULL")


def names_of_module(edition: Edition, key: str, most: int) -> list[str]:
    """Return what a module is called in the records, the most frequent name first."""
    sql = "SELECT name FROM modules WHERE module_key = ? GROUP BY name ORDER BY count(*) DESC, name LIMIT ?"
    return [name for (name,) in query(edition, sql, (key, most))]


def names_module(edition: Edition, key: str) -> bool:
    """Return whether any record lists a module or holds a code that names it."""
    sql = "SELECT 1 FROM modules WHERE module_key = ?1 UNION ALL SELECT 1 FROM codes WHERE about = ?1 LIMIT 1"
    return bool(query(edition, sql, (key,)))
