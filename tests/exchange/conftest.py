"""What the tests of a hub's service share: two shops, a hub in a file or on PostgreSQL, the service over it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from casebase.exchange.service import Settings
from casebase.library.engine import HubAddress
from casebase.library.store import Library
from casebase.record.case import Case
from tests.exchange.running import Shop, in_a_thread, let_in, shop_with
from tests.library.conftest import hub_server  # noqa: F401  a fixture
from tests.library.hub_server import HubServer, needs_postgresql

MakeCase = Callable[..., Case]


@pytest.fixture
def make_shop(make_case: MakeCase, tmp_path: Path) -> Callable[..., Shop]:
    """Return a maker of shops, each with its own cases and its bundle."""

    def make(name: str, cases: int = 2) -> Shop:
        told = [make_case(symptoms=[f"{name}, job {number}"]) for number in range(cases)]
        return shop_with(told, tmp_path, name)

    return make


@pytest.fixture(params=["file", pytest.param("postgresql", marks=[needs_postgresql, pytest.mark.slow])])
def hub_place(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Path | HubAddress:
    """An empty library for a hub: in a file, then on PostgreSQL."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    if request.param == "file":
        Library.create(tmp_path / "hub.db").close()
        return tmp_path / "hub.db"
    server: HubServer = request.getfixturevalue("hub_server")
    return server.new_hub()


@pytest.fixture
def file_hub(tmp_path: Path) -> Path:
    """An empty library for a hub, in a file."""
    Library.create(tmp_path / "hub.db").close()
    return tmp_path / "hub.db"


@pytest.fixture
def north(make_shop: Callable[..., Shop], file_hub: Path) -> Shop:
    """A shop that may send to the hub in a file."""
    shop = make_shop("Workshop North")
    let_in(file_hub, shop)
    return shop


@pytest.fixture
def served(file_hub: Path, tmp_path: Path) -> Iterator[str]:
    """The address of the service over the hub in a file."""
    with in_a_thread(Settings(file_hub, tmp_path / "inbox", most_bytes=20_000_000)) as url:
        yield url
