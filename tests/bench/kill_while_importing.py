"""What is left of a library when taking in a bundle is killed: cases lost, doubled, half a bundle kept.

python tests/bench/kill_while_importing.py [ROUNDS] [SEED]

A sender's bundles grow by new cases and revised ones; a process takes one in and is killed with SIGKILL at a random
moment. After each kill the library must be whole and hold all of the bundle or nothing of it. Then the real command
takes the bundle in again, and every case must be there once, as it was sent. Exits with 1 when anything was wrong.
"""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Final

from killed_part_way import killed_part_way
from measured import seconds_of
from multiplied_cases import multiplied

from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.signing import fingerprint
from casebase.record.json_form import canonical_json, sha256_of
from casebase.record.loading import case_from_data

BUNDLES: Final = 10
NEW_A_BUNDLE: Final = 40
REVISED_A_BUNDLE: Final = 10
OWN_CASES: Final = 20
SHOP: Final = "Workshop North"

TAKING: Final = """
import sys
from pathlib import Path
from casebase.publish.bundle_checks import checked_bundle
from casebase.library.store import Library
from casebase.publish.public_fields import public_case
from casebase.publish.taking_in import take_in
bundle, library = Path(sys.argv[1]), Library.open(Path(sys.argv[2]))
print("ready", flush=True)
take_in(library, checked_bundle(bundle, public_case))
library.close()
"""

State = dict[tuple[str, int], str]
"""The SHA-256 of every revision of every case."""


def state_of(path: Path) -> State:
    """Return what a library holds, read by sqlite3 alone."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT case_id, revision, sha256 FROM records").fetchall()
    return {(case_id, revision): sha256 for case_id, revision, sha256 in rows}


def bundles_in(folder: Path) -> list[tuple[Path, list[str]]]:
    """Return bundles, each with the SHA-256 of the public part of every case in it."""
    records, made = multiplied(BUNDLES * NEW_A_BUNDLE), []
    with Library.create(folder / "north.db") as north:
        for number in range(BUNDLES):
            kept = north.records()[:REVISED_A_BUNDLE]
            told = [
                {"id": one.case_id, "revision": one.revision, "symptoms": [f"told anew, {number}"]}
                for one in kept
            ]
            north.log([one.case.model_copy(update=new) for one, new in zip(kept, told, strict=True)])
            north.log([case_from_data(data, "a bench") for data in islice(records, NEW_A_BUNDLE)])
            out = folder / f"north-{number}.zip"
            export_bundle(north, north.records(), out, SHOP, "2026-11-25")
            made.append((out, sorted(public_digest(one.case) for one in north.records())))
    return made


def public_digest(case: object) -> str:
    """Return the SHA-256 of what others see of a case, without its number."""
    return sha256_of(canonical_json(public_case(case)))  # type: ignore[arg-type]


def killed_import(bundle: Path, library: Path, seconds: float) -> bool:
    """Take a bundle in, and kill that; return whether it had ended before."""
    return killed_part_way(TAKING, [bundle, library], seconds)


def one_round(bundle: Path, sent: list[str], library: Path, seconds: float) -> tuple[str, list[str]]:
    """Kill one import, look, take the bundle in again, look again; return what became of it and what was wrong."""
    before = state_of(library)
    has_ended = killed_import(bundle, library, seconds)
    after_kill, wrong = state_of(library), faults_of(library)
    key = fingerprint(str(checked_bundle(bundle, public_case).key))
    seconds_of("import", str(bundle), "--no-compare", "--fingerprint", key, "--library", str(library))
    after = state_of(library)
    if after_kill not in (before, after):
        wrong.append(f"half a bundle: {len(before)}, {len(after_kill)}, {len(after)} revisions")
    if not set(before.items()) <= set(after_kill.items()):
        wrong.append("lost what was there before")
    wrong += faults_of(library) + unlike(library, sent)
    became = "all kept" if after_kill == after else "nothing kept"
    return (f"ended before the kill, {became}" if has_ended else f"killed, {became}"), wrong


def faults_of(path: Path) -> list[str]:
    """Return what is wrong with a library."""
    with Library.open(path) as library:
        return library.faults()


def unlike(path: Path, sent: list[str]) -> list[str]:
    """Return whether the library holds anything but its own cases and each one sent, once."""
    with Library.open(path) as library:
        there = Counter(public_digest(one.case) for one in library.records())
    own = sum((there - Counter(sent)).values())
    lost = sum((Counter(sent) - there).values())
    return [] if (own, lost) == (OWN_CASES, 0) else [f"{lost} cases lost, {own - OWN_CASES} too many"]


def receiver(folder: Path, number: int) -> Path:
    """Return a new library with cases of its own."""
    path = folder / f"south-{number}.db"
    with Library.create(path) as south:
        own = [{**data, "symptoms": [f"our own {place}"]} for place, data in enumerate(multiplied(OWN_CASES))]
        south.log([case_from_data(data, "a bench") for data in own])
    return path


def seconds_of_each(bundles: list[tuple[Path, list[str]]], library: Path) -> list[float]:
    """Return how long each bundle takes to be taken in after the one before, so that kills fall within it."""
    taken = []
    for bundle, _ in bundles:
        begun = time.perf_counter()
        killed_import(bundle, library, 600)
        whole = time.perf_counter() - begun
        begun = time.perf_counter()
        killed_import(bundle, library, 0)
        taken.append(whole - (time.perf_counter() - begun))
    return taken


def main(rounds: int, seed: int) -> int:
    """Kill, look, and print what was found."""
    chance, became, wrong, number = random.Random(seed), Counter[str](), list[str](), 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        bundles = bundles_in(folder)
        longest = seconds_of_each(bundles, receiver(folder, -1))
        while sum(count for outcome, count in became.items() if outcome.startswith("killed")) < rounds:
            step = number % BUNDLES
            if step == 0:
                library = receiver(folder, number)
            outcome, found = one_round(*bundles[step], library, chance.uniform(0, longest[step]))
            became[outcome] += 1
            wrong += [f"round {number}: {fault}" for fault in found]
            number += 1
    print(
        f"{rounds} kills while taking in bundles of {NEW_A_BUNDLE} to {BUNDLES * NEW_A_BUNDLE} cases: {dict(became)}"
    )
    print("\n".join(wrong[:20]) or f"faults: {len(wrong)}; no case lost, none doubled, no half bundle")
    return 1 if wrong else 0


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    sys.exit(main(*(given + [170, 11898][len(given) :])))
