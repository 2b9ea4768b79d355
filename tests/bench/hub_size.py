"""How long a question takes on a hub of any size, beside a file of the same records in the same run.

python tests/bench/hub_size.py [RECORDS [QUESTIONS]]

The index is that of `scaled_library.py` (profiles of the synthetic world with changed values, with stories), the same
for both. The tables hold as many records as it has rows: a thousand of `multiplied_cases.py` under ever new IDs, and
the profiles of the synthetic world in turn. Both libraries, in turn, bring their collection up to date and rank all
cases for a job, the first ten in words. Then records are logged and a question waits until it finds each. Printed: wall
and processor time of this process, that of the hub's server beside it, sizes and memory; and, before, what the
statements of a question alone take. With 0 questions only these.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))
import psycopg
from measured import seconds_to
from multiplied_cases import multiplied
from scaled_library import Base, base, index_of_size, jobs_of

from casebase.library.engine import HubAddress
from casebase.library.matching import index_folder
from casebase.library.records import profiles_of_numbers, rows_of_case, sha256_of_number
from casebase.library.sources import senders_of_cases
from casebase.library.store import Library
from casebase.match.index.building import Batch, empty_index
from casebase.match.index.files import Stamp, append
from casebase.match.index.match_index import Index
from casebase.match.index.search import nearest_of_its_kind
from casebase.match.profile import Profile
from casebase.match.profile_of_case import to_data
from casebase.record.json_form import canonical_json
from casebase.record.loading import case_from_data
from tests.library.hub_server import running_server

FIRST, LOGGED, TEXTS = 10, 6, 1000


def main(count: int, questions: int) -> None:
    """Print the figures."""
    whole = base()
    with tempfile.TemporaryDirectory() as folder, running_server("-c fsync=on -c max_wal_size=8GB") as server:
        os.environ["XDG_DATA_HOME"] = folder
        address = server.new_hub()
        with Library.create(Path(folder) / "shop.db") as shop, Library.open(address) as hub:
            print(f"file filled in {seconds_to(lambda: _fill_file(shop, whole, count)):.0f} s", flush=True)
            print(f"hub filled in {seconds_to(lambda: _fill_hub(address, whole, count)):.0f} s", flush=True)
            _statements(f"statements of a question over {count:,} cases", shop, hub, count)
            with hub.reading() as db:
                print(f"hub {db.size_in_bytes() / 1e6:.0f} MB; file {shop.path.stat().st_size / 1e6:.0f} MB")
            if questions:
                _with_an_index(shop, hub, whole, count, questions)
    print(f"most memory here: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def _with_an_index(shop: Library, hub: Library, whole: Base, count: int, questions: int) -> None:
    index, _ = index_of_size(whole, count)
    for library in (shop, hub):
        _keep_index(library, index, count)
    jobs = (jobs_of(whole) * (1 + questions // 40))[:questions]
    ways = [lambda library, job=job: _ask(library, job) for job in jobs]
    _compare(f"question over {count:,} cases", shop, hub, ways)
    told = islice(multiplied(2 * LOGGED + TEXTS), TEXTS, None)
    cases = [case_from_data(data | {"note": "Logged since."}, "a bench") for data in told]
    lags: dict[Library, list[float]] = {shop: [], hub: []}
    for place, case in enumerate(cases):
        library = (shop, hub)[place % 2]
        case_id = library.log([case])[0].case_id
        lags[library].append(
            seconds_to(lambda library=library, case_id=case_id: _found(library, case_id))  # type: ignore[misc]
        )
    print(
        f"from commit to answer: file {median(lags[shop]):.3f} s, hub {median(lags[hub]):.3f} s,"
        f" most {max(lags[hub]):.3f} s of {LOGGED}"
    )


def _statements(what: str, shop: Library, hub: Library, count: int) -> None:
    """Print how long the statements of a question take alone: what is new, fifty profiles, the rows of a case."""
    chance = random.Random(20)

    def asked(library: Library, numbers: list[int]) -> list[str]:
        with library.reading() as db:
            last = db.last_number()
            assert sha256_of_number(db, last)
            assert senders_of_cases(db) == {}
            assert rows_of_case(db, f"{numbers[0]:08}") == [numbers[0]]
            return [profile.title for profile in profiles_of_numbers(db, numbers)]

    some = [chance.sample(range(1, count + 1), 50) for _ in range(40)]
    _compare(what, shop, hub, [lambda library, one=one: asked(library, one) for one in some])


def _rows(whole: Base, count: int) -> Iterator[tuple[str, str, str, str]]:
    """Yield ID, SHA-256, record and profile of so many cases."""
    texts = [canonical_json(case_from_data(data, "a bench")) for data in multiplied(TEXTS)]
    profiles = [json.dumps(to_data(one), ensure_ascii=False) for one in whole.profiles]
    for number in range(1, count + 1):
        sha256 = hashlib.sha256(str(number).encode()).hexdigest()
        yield f"{number:08}", sha256, texts[number % TEXTS], profiles[number % len(profiles)]


WHEN = "2026-11-30T10:00:00+00:00"


def _fill_file(shop: Library, whole: Base, count: int) -> None:
    rows = _rows(whole, count)
    while some := list(islice(rows, 5000)):
        with shop.changing() as db:
            db.executemany(
                "INSERT INTO records (case_id, revision, sha256, json, logged_at) VALUES (?, 1, ?, ?, ?)",
                [(case_id, sha256, text, WHEN) for case_id, sha256, text, _ in some],
            )
            db.executemany(
                "INSERT INTO profiles (case_id, data) VALUES (?, ?)",
                [(case_id, profile) for case_id, _, _, profile in some],
            )


def _fill_hub(address: HubAddress, whole: Base, count: int) -> None:
    with psycopg.connect(address.text) as connection:
        columns = "rowid, case_id, revision, sha256, json, logged_at"
        with connection.cursor().copy(f"COPY records ({columns}) FROM STDIN") as copy:
            for number, (case_id, sha256, text, _) in enumerate(_rows(whole, count), start=1):
                copy.write_row((number, case_id, 1, sha256, text, WHEN))
        with connection.cursor().copy("COPY profiles (case_id, data) FROM STDIN") as copy:
            for case_id, _, _, profile in _rows(whole, count):
                copy.write_row((case_id, profile))
        connection.execute("SELECT setval('records_rowid_seq', %s)", (count,))
    with psycopg.connect(address.text, autocommit=True) as connection:
        connection.execute("VACUUM ANALYZE")


def _keep_index(library: Library, index: Index, count: int) -> None:
    last = hashlib.sha256(str(count).encode()).hexdigest()
    stamp = Stamp(str(library.fact("library id")), index.text, index.vectors.shape[1], count, last)
    batch = Batch(dict(index.arrays), dict(index.atoms), index.vectors)
    index_folder(library.path).mkdir(parents=True, exist_ok=True)
    append(index_folder(library.path), batch, empty_index(index.vectors.shape[1], index.text), stamp)


def _ask(library: Library, job: Profile) -> list[float]:
    found = nearest_of_its_kind(job, library.collection(), FIRST)
    assert len(found) == FIRST
    return [match.score for match in found]


def _found(library: Library, case_id: str) -> None:
    while not library.collection().rows_of_case(case_id):
        time.sleep(0.002)


def _compare(what: str, shop: Library, hub: Library, asked: list[Callable[[Library], object]]) -> None:
    """Print how long both take, in turns: each goes first half the time."""
    with hub.reading() as db:
        backend = db.execute("SELECT pg_backend_pid()").fetchone()[0]
    wall: dict[str, list[float]] = {"file": [], "hub": []}
    processor = {"file": 0.0, "hub": 0.0}
    server = -_processor_seconds(backend)
    named = [("file", shop), ("hub", hub)]
    for ask in asked:
        assert ask(shop) == ask(hub)  # both are warm, and answer the same
    server += _processor_seconds(backend)
    for place, ask in enumerate(asked):
        for name, library in named if place % 2 else reversed(named):
            begun = time.process_time()
            wall[name].append(seconds_to(lambda ask=ask, library=library: ask(library)))  # type: ignore[misc]
            processor[name] += (time.process_time() - begun) * 1000 / len(asked)
    print(
        f"{what}: wall, median: file {median(wall['file']) * 1000:.1f} ms, hub {median(wall['hub']) * 1000:.1f} ms,"
        f" {median(wall['hub']) / median(wall['file']):.2f} times; processor, mean: file {processor['file']:.1f} ms,"
        f" hub {processor['hub']:.1f} ms, {processor['hub'] / processor['file']:.2f} times, and"
        f" {server * 1000 / len(asked):.1f} ms of the server",
        flush=True,
    )


def _processor_seconds(pid: int) -> float:
    """Return what a process took of a processor, as Linux tells it: proc(5), fields 14 and 15."""
    told = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:3]]
    main(*given, *(100_000, 40)[len(given) :])
