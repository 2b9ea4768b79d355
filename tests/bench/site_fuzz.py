"""Hostile and damaged requests against the site: how many end in a 5xx answer or a traceback, and what memory is left.

python tests/bench/site_fuzz.py [--requests 5000] [--seed 1]

The demonstration is frozen and served by a process of its own; requests go over raw sockets, so that nothing on the way
mends them. Prints statuses by kind of request, what failed, and the memory of the server before and after.
"""

from __future__ import annotations

import argparse
import random
import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final
from urllib.parse import quote_plus, urlsplit

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "site"))

from job_as_link import query_of
from site_load import memory_megabytes, served
from warm_clock import markdown

from casebase import places
from casebase.demo import demo_folder, job_files
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.match.text.embedder import open_embedder
from casebase.publish.frozen import freeze
from casebase.record.loading import load_file, record_files
from casebase.record.vocabulary import Review

PATHS: Final = (
    "/",
    "/search",
    "/vehicles",
    "/codes",
    "/causes",
    "/modules",
    "/about",
    "/cases",
    "/cases/cases",
)
JSON_PATHS: Final = (
    "/job.json",
    "/codes.json",
    "/causes.json",
    "/vehicles.json",
    "/modules.json",
    "/search.json",
    "/case/case0001.json",
    "/cases/cases.json",
    "/cases.json",
)
NAMES: Final = (
    "q",
    "code",
    "fault",
    "make",
    "model",
    "platform",
    "module",
    "medium",
    "from",
    "wrong",
    "codes",
    "year",
    "r1.what",
    "r1.value",
    "r1.at",
    "r999.value",
    "lamps",
    "silent",
    "sql",
    "_where",
    "_sort",
    "_size",
    "_facet",
    "_next",
    "_shape",
    "id__exact",
    "_nocol",
)
NASTY: Final = (
    "", "'", '"', "\0", "\u202e\u2066", "\ud83d\ude97", "<script>alert(1)</script>", "{{7*7}}", "../../etc/passwd",
    "NOT", "(", "*", "U0100-87", "OL", "1e999", "-1", "9" * 400, "select * from sqlite_master",
    "attach ':memory:' as x",
    "1 or 1=1", "%00", "\r\nSet-Cookie: a=b", "ﷺ" * 50, "a" * 5000, "60.2 ohm", "high-speed CAN", "ohm-pair",
)  # fmt: skip
METHODS: Final = ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "HEAD", "FOO")

Made = tuple[str, str, bytes]
"""Method, target, body."""


class Hostile:
    """Makes requests from a seed."""

    def __init__(self, seed: int) -> None:
        self.chosen = random.Random(seed)
        self.jobs = [query_of(load_file(file)[0]) for file in job_files()]
        self.kinds: list[tuple[str, Callable[[], Made]]] = [
            ("pages, odd parameters", lambda: ("GET", f"{self.chosen.choice(PATHS)}?{self.query()}", b"")),
            (
                "JSON, odd parameters",
                lambda: ("GET", f"{self.chosen.choice(JSON_PATHS)}?{self.query()}", b""),
            ),
            ("stuck jobs, damaged", lambda: ("GET", f"/job?{self.damaged_job()}", b"")),
            ("stuck jobs as data or file, damaged", self.other_job),
            ("odd paths", lambda: ("GET", self.path(), b"")),
            ("other methods", self.written),
            (
                "bytes that are no text",
                lambda: ("GET", f"{self.chosen.choice(PATHS)}?q={self.raw_bytes()}", b""),
            ),
            ("very long", self.long),
        ]

    def text(self) -> str:
        """Return a nasty text, or random characters."""
        if self.chosen.random() < 0.6:
            return self.chosen.choice(NASTY)
        letters = (
            chr(self.chosen.choice((self.chosen.randrange(1, 128), self.chosen.randrange(128, 0xD7FF))))
            for _ in range(self.chosen.randrange(30))
        )
        return "".join(letters)

    def query(self) -> str:
        """Return a query of known and unknown names with odd texts."""
        names = [
            self.chosen.choice(NAMES) if self.chosen.random() < 0.9 else self.text()
            for _ in range(self.chosen.randrange(5))
        ]
        return "&".join(f"{_quoted(name)}={_quoted(self.text())}" for name in names)

    def damaged_job(self) -> str:
        """Return the link of a real job with some fields damaged."""
        pairs = [
            (name, self.text() if self.chosen.random() < 0.2 else value)
            for name, value in self.chosen.choice(self.jobs)
        ]
        self.chosen.shuffle(pairs)
        return "&".join(f"{_quoted(name)}={_quoted(value)}" for name, value in pairs)

    def other_job(self) -> Made:
        """Return a damaged job asked for as data or as a file."""
        return "GET", f"/job.{self.chosen.choice(('json', 'yaml'))}?{self.damaged_job()}", b""

    def path(self) -> str:
        """Return a path that leads nowhere, or out of the site."""
        parts = [_quoted(self.text()).replace("+", "%20") for _ in range(self.chosen.randrange(1, 4))]
        return (
            "/"
            + self.chosen.choice(("", "case/", "cases/", "-/", "cases/cases/", "-/casebase/", "../"))
            + "/".join(parts)
        )

    def written(self) -> Made:
        """Return a request that means to change something."""
        body = b"x=" + b"y" * self.chosen.choice((0, 10, 1 << 20))
        return self.chosen.choice(METHODS), self.chosen.choice((*PATHS, "/job", "/-/messages")), body

    def raw_bytes(self) -> str:
        """Return percent-encoded bytes of no encoding."""
        return "".join(f"%{self.chosen.randrange(256):02X}" for _ in range(self.chosen.randrange(1, 40)))

    def long(self) -> Made:
        """Return ten thousand codes, or a megabyte of anything."""
        codes = "codes=" + "%0A".join(
            f"ECM+U{number:04d}" for number in range(self.chosen.choice((300, 10_000)))
        )
        return self.chosen.choice(
            [
                ("GET", f"/job?{codes}", b""),
                ("GET", "/job?wrong=" + "z" * (1 << 20), b""),
                ("GET", "/search?q=" + "z" * 100_000, b""),
                ("GET", "/job?" + "&".join(f"r{n}.value={n}" for n in range(1, 3000)), b""),
            ]
        )


