"""A shop sends its bundle to a hub: taken in whole, once, under the shop's own name; and goes on after a cut."""

from __future__ import annotations

import hashlib
import random
import socket
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from casebase.errors import ExchangeError
from casebase.exchange import client as client_module
from casebase.exchange import service
from casebase.exchange.service import Settings
from casebase.library.engine import HubAddress
from casebase.library.shop_tokens import tokens_in
from casebase.library.sources import sources_in
from casebase.library.store import Library
from tests.exchange.running import Shop, breaking_line, client, in_a_thread, let_in, nobody
from tests.library.hub_server import HubServer, needs_postgresql
from tests.publish.exchanged_bundles import sent

pytestmark = pytest.mark.slow

MakeShop = Callable[..., Shop]


def test_a_bundle_is_taken_in_as_by_import(
    hub_place: Path | HubAddress, make_shop: MakeShop, tmp_path: Path
) -> None:
    """Under the shop's name; a second time the hub has it already, and a single request tells that."""
    north = make_shop("Workshop North", cases=3)
    let_in(hub_place, north)
    with in_a_thread(Settings(hub_place, tmp_path / "inbox")) as url, client(url, north) as there:
        first = there.send(north.bundle, nobody)
        again = there.send(north.bundle, nobody)
    with Library.open(hub_place) as hub, Library.open(north.place) as own:
        assert (first.cases["new"], first.already) == (3, False)
        assert (again.cases, again.already) == (first.cases, True)
        assert [(one.name, one.cases) for one in sources_in(hub)] == [("Workshop North", 3)]
        assert {one.case_id for one in hub.records()} == {one.case_id for one in own.records()}
        assert hub.faults() == []
    assert not list((tmp_path / "inbox").glob("*/*"))


def test_two_shops_write_under_their_own_names(served: str, file_hub: Path, make_shop: MakeShop) -> None:
    """What each told is its own."""
    shops = [make_shop("Workshop North"), make_shop("Workshop South", cases=3)]
    let_in(file_hub, *shops)
    for shop in shops:
        with client(served, shop) as there:
            there.send(shop.bundle, nobody)
    with Library.open(file_hub) as hub:
        found = {one.name: one.cases for one in sources_in(hub)}
    assert found == {"Workshop North": 2, "Workshop South": 3}


def test_a_second_bundle_revises(served: str, file_hub: Path, north: Shop, make_case) -> None:
    """A shop sends all that is agreed each time; what the hub has already stays as it is."""
    with client(served, north) as there:
        there.send(north.bundle, nobody)
        with Library.open(north.place) as own:
            kept = own.records()[0]
            changed = kept.case.model_copy(
                update={"id": kept.case_id, "revision": kept.revision, "symptoms": ["the lamp stays on"]}
            )
            own.log([changed, make_case(symptoms=["a job of today"])])
            bundle = sent(own, north.bundle.with_name("second.zip"), north.name)
        told = there.send(bundle, nobody)
    assert {what: count for what, count in told.cases.items() if count} == {
        "new": 1,
        "revised": 1,
        "already there": 1,
    }


CUTS = random.Random(20).sample(range(1, 40_000), 12)


