"""When something is away in mid-send: the database restarted, the service killed. Nothing is lost or doubled."""

from __future__ import annotations

import random
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from casebase.errors import ExchangeError
from casebase.exchange.service import Settings
from casebase.library.engine import HubAddress
from casebase.library.store import Library
from casebase.record.case import Case
from tests.exchange.running import Shop, client, in_a_process, in_a_thread, let_in, nobody, shop_with
from tests.library.hub_server import HubServer, needs_postgresql, running_server

pytestmark = pytest.mark.slow

CASES = 40


@pytest.fixture(scope="module")
def own_server() -> Iterator[HubServer]:
    """A server that may be stopped."""
    with running_server() as server:
        yield server


def large_shop(make_case: Callable[..., Case], folder: Path) -> Shop:
    """Return a shop whose bundle takes some time to be taken in."""
    told = [make_case(symptoms=[f"job {number} of the north"]) for number in range(CASES)]
    return shop_with(told, folder, "Workshop North")


def assert_all_there(hub: Path | HubAddress) -> None:
    """Every case of the shop is there once, and the library is whole."""
    with Library.open(hub) as library:
        assert library.count() == CASES
        assert library.faults() == []
        with library.reading() as db:
            assert db.execute("SELECT count(*) FROM records").fetchone()[0] == CASES
            assert db.execute("SELECT count(*) FROM received_bundles").fetchone()[0] == 1


@needs_postgresql
def test_a_database_that_is_away_is_a_sentence_and_the_next_send_completes(
    own_server: HubServer, make_case: Callable[..., Case], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service itself stays up, and finds the database again."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    address, shop = own_server.new_hub(), large_shop(make_case, tmp_path)
    let_in(address, shop)
    with in_a_thread(Settings(address, tmp_path / "inbox")) as url:
        own_server.stop("immediate")
        with (
            client(url, shop) as there,
            pytest.raises(ExchangeError, match="the hub's library is away just now"),
        ):
            there.send(shop.bundle, nobody)
        own_server.start()
        with client(url, shop, (0.5,) * 40) as there:
            assert there.send(shop.bundle, nobody).cases["new"] == CASES
    assert_all_there(address)


@needs_postgresql
@pytest.mark.parametrize("seed", range(3))
def test_a_database_cut_off_in_mid_send_loses_and_doubles_nothing(
    own_server: HubServer,
    make_case: Callable[..., Case],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    seed: int,
) -> None:
    """As by a power cut, at any moment of receiving and taking in; the shop sends again until it is told."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    address, shop = own_server.new_hub(), large_shop(make_case, tmp_path)
    let_in(address, shop)
    done: list[int] = []

    def send_until_told() -> None:
        until = time.monotonic() + 120
        while not done and time.monotonic() < until:
            with suppress(ExchangeError), client(url, shop, (0.2,) * 3) as there:
                done.append(sum(there.send(shop.bundle, nobody).cases.values()))

    with in_a_thread(Settings(address, tmp_path / "inbox")) as url:
        sender = threading.Thread(target=send_until_told)
        sender.start()
        chance = random.Random(seed)
        for _ in range(3):
            time.sleep(chance.uniform(0.05, 0.6))
            own_server.stop("immediate")
            own_server.start()
        sender.join(150)
    assert done == [CASES]
    assert_all_there(address)


@pytest.mark.parametrize("seconds", [0.05, 0.3, 0.6, 1.0])
def test_a_service_killed_in_mid_import_has_taken_in_all_or_nothing(
    make_case: Callable[..., Case], tmp_path: Path, seconds: float
) -> None:
    """What arrived lies there; started again, the second send has it done and sends nothing of it again."""
    Library.create(tmp_path / "hub.db").close()
    shop = large_shop(make_case, tmp_path)
    let_in(tmp_path / "hub.db", shop)
    with in_a_process(str(tmp_path / "hub.db")) as first:
        sender = threading.Thread(target=lambda: _sent(first.url, shop))
        sender.start()
        time.sleep(seconds)
        first.running.send_signal(signal.SIGKILL)
        sender.join(60)
    with Library.open(tmp_path / "hub.db") as hub:
        assert hub.count() in (0, CASES)
    with in_a_process(str(tmp_path / "hub.db")) as second, client(second.url, shop) as there:
        assert sum(there.send(shop.bundle, nobody).cases.values()) == CASES
    assert_all_there(tmp_path / "hub.db")


def _sent(url: str, shop: Shop) -> None:
    with suppress(ExchangeError), client(url, shop) as there:
        there.send(shop.bundle, nobody)


def test_a_service_that_is_ended_finishes_what_it_takes_in(
    make_case: Callable[..., Case], tmp_path: Path
) -> None:
    """Ctrl+C, or a stop by the system, in the middle: the bundle is there."""
    Library.create(tmp_path / "hub.db").close()
    shop = large_shop(make_case, tmp_path)
    let_in(tmp_path / "hub.db", shop)
    with in_a_process(str(tmp_path / "hub.db")) as service:
        sender = threading.Thread(target=lambda: _sent(service.url, shop))
        sender.start()
        size, until = shop.bundle.stat().st_size, time.monotonic() + 30
        while time.monotonic() < until:
            if [path for path in tmp_path.glob("hub.db-inbox/*/*") if path.stat().st_size == size]:
                break
            time.sleep(0.01)
        time.sleep(0.1)
        service.running.send_signal(signal.SIGTERM)
        service.running.wait(60)
        sender.join(60)
    with Library.open(tmp_path / "hub.db") as hub:
        assert hub.count() == CASES
        assert hub.faults() == []
