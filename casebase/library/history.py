"""What happened to a record, in order: every revision with what it changed, and every word of the shop lead."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from pydantic import ValidationError

from casebase.library.authorship import Made
from casebase.library.reviews import said_of
from casebase.library.store import Library
from casebase.record.case import Case
from casebase.record.edits import Difference, differences
from casebase.record.json_form import stored_case


@dataclass(frozen=True)
class Event:
    """One thing that happened: when (UTC, ISO 8601), to which revision, what, by whom, and what it changed."""

    at: str
    revision: int
    what: str
    by: str | None
    remark: str | None
    differences: list[Difference]

    def words(self) -> str:
        """Return it in one line, without what it changed."""
        who = "from" if self.what == Made.TAKEN_IN else "by"
        by, why = f" {who} {self.by}" if self.by else "", f": {self.remark}" if self.remark else ""
        return f"{self.at[:16]}  revision {self.revision} {self.what}{by}{why}"

    def data(self) -> dict[str, Any]:
        """Return it as plain data."""
        return asdict(self)


def history(library: Library, prefix: str) -> list[Event]:
    """Return what happened to a case, the first first."""
    rows = library.revisions(prefix)
    words = said_of(library, library.resolve(prefix))
    found = list[Event]()
    before: Case | None = None
    for row in rows:
        case = _case(row["json"])
        changed = differences(before, case) if before and case else list[Difference]()
        back = f" to revision {row['text_of']}" if row["text_of"] else ""
        told = row["logged_at"], row["revision"], f"{row['made']}{back}", row["by"], row["remark"]
        found.append(Event(*told, changed))
        found += [_word(word) for word in words if word["revision"] == row["revision"]]
        before = case
    return found


def _word(row: dict[str, Any]) -> Event:
    into = f" into {row['other']}" if row["other"] else ""
    return Event(row["at"], row["revision"], f"{row['said']}{into}", row["by"], row["remark"], [])


def _case(record: dict[str, Any]) -> Case | None:
    try:
        return stored_case(json.dumps(record))
    except ValidationError:
        return None
