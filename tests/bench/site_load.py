"""The site under load: twenty readers at once on ten thousand cases, beside Datasette's own row page in the same run.

python tests/bench/site_load.py [--seconds 30] [--readers 20] [--records 10000]

The records are the invented demo cases with changed values (`multiplied_cases.py`); the frozen file is kept in the
folder for temporary files. The server is a process of its own on loopback. Every page is asked by one reader first
(its own time), then by all of them. Jobs are asked twice over: as links that were asked before, and each as a new job.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import os
import random
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "site"))

import httpx
from job_as_link import query_of
from multiplied_cases import DEMO_FOLDER, multiplied
from warm_clock import markdown

from casebase import places
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.match.index.match_index import INDEX_VERSION
from casebase.match.text.embedder import open_embedder
from casebase.publish.edition import Edition, open_frozen
from casebase.publish.frozen import freeze
from casebase.record.case import Case
from casebase.record.loading import load_file

SERVE: Final = """
import sys
from pathlib import Path
from casebase.site.serving import address_taken, server_over
host, port = "127.0.0.1", int(sys.argv[2])
server_over(Path(sys.argv[1]), host, port).run(sockets=[address_taken(host, port)])
"""
ALONE: Final = 40
JOB_TARGET: Final = 4.0

Address = Callable[[], str]


def frozen_file(records: int) -> Path:
    """Return a frozen file of so many records, made once."""
    path = Path(tempfile.gettempdir()) / f"site-load-{records}-{INDEX_VERSION}" / "cases.db"
    if not path.exists():
        path.parent.mkdir(exist_ok=True)
        kept = (
            StoredRecord(f"{place:08}", 1, "2026-11-25T09:00:00+00:00", Case.model_validate(data))
            for place, data in enumerate(multiplied(records))
        )
        means = Means(places.simulation_folder(), open_embedder(places.text_model_folder()))
        freeze(kept, path, {"frozen on": "2026-11-25", "cases from": "multiplied invented cases"}, means)
    return path


def addresses(path: Path) -> dict[str, Address]:
    """Return what gives the next address of every kind of page."""
    with closing(open_frozen(path)) as connection:
        ids = [row[0] for row in connection.execute("SELECT id FROM cases ORDER BY id")]
        assert Edition(connection).count() == len(ids)
    chosen = random.Random(11898)
    jobs = [load_file(file)[0] for file in sorted((DEMO_FOLDER / "jobs").glob("*.yaml"))]
    links = itertools.cycle([f"/job?{urlencode(query_of(job))}" for job in jobs])
    new_jobs = _new_jobs(jobs, chosen)
    return {
        "start": lambda: "/",
        "case": lambda: f"/case/{chosen.choice(ids)}",
        "Datasette's own row page": lambda: f"/cases/cases/{chosen.choice(ids)}",
        "stuck job, link asked before": lambda: next(links),
        "stuck job, each a new one": lambda: next(new_jobs),
    }


def _new_jobs(jobs: list[Case], chosen: random.Random) -> Iterator[str]:
    """Yield links of jobs that were never asked: another odometer of words each time."""
    for number in itertools.count():
        job = chosen.choice(jobs)
        story = f"{job.concern} Noted at {number + 1000} km."
        yield f"/job?{urlencode(query_of(job.model_copy(update={'concern': story})))}"


@contextmanager
def served(path: Path) -> Iterator[tuple[str, int]]:
    """Yield the address of a site over `path` and the process that serves it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen([sys.executable, "-c", SERVE, str(path), str(port)])
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(300):
            try:
                httpx.get(f"{address}/robots.txt", timeout=2)
                break
            except httpx.TransportError:
                time.sleep(0.1)
        yield address, server.pid
    finally:
        server.terminate()
        server.wait()


async def alone(base: str, next_address: Address) -> list[float]:
    """Return the seconds of pages asked one after the other."""
    async with httpx.AsyncClient(base_url=base, timeout=60) as client:
        await _asked(client, next_address())
        return [await _asked(client, next_address()) for _ in range(ALONE)]


async def together(base: str, next_address: Address, readers: int, seconds: float) -> list[float]:
    """Return the seconds of every page asked by so many readers at once."""
    until, found = time.perf_counter() + seconds, list[float]()
    limits = httpx.Limits(max_connections=readers, max_keepalive_connections=readers)
    async with httpx.AsyncClient(base_url=base, timeout=60, limits=limits) as client:

        async def reader() -> None:
            while time.perf_counter() < until:
                found.append(await _asked(client, next_address()))

        await asyncio.gather(*(reader() for _ in range(readers)))
    return found


async def _asked(client: httpx.AsyncClient, address: str) -> float:
    begun = time.perf_counter()
    answer = await client.get(address)
    if answer.status_code != 200:
        raise SystemExit(f"{address}: {answer.status_code}")
    return time.perf_counter() - begun


def memory_megabytes(process: int) -> float:
    """Return the resident memory of a process (Linux: proc(5), statm)."""
    pages = int(Path(f"/proc/{process}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main(seconds: float, readers: int, records: int) -> None:
    """Print the table."""
    path = frozen_file(records)
    rows = []
    with served(path) as (base, process):
        for name, next_address in addresses(path).items():
            one = asyncio.run(alone(base, next_address))
            many = asyncio.run(together(base, next_address, readers, seconds))
            rows.append(
                [
                    name,
                    *map(_milliseconds, _figures(one)),
                    *map(_milliseconds, _figures(many)),
                    f"{len(many) / seconds:.0f}",
                    f"{_figures(many)[1] / statistics.median(one):.1f}",
                ]
            )
        memory = memory_megabytes(process)
    head = (
        "page",
        "alone: median ms",
        "95th",
        f"{readers} at once: median ms",
        "95th",
        "pages/s",
        "95th at once / median alone",
    )
    print(f"## {records:,} cases, {readers} readers, {seconds:g} s each, {os.cpu_count()} processors\n")
    print(markdown(head, rows))
    print(f"\nMemory of the server afterwards: {memory:.0f} MB.")


def _figures(seconds: list[float]) -> tuple[float, float]:
    return statistics.median(seconds), statistics.quantiles(seconds, n=20)[-1]


def _milliseconds(seconds: float) -> str:
    return f"{1000 * seconds:.1f}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--readers", type=int, default=20)
    parser.add_argument("--records", type=int, default=10_000)
    asked = parser.parse_args()
    main(asked.seconds, asked.readers, asked.records)
