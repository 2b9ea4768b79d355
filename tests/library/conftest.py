"""What the tests of the library share: a plain fault case to vary, an empty library, the invented demo cases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from casebase.library.engine import HubAddress
from casebase.library.store import Library
from casebase.record.case import Case
from tests.demo_records import demo_records
from tests.library.hub_server import HubServer, needs_postgresql, running_server

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


@pytest.fixture(scope="session")
def hub_server() -> Iterator[HubServer]:
    """A server for the whole run."""
    with running_server() as server:
        yield server


@pytest.fixture(scope="session")
def used_hub(hub_server: HubServer) -> HubAddress:
    """The address of the hub that is emptied after each test."""
    return hub_server.new_hub()


@pytest.fixture
def hub(
    hub_server: HubServer, used_hub: HubAddress, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[HubAddress]:
    """The address of an empty hub; what this machine keeps of it lies in the test's own folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    yield used_hub
    hub_server.empty_again(used_hub)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Let every test of a library run on both engines, but those that are of the file itself."""
    if "library" in metafunc.fixturenames:
        on_hub = pytest.param("hub", marks=[needs_postgresql, pytest.mark.slow])
        is_of_file = metafunc.definition.get_closest_marker("of_the_file")
        metafunc.parametrize("library", ["file"] if is_of_file else ["file", on_hub], indirect=True)


@pytest.fixture
def library(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Library]:
    """An empty library: in a file of its own, then on a hub."""
    if request.param == "hub":
        opened = Library.open(request.getfixturevalue("hub"))
    else:
        opened = Library.create(tmp_path / "shop.db")
    with opened as made:
        yield made


@pytest.fixture(scope="session")
def demo_cases() -> list[Case]:
    """Return a dozen of the invented cases that come with the project."""
    cases = [case for records in demo_records().values() for case in records]
    return cases[:12]


@pytest.fixture(scope="session")
def all_rows() -> Callable[[Library], dict[str, list[Any]]]:
    """Return a function that reads every row of every derived table of a library, the full-text index included."""
    tables = ("cases", "networks", "modules", "codes", "readings", "steps", "trials", "profiles")

    def rows(library: Library) -> dict[str, list[Any]]:
        db = library._db
        found = {table: sorted(map(repr, db.execute(f"SELECT * FROM {table}"))) for table in tables}
        if not library.path.exists():  # on a hub the full text is a table
            terms = db.execute("SELECT case_id, terms, words FROM case_words")
            return found | {"cases_fts": sorted(map(repr, terms))}
        db.execute("CREATE VIRTUAL TABLE IF NOT EXISTS temp.terms USING fts5vocab(main, cases_fts, instance)")
        terms = db.execute(
            "SELECT cases.id, term, col, offset FROM terms LEFT JOIN cases ON cases.rowid = doc"
        )
        return found | {"cases_fts": sorted(map(repr, terms))}

    return rows
