"""Cases in a list: one sentence each, with what a reader chooses by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup

from casebase.publish.edition import Edition
from casebase.record.vocabulary import Status

COLUMNS: Final = "id, kind, status, title, make, model, model_year, platform, cause, leftover, ended"

STATUS_SHAPES: Final = {
    str(Status.FIXED_VERIFIED): "■",
    str(Status.FIXED_NOT_PROVEN): "◧",
    str(Status.NOT_FIXED): "□",
    str(Status.OPEN): "…",
}
"""A full, half or empty square beside the words: how far the job came."""


@dataclass(frozen=True)
class CaseRow:
    """A case as a list shows it."""

    case_id: str
    title: str
    vehicle: str
    status: str
    shape: str
    ended: str
    cause: str | None
    leftover: str | None

    @property
    def address(self) -> str:
        """Where the whole case is."""
        return f"/case/{self.case_id}"


def case_rows(
    edition: Edition,
    where: str = "1",
    values: Sequence[Any] = (),
    order: str = "ended DESC, id",
    most: int = 100,
) -> list[CaseRow]:
    """Return the cases that a condition on the table `cases` holds for; `where` and `order` are never from outside."""
    rows = edition.connection.execute(
        f"SELECT {COLUMNS} FROM cases WHERE {where} ORDER BY {order} LIMIT ?", (*values, most)
    )
    return [_row(*row) for row in rows]


def rows_of_ids(edition: Edition, ids: Sequence[str]) -> list[CaseRow]:
    """Return the cases with these IDs, in this order."""
    marks = ", ".join("?" * len(ids))
    found = {row.case_id: row for row in case_rows(edition, f"id IN ({marks})", ids, most=len(ids))}
    return [found[case_id] for case_id in ids if case_id in found]


def status_shape(status: str | None) -> str:
    """Return the shape that goes with a status; a known good record has a ring."""
    return STATUS_SHAPES.get(status or "", "○")


def linked_id(case_id: str) -> Markup:
    """Return the ID of a case as a link to its page."""
    return Markup('<a href="/case/{0}">{0}</a>').format(case_id)


def _row(*row: Any) -> CaseRow:
    case_id, kind, status, title, make, model, year, platform, cause, leftover, ended = row
    named = " ".join(str(part) for part in (make, model, year) if part)
    vehicle = f"{named}, platform {platform}" if platform else named
    return CaseRow(
        case_id, title, vehicle, status or kind, status_shape(status), ended or "", cause, leftover
    )
