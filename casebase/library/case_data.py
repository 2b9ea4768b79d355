"""A case as plain data: what `show --json` prints and the site serves."""

from __future__ import annotations

from typing import Any

from casebase.library.derived import Kept
from casebase.record.canonical import plain_data
from casebase.record.cautions import cautions_of
from casebase.record.remarks import remarks_on
from casebase.record.status import status_of
from casebase.record.words import title_of


def case_data(kept: Kept) -> dict[str, Any]:
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