@pytest.mark.parametrize("seed", range(6))
def test_a_line_that_breaks_anywhere_costs_nothing(
    served: str, file_hub: Path, north: Shop, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Cut after any byte on the way there or back: the same command goes on by itself, and all is there once."""
    monkeypatch.setattr(client_module, "PART_BYTES", 1500)
    chance = random.Random(seed)
    with breaking_line(served) as line, client(line.url, north, pauses=(0.01,) * 13) as there:
        line.cuts_after = [chance.randrange(1, 6000) for _ in range(12)]
        line.cuts_answers_after = [chance.choice([None, chance.randrange(1, 900)]) for _ in range(12)]
        done = there.send(north.bundle, nobody)
        assert line.uses > 2
    assert sum(done.cases.values()) == 2
    with Library.open(file_hub) as hub:
        assert len(hub.records()) == 2


def test_whoever_gives_up_goes_on_later_from_what_arrived(
    served: str, north: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing that arrived is sent again."""
    monkeypatch.setattr(client_module, "PART_BYTES", 1000)
    sent_from: list[int] = []
    with breaking_line(served) as line:
        line.cuts_after = [5000] + [10] * 20
        with client(line.url, north) as there, pytest.raises(ExchangeError, match="goes on from it later"):
            there.send(north.bundle, nobody)
    with client(served, north) as there:
        there.send(north.bundle, lambda at, _whole: sent_from.append(at))
    assert sent_from[0] >= 3000


@pytest.mark.parametrize("cut", [200_000, 333_333])
def test_a_part_cut_in_its_middle_is_kept(served: str, north: Shop, tmp_path: Path, cut: int) -> None:
    """What came of it lies in the inbox, but for what was in nobody's hand yet; the next try begins behind it."""
    sent_from: list[int] = []
    (tmp_path / "some.zip").write_bytes(random.Random(20).randbytes(500_000))
    with breaking_line(served) as line:
        line.cuts_after, line.is_abrupt = [cut] + [5] * 20, False
        with client(line.url, north) as there, pytest.raises(ExchangeError, match="goes on from it later"):
            there.send(tmp_path / "some.zip", nobody)
    with client(served, north) as there, pytest.raises(ExchangeError, match="no zip file"):
        there.send(tmp_path / "some.zip", lambda at, _whole: sent_from.append(at))
    assert cut / 4 < sent_from[0] < cut


def test_a_dead_connection_keeps_nobody_waiting(served: str, file_hub: Path, north: Shop) -> None:
    """A line that died without a word looks open to the hub: who sends again takes over at once."""
    content = north.bundle.read_bytes()
    head = (
        f"PATCH /bundles/{hashlib.sha256(content).hexdigest()} HTTP/1.1\r\nHost: hub\r\n"
        f"Authorization: Bearer {north.token}\r\nUpload-Offset: 0\r\nUpload-Length: {len(content)}\r\n"
        f"Upload-Complete: ?1\r\nContent-Length: {len(content)}\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", int(served.rsplit(":", 1)[1]))) as dead:
        dead.sendall(head.encode() + content[:1000])
        time.sleep(0.2)
        begun = time.monotonic()
        with client(served, north) as there:
            assert not there.send(north.bundle, nobody).already
        assert time.monotonic() - begun < service.STALLED_SECONDS / 2
    with Library.open(file_hub) as hub:
        assert len(hub.records()) == 2


@needs_postgresql
def test_the_role_of_the_service_is_enough(
    hub_server: HubServer, make_shop: MakeShop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes in, hands out, and tells its health as the role that can do nothing else."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    owner, north = hub_server.new_hub(), make_shop("Workshop North", cases=3)
    let_in(owner, north)
    database = owner.text.split("@/")[1].split("?")[0]
    hub_server.execute(f"CREATE ROLE exchange_{database} LOGIN IN ROLE casebase_service")
    with Library.open(owner) as hub, Library.open(north.place) as own:
        hub.log([one.case for one in own.records()][:1])
        offer = sent(hub, tmp_path / "agreed.zip", "The Group")
    settings = Settings(hub_server.address(database, f"exchange_{database}"), tmp_path / "inbox", offer)
    with in_a_thread(settings) as url, client(url, north, (0.2,) * 60) as there:
        assert sum(there.send(north.bundle, nobody).cases.values()) == 3
        found = there.fetch(tmp_path / "fetched", None, nobody)
        assert found is not None
        assert httpx.get(f"{url}/health").json()["status"] == "ok"
    assert found[0].read_bytes() == offer.read_bytes()
    with Library.open(owner) as hub:
        assert hub.count() == 3
        assert hub.faults() == []
        assert tokens_in(hub)[0].used_at is not None