def _quoted(text: str) -> str:
    return quote_plus(text, errors="surrogatepass")


def answered(base: str, made: Made) -> int:
    """Return the status of the answer; 0 where the connection ended without one."""
    method, target, body = made
    where = urlsplit(base)
    lines = (
        f"{method} {target} HTTP/1.1",
        f"Host: {where.netloc}",
        "Connection: close",
        f"Content-Length: {len(body)}",
    )
    request = "\r\n".join(lines) + "\r\n\r\n"
    with socket.create_connection((where.hostname or "", where.port or 80), timeout=60) as sent:
        with suppress(OSError):  # refused before all was sent
            sent.sendall(request.encode("latin-1", errors="replace") + body)
        try:
            line = sent.makefile("rb").readline()
        except OSError:
            return 0
    return int(line.split()[1]) if line.startswith(b"HTTP/") else 0


def frozen_demo(folder: Path) -> Path:
    """Return the demonstration as a frozen file."""
    cases = [case for file in record_files([demo_folder()]) for case in load_file(file)]
    kept = [
        StoredRecord(f"case{place:04}", 1, "2026-11-25", case)
        for place, case in enumerate(cases)
        if case.review.state is Review.READ
    ]
    means = Means(places.simulation_folder(), open_embedder(places.text_model_folder()))
    freeze(kept, folder / "cases.db", {"frozen on": "2026-11-25"}, means)
    return folder / "cases.db"


def main(requests: int, seed: int) -> None:
    """Send the requests and print what came back."""
    hostile, seen, failed = Hostile(seed), Counter[tuple[str, str]](), []
    with tempfile.TemporaryDirectory() as folder, served(frozen_demo(Path(folder))) as (base, process):
        memory, begun = [memory_megabytes(process)], time.perf_counter()
        for number in range(requests):
            kind, make = hostile.kinds[number % len(hostile.kinds)]
            made = make()
            status = answered(base, made)
            seen[kind, f"{status // 100}xx" if status else "none"] += 1
            if status >= 500 or not status:
                failed.append((status, made[0], made[1][:300]))
            if number % 500 == 499:
                memory.append(memory_megabytes(process))
        seconds = time.perf_counter() - begun
    classes = ("2xx", "3xx", "4xx", "5xx", "none")
    rows = [[kind, *(str(seen[kind, found]) for found in classes)] for kind, _ in hostile.kinds]
    print(
        f"## {requests:,} hostile requests, seed {seed}, {seconds:.0f} s\n\n{markdown(('request', *classes), rows)}\n"
    )
    print(
        f"Memory of the server in MB, at the start and after every 500: {', '.join(f'{one:.0f}' for one in memory)}."
    )
    for status, method, target in failed[:20]:
        print(status, method, target)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--requests", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    main(asked.requests, asked.seed)
