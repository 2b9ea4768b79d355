"""How long a question takes on a hub and beside it on a file of the same records.

Run by hand: `python tests/bench/hub_questions.py [RECORDS] [QUESTIONS]`. A PostgreSQL of its own is started on a socket
in a temporary folder. Records go into a file and are moved into the hub as `casebase restore` does; then both, turn by
turn, bring their collection up to date, rank all cases for one of them, and fetch the first ten. Simulated buses and
text model are left out: they cost the same on both. Also printed: full-text searches, moving, the first index.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[2]))
from measured import seconds_to
from multiplied_cases import multiplied

from casebase.library.backup import back_up
from casebase.library.restore import restored_to_hub
from casebase.library.store import Library
from casebase.match.index.search import nearest_of_its_kind
from casebase.record.loading import case_from_data
from tests.library.hub_server import running_server

FIRST = 10


def main(records: int, questions: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder, running_server("") as server:
        os.environ["XDG_DATA_HOME"] = folder
        address, copy = server.new_hub(), Path(folder) / "copy.db"
        with Library.create(Path(folder) / "shop.db") as shop:
            shop.log(case_from_data(data, "a bench") for data in multiplied(records))
            back_up(shop, copy)
            print(
                f"{records} records moved into the hub: {seconds_to(lambda: restored_to_hub(copy, address)):.1f} s"
            )
            with Library.open(address) as hub:
                for name, library in (("file", shop), ("hub", hub)):
                    print(f"first index, {name}: {seconds_to(library.collection):.1f} s")
                ids = [row["id"] for row in islice(shop.summaries(), questions)]
                _compare("question", shop, hub, [lambda library, one=one: _ask(library, one) for one in ids])
                _compare("case", shop, hub, [lambda library, one=one: library.get(one) for one in ids])
                words = ["U0121", "connector corroded", "ABS lamp", "water", "CAN low"]
                searches = [lambda library, one=one: library.summaries(find=one) for one in words * 4]
                _compare("search", shop, hub, searches)


def _ask(library: Library, case_id: str) -> list[str]:
    collection = library.collection()
    (profile,) = collection.profiles(collection.rows_of_case(case_id)[-1:])
    return [match.profile.case_id for match in nearest_of_its_kind(profile, collection, FIRST)]


def _compare(what: str, shop: Library, hub: Library, asked: list[Callable[[Library], object]]) -> None:
    taken: dict[str, list[float]] = {"file": [], "hub": []}
    processor: dict[str, float] = {"file": 0.0, "hub": 0.0}
    for ask in asked:
        for name, library in (("file", shop), ("hub", hub)):
            begun = time.process_time()
            taken[name].append(seconds_to(lambda ask=ask, library=library: ask(library)))  # type: ignore[misc]
            processor[name] += time.process_time() - begun
    told = {"median, wall": {name: median(each) for name, each in taken.items()}}
    told["mean, processor"] = {name: whole / len(asked) for name, whole in processor.items()}
    for kind, of in told.items():
        times = f"{of['hub'] / of['file']:.2f} times"
        print(f"{what}, {kind}: file {of['file'] * 1000:.1f} ms, hub {of['hub'] * 1000:.1f} ms, {times}")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:3]]
    main(*given, *(2000, 40)[len(given) :])
