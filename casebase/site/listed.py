"""Long lists, a hundred rows at a time, and how many of what in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Final, Generic, TypeVar

from casebase.publish.edition import Edition
from casebase.site.asked_text import Asked
from casebase.site.case_rows import CaseRow, rows_of_ids
from casebase.site.counted import FAULT_CASES
from casebase.site.tallies import STATUS_ORDER

MOST_ROWS: Final = 100
"""Rows of one page: about 60 kB, and more than anybody reads beside a vehicle."""

KNOWN_GOOD: Final = "kind = 'known good'"

USEFUL_FIRST: Final = f"kind, {STATUS_ORDER}, ended DESC, id"
"""Proven repairs before guesses, guesses before open jobs; of these the newest first."""

_ONLY_FOR_THE_PAGE: Final = frozenset({"crumbs", "choices"})

Row = TypeVar("Row")


@dataclass(frozen=True)
class Listed(Generic[Row]):
    """Some rows of a list: how many there are in all, how many stand before, and where the others are."""

    total: int
    before: int
    rows: Sequence[Row]
    earlier: str | None
    later: str | None

    @property
    def last(self) -> int:
        """The number of the last row here, counted from 1."""
        return self.before + len(self.rows)


def part_of(rows: Sequence[Row], asked: Asked) -> Listed[Row]:
    """Return the rows that an address asks for, out of all."""
    before = start_within(len(rows), asked)
    return listed(len(rows), before, rows[before : before + MOST_ROWS], asked)


def listed(total: int, before: int, rows: Sequence[Row], asked: Asked) -> Listed[Row]:
    """Return the rows given with the addresses of those before and after them."""
    after = before + len(rows)
    earlier = asked.address_from(max(0, before - MOST_ROWS)) if before else None
    return Listed(total, before, rows, earlier, asked.address_from(after) if after < total else None)


def listed_cases(
    edition: Edition, asked: Asked, where: str, values: Sequence[Any] = (), order: str = USEFUL_FIRST
) -> Listed[CaseRow]:
    """Return the cases that a condition holds for; `where` and `order` are never from outside."""
    total = count_of(edition, where, values)
    before = start_within(total, asked)
    ids = edition.connection.execute(
        f"SELECT id FROM cases WHERE {where} ORDER BY {order} LIMIT ? OFFSET ?", (*values, MOST_ROWS, before)
    )
    return listed(total, before, rows_of_ids(edition, [case_id for (case_id,) in ids]), asked)


def start_within(total: int, asked: Asked) -> int:
    """Return the row to start from: one past the end shows the last rows instead of none."""
    return min(asked.start(), max(0, (total - 1) // MOST_ROWS * MOST_ROWS))


def count_of(edition: Edition, where: str, values: Sequence[Any] = ()) -> int:
    """Return how many records a condition holds for; `where` is never from outside."""
    return int(
        edition.connection.execute(f"SELECT count(*) FROM cases WHERE {where}", tuple(values)).fetchone()[0]
    )


def record_counts(edition: Edition, where: str, values: Sequence[Any] = ()) -> str:
    """Return how many records of each kind a condition holds for, in words: `7 cases and 1 known good record`."""
    faults = count_of(edition, f"({where}) AND {FAULT_CASES}", values)
    good = count_of(edition, f"({where}) AND {KNOWN_GOOD}", values)
    told = [so_many(faults, "case")] if faults or not good else []
    return " and ".join([*told, *([so_many(good, "known good record")] if good else [])])


def so_many(count: int, thing: str, things: str | None = None) -> str:
    """Return a count with its noun.

    >>> so_many(1, "case"), so_many(0, "case"), so_many(2, "body", "bodies")
    ('1 case', '0 cases', '2 bodies')
    """
    return f"{count} {thing if count == 1 else things or f'{thing}s'}"


def plain(value: Any) -> Any:
    """Return what a list page shows as plain data for JSON: addresses included, what only a page needs left out."""
    if isinstance(value, Mapping):
        return {key: plain(item) for key, item in value.items() if key not in _ONLY_FOR_THE_PAGE}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if is_dataclass(value):
        told = {field.name: plain(getattr(value, field.name)) for field in fields(value)}
        return {**told, "address": value.address} if hasattr(value, "address") else told
    return value
