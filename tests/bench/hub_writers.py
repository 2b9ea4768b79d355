"""Many who write to a hub at once, killed and cut off on the way; what was confirmed must be there, once.

Run by hand: `python tests/bench/hub_writers.py [RECORDS] [KILLS] [RESTARTS]`. A PostgreSQL of its own is started on a
socket in a temporary folder, with every commit on the disk. First records are logged one by one by 1, 8 and 64 writers
in up to 8 processes, each with a library of its own: RECORDS by the 64, at most a thousand by the others, for the rate
alone; then an answering machine asks again and again while one writer logs, for the lag from commit to answer; then
writers are killed (SIGKILL) KILLS times, and the server is stopped as by a power cut (mode immediate) and started again
RESTARTS times, while they log. Exits with 1 when a confirmed record is missing, one stands there twice, or the library
is not whole. With 0 records only the last part is run.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Final

sys.path.insert(0, str(Path(__file__).parents[2]))
from multiplied_cases import multiplied

from casebase.errors import LibraryError
from casebase.library.engine import HubAddress
from casebase.library.store import Library
from casebase.record.loading import case_from_data
from tests.library.hub_server import HubServer, running_server

PROCESSES: Final = 8
MOST_WRITERS: Final = 64
FOR_A_RATE: Final = 1000


def main(records: int, kills: int, restarts: int) -> int:
    """Print the figures; return the exit code."""
    wrong: list[str] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        running_server("-c fsync=on -c max_connections=200") as server,
    ):
        os.environ["XDG_DATA_HOME"] = folder
        for writers in (1, 8, 64) if records else ():
            address, count = (
                server.new_hub(),
                records if writers == MOST_WRITERS else min(records, FOR_A_RATE),
            )
            seconds, confirmed = _many(address, writers, count)
            wrong += _missing(address, confirmed, f"{writers} writers", count)
            print(
                f"{writers} writers: {count} records in {seconds:.1f} s, {count / seconds:.0f} records/s,"
                f" {len(confirmed)} confirmed",
                flush=True,
            )
        if records:
            _lag(server.new_hub())
        wrong += _cut_off(server, kills, restarts)
    print("\n".join(wrong) or "nothing lost, nothing doubled")
    return 1 if wrong else 0


def _started(address: HubAddress, first: int, count: int, threads: int) -> subprocess.Popen[str]:
    command = [sys.executable, __file__, "write", address.text, str(first), str(count), str(threads)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True)


def write(address: str, first: int, count: int, threads: int) -> None:
    """Log records one by one and print each ID once it is confirmed; one that is refused meanwhile is tried again."""
    told = (data | {"note": f"Writer {first}."} for data in multiplied(count))
    cases = [case_from_data(data, "a bench") for data in told]
    opened = [Library.open(HubAddress(address)) for _ in range(threads)]
    print("ready", flush=True)
    sys.stdin.readline()

    def log(mine: int) -> None:
        for case in cases[mine::threads]:
            while True:
                try:
                    case_id = opened[mine].log([case])[0].case_id
                    os.write(sys.stdout.fileno(), f"{case_id}\n".encode())  # whole, whoever else writes
                    break
                except LibraryError:
                    time.sleep(0.1)

    with ThreadPoolExecutor(threads) as many:
        list(many.map(log, range(threads)))


def _many(address: HubAddress, writers: int, records: int) -> tuple[float, list[str]]:
    processes, each = min(PROCESSES, writers), records // min(PROCESSES, writers)
    running = [_started(address, number * each, each, writers // processes) for number in range(processes)]
    for process in running:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    begun = time.perf_counter()
    for process in running:
        assert process.stdin is not None
        print(file=process.stdin, flush=True)
    with ThreadPoolExecutor(processes) as readers:
        told = list(readers.map(lambda process: process.communicate()[0].split(), running))
    return time.perf_counter() - begun, [case_id for some in told for case_id in some]


def _missing(address: HubAddress, confirmed: list[str], what: str, expected: int | None = None) -> list[str]:
    """Return what is wrong: confirmed ones that are not there, any that stand there twice, anything not whole."""
    with Library.open(address) as library, library.reading() as db:
        there = Counter(case_id for (case_id,) in db.execute("SELECT case_id FROM records"))
        doubled = db.execute("SELECT count(*) - count(DISTINCT sha256) FROM records").fetchone()[0]
        lost, twice = set(confirmed) - set(there), len(confirmed) - len(set(confirmed))
        found = [f"{what}: {len(lost)} confirmed and not there"] * bool(lost)
        found += [f"{what}: {twice} confirmed twice"] * bool(twice and expected is not None)
        found += [f"{what}: {doubled} stand there twice"] * bool(doubled)
        if expected is not None and not len(there) == len(confirmed) == expected:
            found.append(f"{what}: {len(there)} there, {len(confirmed)} confirmed, {expected} expected")
        return found + [f"{what}: {fault}" for fault in library.faults()]


def _lag(address: HubAddress) -> None:
    """Print how long after a commit another machine's index holds the case; readings and codes are compared."""
    cases = [case_from_data(data, "a bench") for data in islice(multiplied(220), 220)]
    with Library.open(address) as writer, Library.open(address) as answering:
        writer.log(cases[:200])
        answering.collection()
        lags = []
        for case in cases[200:]:
            case_id = writer.log([case])[0].case_id
            begun = time.perf_counter()
            while not answering.collection().rows_of_case(case_id):
                time.sleep(0.005)
            lags.append(time.perf_counter() - begun)
    print(
        f"lag from commit to answer: median {median(lags):.2f} s, most {max(lags):.2f} s of {len(lags)}",
        flush=True,
    )


def _cut_off(server: HubServer, kills: int, restarts: int) -> list[str]:
    chance, address, confirmed, first = random.Random(20), server.new_hub(), list[str](), 0
    for number in range(max(kills // PROCESSES, restarts)):
        running = [_started(address, first + at * 100, 100, 1) for at in range(PROCESSES)]
        first += PROCESSES * 100
        for process in running:
            assert process.stdout is not None
            process.stdout.readline()
            assert process.stdin is not None
            print(file=process.stdin, flush=True)
        time.sleep(chance.uniform(0.2, 1.5))
        if number < restarts:
            server.stop("immediate")
            server.start()
            time.sleep(chance.uniform(0.2, 1.0))
        for process in running:
            process.kill()
            confirmed += process.communicate()[0].rsplit("\n", 1)[0].split()
    killed = max(kills // PROCESSES, restarts) * PROCESSES
    print(f"{killed} writers killed, {restarts} restarts: {len(confirmed)} confirmed", flush=True)
    return _missing(address, confirmed, "killed and cut off")


if __name__ == "__main__":
    if sys.argv[1:2] == ["write"]:
        write(sys.argv[2], *map(int, sys.argv[3:6]))
    else:
        given = [int(text) for text in sys.argv[1:4]]
        sys.exit(main(*given, *(20000, 200, 20)[len(given) :]))
