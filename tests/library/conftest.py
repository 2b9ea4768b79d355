"""What the tests of the library share: a plain fault case to vary, an empty library, the invented demo cases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from casebase.errors import CasebaseError
from casebase.library.store import Library
from casebase.record.case import Case
from casebase.record.loading import load_file, record_files

DEMO_FOLDER = Path(__file__).parents[2] / "demo_cases"


@pytest.fixture(scope="session")
def make_case() -> Callable[..., Case]:
    """Return a function that makes a fault case; what is given replaces or adds keys."""

    def make(**changes: Any) -> Case:
        plain = {
            "kind": "fault case",
            "vehicle": {"make": "Norrvik", "model": "Fjellet", "model_year": 2015, "platform": "K4"},
            "concern": "ABS lamp on, speedometer dead.",
            "networks": [{"name": "powertrain CAN", "medium": "high-speed CAN", "bit_rate": "500 kbit/s"}],
            "modules": [{"name": "ABS", "answers": "no"}, {"name": "ECM", "answers": "yes"}],
            "codes": [{"module": "ECM", "code": "U0121-87", "status": "confirmed"}],
            "readings": [
                {"quantity": "resistance", "line": "CAN high", "against": "CAN low", "value": "60.2 ohm"}
            ],
            "steps": [{"did": "Full scan.", "minutes": 15}],
            "trials": [{"did": "reseated", "what": ["ABS"], "outcome": "no change"}],
        }
        return Case.model_validate({**plain, **changes})

    return make


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    """An empty library in a file of its own."""
    with Library.create(tmp_path / "shop.db") as made:
        yield made


@pytest.fixture(scope="session")
def demo_cases() -> list[Case]:
    """Return a dozen of the invented cases that come with the project."""
    cases: list[Case] = []
    for path in record_files([DEMO_FOLDER]):
        try:
            cases += load_file(path)
        except CasebaseError:
            continue  # the demo's own tests say which file does not fit
        if len(cases) >= 12:
            break
    return cases


@pytest.fixture(scope="session")
def all_rows() -> Callable[[Library], dict[str, list[Any]]]:
    """Return a function that reads every row of every derived table of a library, the full-text index included."""
    tables = ("cases", "networks", "modules", "codes", "readings", "steps", "trials", "profiles")

    def rows(library: Library) -> dict[str, list[Any]]:
        db = library._db
        found = {table: sorted(map(repr, db.execute(f"SELECT * FROM {table}"))) for table in tables}
        db.execute("CREATE VIRTUAL TABLE IF NOT EXISTS temp.terms USING fts5vocab(main, cases_fts, instance)")
        terms = db.execute(
            "SELECT cases.id, term, col, offset FROM terms LEFT JOIN cases ON cases.rowid = doc"
        )
        return found | {"cases_fts": sorted(map(repr, terms))}

    return rows
