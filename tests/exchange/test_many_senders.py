"""Sixty-four shops that send at once, from eight processes, to one service over PostgreSQL."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from casebase.library.sources import sources_in
from casebase.library.store import Library
from casebase.record.case import Case
from tests.exchange.running import in_a_process, let_in, shop_with
from tests.library.hub_server import HubServer, needs_postgresql

pytestmark = [needs_postgresql, pytest.mark.slow]

SENDER = """
import json, sys, threading
from pathlib import Path
from casebase.exchange.client import HubClient

def send(url, token, bundle):
    with HubClient(url, token) as hub:
        first = hub.send(Path(bundle), lambda done, whole: None)
        again = hub.send(Path(bundle), lambda done, whole: None)
        sys.stdout.write(json.dumps([first.cases, again.already]) + chr(10))

threads = [threading.Thread(target=send, args=one) for one in json.load(sys.stdin)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
"""


def test_sixty_four_shops_at_once_lose_and_double_nothing(
    hub_server: HubServer, make_case: Callable[..., Case], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is told what became of its two cases, and that the hub has them when it sends again."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    address = hub_server.new_hub()
    shops = [
        shop_with(
            [make_case(symptoms=[f"job {job} of shop {number}"]) for job in range(2)],
            tmp_path,
            f"Shop {number:02}",
        )
        for number in range(64)
    ]
    let_in(address, *shops)
    with in_a_process(address.text) as hub:
        senders = [
            subprocess.Popen(
                [sys.executable, "-c", SENDER],
                env=os.environ,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
            for _ in range(8)
        ]
        for place, sender in enumerate(senders):
            assert sender.stdin is not None
            json.dump([(hub.url, shop.token, str(shop.bundle)) for shop in shops[place::8]], sender.stdin)
            sender.stdin.close()
        told = [json.loads(line) for sender in senders for line in sender.stdout or ()]
        assert [sender.wait(300) for sender in senders] == [0] * 8
    assert len(told) == 64
    assert all(cases["new"] == 2 and already for cases, already in told)
    with Library.open(address) as library:
        assert {one.name: one.cases for one in sources_in(library)} == {shop.name: 2 for shop in shops}
        assert library.count() == 128
        assert library.faults() == []
        with library.reading() as db:
            assert db.execute("SELECT count(*) FROM records").fetchone()[0] == 128
