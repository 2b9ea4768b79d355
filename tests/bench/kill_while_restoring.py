"""What is left of a library when a restore is killed: half files, a library that is missing, records lost.

python tests/bench/kill_while_restoring.py [ROUNDS] [SEED]

A process restores a copy and is killed with SIGKILL at a random moment, in turn: with nobody else there, with another
process that logs without a pause, where no library is, and where the library is damaged. After each kill the library
must be whole, the one before or the one restored (where there was none: none, or whole; where it was damaged: the same
bytes, or whole), and everything that was ever confirmed must be in it or aside. Then a restore that is not killed must
succeed. Exits with 1 when anything was wrong.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

from killed_part_way import killed_part_way
from multiplied_cases import multiplied

from casebase.library.backup import back_up
from casebase.library.restore import restore
from casebase.library.store import Library
from casebase.record.loading import case_from_data

LOOP: Final = str(Path(__file__).with_name("log_one_by_one.py"))
RECORDS: Final = 400
IN_THE_COPY: Final = 250

RESTORING: Final = """
import sys
from pathlib import Path
from casebase.library.restore import restore
print("ready", flush=True)
restore(Path(sys.argv[1]), Path(sys.argv[2]))
"""

Found = tuple[str, list[str]]
"""What became of the library, and what was wrong."""


class Shop:
    """A folder with a copy and the library as it stands before each kill."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.library = folder / "work" / "shop.db"
        self.copy = folder / "copy.db"
        self.full = folder / "full.db"
        self.lines = folder / "more.jsonl"
        records = [case_from_data(data, "a bench") for data in multiplied(RECORDS)]
        with Library.create(self.full) as full:
            full.log(records[:IN_THE_COPY])
            back_up(full, self.copy)
            full.log(records[IN_THE_COPY:])
        self.old, self.new = ids_in(self.full), ids_in(self.copy)
        self.lines.write_text(
            "\n".join(
                f'{{"kind": "fault case", "vehicle": {{"make": "Thorne", "model": "Holt"}}, "concern": "{number}"}}'
                for number in range(5000)
            ),
            encoding="utf-8",
        )

    def begin(self) -> None:
        """Make the folder of the library anew, with the full library in it."""
        shutil.rmtree(self.library.parent, ignore_errors=True)
        self.library.parent.mkdir()
        shutil.copyfile(self.full, self.library)

    def asides(self) -> list[Path]:
        """Return the libraries that were put aside."""
        return sorted(self.library.parent.glob("shop-before-*.db"))


def ids_in(path: Path) -> frozenset[str]:
    """Return the IDs of a library or a copy, read by sqlite3 alone; empty where nothing can be read."""
    with suppress(sqlite3.Error), closing(sqlite3.connect(path)) as connection:
        return frozenset(row[0] for row in connection.execute("SELECT case_id FROM records"))
    return frozenset()


def faults_of(path: Path) -> list[str]:
    """Return what is wrong with a library."""
    with Library.open(path) as library:
        return [f"{path.name}: {fault}" for fault in library.faults()]


def killed_restore(shop: Shop, seconds: float) -> bool:
    """Restore, and kill that; return whether it had ended before."""
    return killed_part_way(RESTORING, [shop.copy, shop.library], seconds)


def alone(shop: Shop, seconds: float) -> Found:
    """Nobody else there: the library is the old one or the restored one, and then the old one is aside."""
    shop.begin()
    has_ended = killed_restore(shop, seconds)
    there, wrong = ids_in(shop.library), faults_of(shop.library)
    if there not in (shop.old, shop.new):
        wrong.append(f"{len(there)} records: neither the old library nor the restored one")
    wrong += [f"{path.name}: not the old library" for path in shop.asides() if ids_in(path) != shop.old]
    if there == shop.new and not shop.asides():
        wrong.append("restored, and the old library is lost")
    for path in shop.asides():
        wrong += faults_of(path)
    return told(has_ended, "restored" if there == shop.new else "as before"), wrong


