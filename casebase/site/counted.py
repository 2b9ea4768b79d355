"""Counts over the collection, each with the address of the list behind it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from urllib.parse import urlencode

from casebase.publish.edition import Edition
from casebase.record.vocabulary import Fault
from casebase.record.words import FAULT_WORDS

FAULT_CASES: Final = "kind = 'fault case'"


@dataclass(frozen=True)
class Counted:
    """How many cases share something, what it is in words, and where the list of them is."""

    words: str
    count: int
    address: str


def by_fault(edition: Edition) -> list[Counted]:
    """Return how many cases each cause has, the most frequent first."""
    rows = edition.connection.execute(
        f"SELECT fault, count(*) FROM cases WHERE {FAULT_CASES} AND fault IS NOT NULL"
        " GROUP BY fault ORDER BY count(*) DESC, fault"
    )
    return [Counted(fault_words(fault), count, address("/causes", fault=fault)) for fault, count in rows]


def by_medium(edition: Edition) -> list[Counted]:
    """Return how many cases are on each medium; one on two media counts for both."""
    rows = edition.connection.execute(
        "SELECT medium, count(DISTINCT case_id) FROM networks WHERE medium IS NOT NULL GROUP BY medium"
        " ORDER BY count(DISTINCT case_id) DESC, medium"
    )
    return [Counted(medium, count, address("/search", medium=medium)) for medium, count in rows]


def by_make(edition: Edition) -> list[Counted]:
    """Return how many records each make has."""
    rows = edition.connection.execute(
        "SELECT make, count(*) FROM cases GROUP BY make COLLATE NOCASE ORDER BY count(*) DESC, make"
    )
    return [Counted(make, count, address("/vehicles", make=make)) for make, count in rows]


def fault_words(fault: str) -> str:
    """Return a cause in plain words, its first letter a capital."""
    known = FAULT_WORDS.get(Fault(fault)) if fault in set(Fault) else None
    words = known or fault
    return words[:1].upper() + words[1:]


def address(path: str, **query: str | None) -> str:
    """Return an address of this site, its query encoded.

    >>> address("/codes", code="U0121", make=None)
    '/codes?code=U0121'
    """
    given = {key: value for key, value in query.items() if value is not None}
    return f"{path}?{urlencode(given)}" if given else path
