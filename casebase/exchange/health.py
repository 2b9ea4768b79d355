"""What a monitor asks of a hub: whether its library answers, how much is there, what is waited for."""

from __future__ import annotations

import time
from typing import Any

from casebase import __version__
from casebase.library.matching import index_folder
from casebase.library.news_search import records_not_indexed
from casebase.library.store import Library
from casebase.match.index.files import read_index

_COUNTED = "SELECT (SELECT count(*) FROM cases), count(*), max(logged_at) FROM records"


class Watched:
    """What is seen of a library from one look to the next."""

    def __init__(self) -> None:
        self._seen: dict[str, float] = {}

    def health_of(self, library: Library) -> dict[str, Any]:
        """Return counts, the oldest write in flight, the lag of this machine's index, and the schema.

        `oldest_write_seconds` is the age that the engine tells; where this role may not see it, the time since the
        write was seen here first. `index_records_behind` is None where this machine has no index.
        """
        with library.reading() as db:
            cases, records, last = db.execute(_COUNTED).fetchone()
            in_flight = db.in_flight()
            step = db.schema_step()
        has_index = read_index(index_folder(library.path)) is not None
        return {
            "casebase": __version__,
            "schema_step": step,
            "cases": cases,
            "records": records,
            "last_record_at": last,
            "writes_in_flight": len(in_flight),
            "oldest_write_seconds": self._oldest(in_flight),
            "index_records_behind": records_not_indexed(library) if has_index else None,
        }

    def _oldest(self, in_flight: dict[str, float | None]) -> float | None:
        now = time.monotonic()
        self._seen = {name: self._seen.get(name, now) for name in in_flight}
        ages = [now - self._seen[name] if age is None else age for name, age in in_flight.items()]
        return round(max(ages), 1) if ages else None
