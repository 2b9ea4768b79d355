"""Counts over the collection, each with the address of the list behind it.

Counts over some of the cases: what was at fault in them, which codes and lamps they showed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from casebase.publish.edition import Edition
from casebase.record.codes import parse_code
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


MOST_TOLD: Final = 10
"""Lines of a count: what is rarer stands in the cases themselves."""

STATUS_ORDER: Final = (
    "CASE status WHEN 'fixed, verified' THEN 0 WHEN 'fixed, cause not proven' THEN 1"
    " WHEN 'not fixed' THEN 2 ELSE 3 END"
)

OF_THESE: Final = "case_id IN (SELECT id FROM cases WHERE {where})"


def faults_among(
    edition: Edition, where: str, values: Sequence[Any] = (), **query: str | None
) -> list[Counted]:
    """Return what was at fault in the cases that a condition holds for, the most frequent first.

    `query` narrows the list that each leads to.
    """
    rows = edition.connection.execute(
        f"SELECT fault, count(*) FROM cases WHERE ({where}) AND {FAULT_CASES} AND fault IS NOT NULL"
        " GROUP BY fault ORDER BY count(*) DESC, fault",
        tuple(values),
    )
    return [
        Counted(fault_words(fault), count, address("/causes", fault=fault, **query)) for fault, count in rows
    ]


def without_cause(edition: Edition, where: str, values: Sequence[Any] = ()) -> int:
    """Return in how many of the cases no cause was found, or none yet."""
    found = edition.connection.execute(
        f"SELECT count(*) FROM cases WHERE ({where}) AND {FAULT_CASES} AND fault IS NULL", tuple(values)
    )
    return int(found.fetchone()[0])


def statuses_among(edition: Edition, where: str, values: Sequence[Any] = ()) -> list[tuple[str, int]]:
    """Return how many of the fault cases have each status, proven repairs first."""
    return edition.connection.execute(
        f"SELECT status, count(*) FROM cases WHERE ({where}) AND {FAULT_CASES} GROUP BY status"
        f" ORDER BY {STATUS_ORDER}, status",
        tuple(values),
    ).fetchall()


def codes_among(edition: Edition, where: str, values: Sequence[Any] = ()) -> list[Counted]:
    """Return the codes stored most often in the cases that a condition holds for."""
    rows = edition.connection.execute(
        f"SELECT base, min(code), count(DISTINCT case_id) FROM codes WHERE {OF_THESE.format(where=where)}"
        " GROUP BY base ORDER BY count(DISTINCT case_id) DESC, base LIMIT ?",
        (*values, MOST_TOLD),
    )
    return [counted_code(*row) for row in rows]


def lamps_among(
    edition: Edition, where: str, values: Sequence[Any] = (), **query: str | None
) -> list[Counted]:
    """Return the lamps that were lit most often in the cases that a condition holds for.

    `query` narrows the list that each leads to.
    """
    rows = edition.connection.execute(
        "SELECT lamps.value, count(DISTINCT case_id) FROM records, json_each(records.json, '$.lamps') AS lamps"
        f" WHERE {OF_THESE.format(where=where)} GROUP BY lamps.value"
        " ORDER BY count(DISTINCT case_id) DESC, lamps.value LIMIT ?",
        (*values, MOST_TOLD),
    )
    return [Counted(lamp, count, address("/causes", **{**query, "lamp": lamp})) for lamp, count in rows]


def counted_code(base: str, one_code: str, count: int) -> Counted:
    """Return a code with what it says, how many records hold it, and where they are listed."""
    return Counted(f"{base}: {base_meaning(base, one_code)}", count, address("/codes", code=base))


def base_meaning(base: str, one_code: str) -> str:
    """Return what a code says without its failure type or failure mode; `one_code` is any code on that base.

    >>> base_meaning("SPN 639", "SPN 639 FMI 9")
    'J1939 network 1'
    """
    code = parse_code(one_code)
    if code.spn is not None:
        return code.bus or ("the maker's own parameter" if code.maker_defined else "parameter not named here")
    return parse_code(base).meaning if code.base == base else code.meaning
