"""What a monitor reads of a hub: counts, what is in flight, the lag of this machine's index; no word of a case."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest

from casebase.exchange import service
from casebase.exchange.health import Watched
from casebase.exchange.service import Settings
from casebase.library.engine import HubAddress
from casebase.library.matching import Means
from casebase.library.store import Library
from casebase.record.case import Case
from tests.exchange.running import in_a_thread
from tests.library.hub_server import HubServer, needs_postgresql, running_server

pytestmark = pytest.mark.slow

MakeCase = Callable[..., Case]


def health(url: str) -> dict[str, Any]:
    """Return what a hub says of itself; it answers."""
    answer = httpx.get(f"{url}/health", timeout=30)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def test_counts_and_schema_are_told_and_no_words(
    hub_place: Path | HubAddress, make_case: MakeCase, tmp_path: Path
) -> None:
    """Whoever reads it learns how much there is, and nothing of whom."""
    with Library.open(hub_place) as hub:
        hub.log([make_case(symptoms=["told by Fru Lindqvist"]), make_case(symptoms=["another"])])
    with in_a_thread(Settings(hub_place, tmp_path / "inbox")) as url:
        told = health(url)
        text = httpx.get(f"{url}/health").text
    assert (told["status"], told["cases"], told["records"], told["bundles_waiting"]) == ("ok", 2, 2, 0)
    assert told["schema_step"].endswith(("0014_shop_tokens", "hub_0005_service"))
    assert told["inbox_free_bytes"] > 0
    assert told["last_record_at"][:4].isdigit()
    assert not any(word in text for word in ("Lindqvist", "Norrvik", "K4", str(tmp_path), "postgres"))


def test_the_lag_of_this_machines_index_is_told(
    hub_place: Path | HubAddress, make_case: MakeCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None where it has no index, then how many records that lacks."""
    monkeypatch.setattr(service, "_HEALTH_KEPT_SECONDS", 0.0)
    with in_a_thread(Settings(hub_place, tmp_path / "inbox")) as url, Library.open(hub_place) as hub:
        hub.log([make_case(symptoms=["one"])])
        assert health(url)["index_records_behind"] is None
        hub.collection(Means())
        assert health(url)["index_records_behind"] == 0
        hub.log([make_case(symptoms=["two"]), make_case(symptoms=["three"])])
        assert health(url)["index_records_behind"] == 2


@needs_postgresql
@pytest.mark.parametrize("sees_all", [True, False])
def test_a_write_that_does_not_end_is_told(
    hub_server: HubServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sees_all: bool
) -> None:
    """With its age, or where the role may not see that, with the time since it was seen first."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    owner = hub_server.new_hub()
    database = owner.text.split("@/")[1].split("?")[0]
    role = f"watcher_{database}"
    hub_server.execute(f"CREATE ROLE {role} LOGIN IN ROLE casebase_service")
    if sees_all:
        hub_server.execute(f"GRANT pg_read_all_stats TO {role}")
    ended = threading.Event()

    def write() -> None:
        with Library.open(owner) as library, library.changing():
            ended.wait(60)

    writer = threading.Thread(target=write)
    with Library.open(hub_server.address(database, role)) as seen:
        watched = Watched()
        writer.start()
        until = time.monotonic() + 30
        while not watched.health_of(seen)["writes_in_flight"] and time.monotonic() < until:
            time.sleep(0.05)
        time.sleep(1.0)
        told = watched.health_of(seen)
        ended.set()
        writer.join(60)
        after = watched.health_of(seen)
    assert told["writes_in_flight"] == 1
    assert told["oldest_write_seconds"] >= 1.0
    assert (after["writes_in_flight"], after["oldest_write_seconds"]) == (0, None)


@needs_postgresql
def test_a_library_that_is_away_is_told_by_503(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And 200 again as soon as it is back, without a restart of the service."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr(service, "_HEALTH_KEPT_SECONDS", 0.0)
    with running_server() as server:
        address = server.new_hub()
        with in_a_thread(Settings(address, tmp_path / "inbox")) as url:
            assert health(url)["status"] == "ok"
            server.stop("immediate")
            answer = httpx.get(f"{url}/health", timeout=30)
            assert (answer.status_code, answer.json()["status"]) == (503, "away")
            assert "postgres" not in answer.text
            server.start()
            until = time.monotonic() + 30
            while httpx.get(f"{url}/health", timeout=30).status_code != 200:
                assert time.monotonic() < until
                time.sleep(0.1)
            assert health(url)["status"] == "ok"


def test_a_file_that_is_no_library_is_told_by_503(tmp_path: Path) -> None:
    """The service itself goes on: it is asked again each time."""
    (tmp_path / "hub.db").write_bytes(b"no library" * 100)
    with in_a_thread(Settings(tmp_path / "hub.db", tmp_path / "inbox")) as url:
        assert httpx.get(f"{url}/health").status_code == 503