def with_a_writer(shop: Shop, seconds: float) -> Found:
    """Another process logs all the time: what it confirmed is in the library or aside."""
    shop.begin()
    writer = subprocess.Popen(
        [sys.executable, LOOP, shop.lines, shop.library], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    writer.stdout.readline()
    has_ended = killed_restore(shop, seconds * 1.5)
    time.sleep(0.05)
    writer.kill()
    confirmed = set(writer.communicate()[0].rsplit("\n", 1)[0].split())
    there, wrong = ids_in(shop.library), faults_of(shop.library)
    kept = there.union(*map(ids_in, shop.asides()))
    if not (confirmed | shop.old) <= kept:
        wrong.append(f"lost: {sorted((confirmed | shop.old) - kept)[:5]}")
    for path in shop.asides():
        wrong += faults_of(path)
    return told(has_ended, "as before" if shop.old <= there else "restored"), wrong


def where_none_is(shop: Shop, seconds: float) -> Found:
    """A new computer: no library, or the whole one."""
    shop.begin()
    shop.library.unlink()
    has_ended = killed_restore(shop, seconds * 0.8)
    if not shop.library.exists():
        return told(has_ended, "none yet"), []
    wrong = faults_of(shop.library)
    if ids_in(shop.library) != shop.new:
        wrong.append("not what the copy holds")
    return told(has_ended, "restored"), wrong


def where_it_is_damaged(shop: Shop, seconds: float) -> Found:
    """A library cut off in the middle: the same bytes in their place or aside, whatever the moment."""
    shop.begin()
    broken = shop.library.read_bytes()[:100_000]
    shop.library.write_bytes(broken)
    has_ended = killed_restore(shop, seconds)
    is_there = shop.library.read_bytes() == broken
    wrong = [] if is_there else faults_of(shop.library)
    if not is_there and ids_in(shop.library) != shop.new:
        wrong.append("neither the damaged file nor the restored library")
    if not is_there and not any(path.read_bytes() == broken for path in shop.asides()):
        wrong.append("the damaged file is lost")
    return told(has_ended, "as before" if is_there else "restored"), wrong


def told(has_ended: bool, became: str) -> str:
    """Return what became of the library in words."""
    return f"{'ended before the kill' if has_ended else 'killed'}, {became}"


WAYS: Final[dict[str, Callable[[Shop, float], Found]]] = {
    "nobody else": alone,
    "somebody writes": with_a_writer,
    "no library": where_none_is,
    "damaged library": where_it_is_damaged,
}


def restored_afterwards(shop: Shop) -> list[str]:
    """Restore without a kill: it must succeed, whatever was left lying about."""
    restore(shop.copy, shop.library)
    if ids_in(shop.library) != shop.new:
        return ["a restore afterwards does not give what the copy holds"]
    return faults_of(shop.library)


def whole_seconds(shop: Shop) -> float:
    """Return how long a restore takes, so that kills fall within it."""
    shop.begin()
    begun = time.perf_counter()
    killed_restore(shop, 600)
    whole = time.perf_counter() - begun
    begun = time.perf_counter()
    killed_restore(shop, 0)
    return whole - (time.perf_counter() - begun)


def main(rounds: int, seed: int) -> int:
    """Kill, look, and print what was found."""
    chance, wrong, number = random.Random(seed), list[str](), 0
    became = {way: Counter[str]() for way in WAYS}
    with tempfile.TemporaryDirectory() as place:
        shop = Shop(Path(place))
        whole = whole_seconds(shop)
        while kills_in(became) < rounds:
            way = list(WAYS)[number % len(WAYS)]
            outcome, found = WAYS[way](shop, chance.uniform(0, whole))
            became[way][outcome] += 1
            wrong += [f"{way}, round {number}: {fault}" for fault in found + restored_afterwards(shop)]
            number += 1
    print(f"{rounds} kills while restoring {IN_THE_COPY} cases over {RECORDS}, {whole:.2f} s each:")
    for way, counts in became.items():
        print(f"  {way}: {dict(counts)}")
    print("\n".join(wrong[:20]) or f"faults: {len(wrong)}; no half file, none missing, nothing lost")
    return 1 if wrong else 0


def kills_in(became: dict[str, Counter[str]]) -> int:
    """Return how many restores were killed so far."""
    return sum(
        count
        for counts in became.values()
        for outcome, count in counts.items()
        if outcome.startswith("killed")
    )


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    sys.exit(main(*(given + [170, 11898][len(given) :])))
