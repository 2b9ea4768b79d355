"""How many bundles a hub's service takes in a second: shops that send at once, each its own bundle, and then again.

python tests/bench/hub_bundles.py [SHOPS [CASES]]

A PostgreSQL of its own is started on a socket in a temporary folder, with every commit on the disk, and `casebase hub`
in a process of its own over it. SHOPS (64) with CASES (10) each send at once by 16 threads; then all send once more
what the hub has. Printed: bundles and records a second, and what the service took of a processor. Exits with 1 when a
shop's cases are not there once each.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
from multiplied_cases import multiplied

from casebase.exchange.client import HubClient, Received
from casebase.library.sources import sources_in
from casebase.library.store import Library
from casebase.record.loading import case_from_data
from tests.exchange.running import Shop, in_a_process, let_in, nobody, shop_with
from tests.library.hub_server import running_server

AT_ONCE = 16


def main(shops: int, cases: int) -> int:
    """Print the figures; return the exit code."""
    with tempfile.TemporaryDirectory() as folder, running_server("-c fsync=on") as server:
        os.environ["XDG_DATA_HOME"] = folder
        address = server.new_hub()
        told = (case_from_data(data, "a bench") for data in multiplied(shops * cases))
        all_shops = [
            shop_with(list(islice(told, cases)), Path(folder), f"Shop {number:04}") for number in range(shops)
        ]
        let_in(address, *all_shops)
        with in_a_process(address.text) as hub:
            for what in ("new", "sent again"):
                begun, before = time.perf_counter(), _processor_seconds(hub.running.pid)
                with ThreadPoolExecutor(AT_ONCE) as many:
                    received = list(many.map(lambda shop: _send(hub.url, shop), all_shops))
                seconds, processor = time.perf_counter() - begun, _processor_seconds(hub.running.pid) - before
                assert all(one.already is (what == "sent again") for one in received)
                print(
                    f"{shops} bundles of {cases}, {what}: {seconds:.1f} s, {shops / seconds:.1f} bundles/s,"
                    f" {shops * cases / seconds:.0f} records/s; the service took {processor:.1f} s of a processor,"
                    f" {processor / shops * 1000:.0f} ms a bundle",
                    flush=True,
                )
        print(
            f"most memory of the service: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB"
        )
        with Library.open(address) as library:
            counts = {one.name: one.cases for one in sources_in(library)}
            wrong = [name for name in (shop.name for shop in all_shops) if counts.get(name) != cases]
            wrong += library.faults()
    print("\n".join(wrong) or "nothing lost, nothing doubled")
    return 1 if wrong else 0


def _send(url: str, shop: Shop) -> Received:
    with HubClient(url, shop.token) as hub:
        return hub.send(shop.bundle, nobody)


def _processor_seconds(pid: int) -> float:
    """Return what a process took of a processor, as Linux tells it: proc(5), fields 14 and 15."""
    told = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:3]]
    sys.exit(main(*given, *(64, 10)[len(given) :]))
