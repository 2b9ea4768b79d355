"""What a reader sees when publishing is killed: half-written editions, wrong digests, numbers lost.

python tests/bench/kill_while_publishing.py [ROUNDS] [SEED]

A process publishes edition after edition of a growing library (records alone, so that a round takes a fraction of a
second) and is killed with SIGKILL at a random moment. After each kill the folder is read as a site reads it: the
edition that is shown must be whole (SQLite's integrity check, SHA-256, number of records), and so must every edition
with a digest. At the end publishing once more must succeed. Exits with 1 when anything was half written or lost.
"""

from __future__ import annotations

import hashlib
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Final

from casebase.errors import EditionError
from casebase.publish.edition import editions_in, kept_digest, open_frozen, shown_path

PUBLISHER: Final = """
import itertools, sys
from pathlib import Path
from casebase.library.derived import StoredRecord
from casebase.library.matching import Means
from casebase.publish.publication import Imprint, publish
from casebase.publish.edition import editions_in
from casebase.record.loading import case_from_data
folder, made = Path(sys.argv[1]), []
def case(number):
    data = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Fjellet"}, "symptoms": [f"symptom {number}"]}
    return StoredRecord(f"case{number:04}", 1, "", case_from_data(data, "a bench"))
print("ready", flush=True)
for count in itertools.count(max((one.records for one in editions_in(folder)), default=29) + 1):
    publish([case(number) for number in range(count)], folder, Imprint("2026-11-25", "ingrid"), Means())
    if "--once" in sys.argv:
        break
"""


def faults_in(folder: Path) -> list[str]:
    """Return what is wrong with the folder as a reader sees it."""
    found = []
    try:
        shown = shown_path(folder)
    except EditionError as error:
        return [str(error)] if any(folder.glob("shown")) else []
    for one in editions_in(folder):
        if not one.sha256 and one.path != shown:
            continue  # not finished, and nobody is shown it
        with closing(open_frozen(one.path)) as connection:
            said = connection.execute("PRAGMA integrity_check").fetchone()[0]
            packed = connection.execute("SELECT count(*) FROM match_index WHERE name = 'shape'").fetchone()[0]
        if said != "ok" or one.records < 30 or packed != 1:
            found.append(f"{one.path.name}: {said}, {one.records} records")
        if kept_digest(one.path) != hashlib.sha256(one.path.read_bytes()).hexdigest():
            found.append(f"{one.path.name}: not what its SHA-256 says")
    return found


def main(rounds: int, seed: int) -> int:
    """Kill, look, and print what was found."""
    chosen, outcome, faults = random.Random(seed), Counter[str](), list[str]()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "editions"
        folder.mkdir()
        for _ in range(rounds):
            before = len(editions_in(folder))
            running = subprocess.Popen(
                [sys.executable, "-c", PUBLISHER, str(folder)], stdout=subprocess.PIPE, text=True
            )
            assert running.stdout is not None
            running.stdout.readline()
            time.sleep(chosen.uniform(0.0, 0.6))
            running.send_signal(signal.SIGKILL)
            running.wait()
            found = faults_in(folder)
            faults += found
            outcome["with faults" if found else "whole"] += 1
            outcome["editions finished before the kill"] += len(editions_in(folder)) - before
            for old in editions_in(folder)[5:]:
                old.path.unlink()
        done = subprocess.run(
            [sys.executable, "-c", PUBLISHER, str(folder), "--once"], check=False, capture_output=True
        )
        faults += faults_in(folder)
        if done.returncode:
            faults.append(f"publishing afterwards: {done.stderr.decode()[-300:]}")
        left = len(list(folder.glob(".casebase-parts-*")))
    print(
        f"{rounds} kills: {dict(outcome)}; folders of parts left, removed by a publication an hour later: {left}"
    )
    print("\n".join(faults[:20]) or "no half-written edition was seen, none was lost")
    return bool(faults)


if __name__ == "__main__":
    asked = [int(text) for text in sys.argv[1:]]
    sys.exit(main(asked[0] if asked else 500, asked[1] if len(asked) > 1 else 1))
