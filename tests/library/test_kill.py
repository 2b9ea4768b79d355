"""A process killed while it logs: every case it had confirmed is there, and the library is whole."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from casebase.library.store import Library

pytestmark = pytest.mark.slow

LOGGING = """
import sys
from pathlib import Path
from casebase.library.store import Library
from casebase.record.case import Case

library = Library.open(Path(sys.argv[1]))
for number in range(100_000):
    case = Case.model_validate(
        {
            "kind": "fault case",
            "vehicle": {"make": "Norrvik", "model": "Fjellet"},
            "concern": f"{sys.argv[2]}, number {number}: " + "a long story. " * (number % 200),
            "codes": [{"code": "U0121-87"}, {"code": "U0100"}],
            "steps": [{"did": "Full scan."}],
        }
    )
    (logged,) = library.log([case])
    print(logged.case_id, flush=True)
"""
"""Logs records one by one and prints each ID once the case is kept."""


def log_until_killed(path: Path, name: str, seconds: float) -> list[str]:
    """Let a process log for some seconds after its first case, kill it (SIGKILL), return the IDs it confirmed."""
    process = subprocess.Popen(
        [sys.executable, "-c", LOGGING, str(path), name], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    first = process.stdout.readline()
    time.sleep(seconds)
    process.kill()
    rest = process.stdout.read()  # `communicate` would pass over lines that `readline` has taken in already
    process.wait(timeout=240)
    whole_lines = (first + rest).rsplit("\n", 1)[0]
    return whole_lines.split("\n")


@pytest.mark.parametrize("seed", range(3))
def test_a_killed_process_loses_no_confirmed_case(tmp_path: Path, seed: int) -> None:
    """Killed at a random moment, three times in a row on one library: what was confirmed is there, nothing is torn."""
    path = tmp_path / "shop.db"
    Library.create(path).close()
    moment = random.Random(seed)
    confirmed: list[str] = []
    for number in range(3):
        confirmed += log_until_killed(path, f"round {seed}.{number}", moment.uniform(0.0, 0.3))
        with Library.open(path) as library:
            there = {row["id"] for row in library.summaries()}
            assert set(confirmed) <= there
            # One case more may be kept than was confirmed in each round: killed between the commit and the print.
            assert len(there) <= len(confirmed) + number + 1
            assert library.faults() == []
    assert len(confirmed) >= 3


def test_a_library_whose_making_was_killed_can_be_made(tmp_path: Path) -> None:
    """Killed at any moment of its very first start, nothing is left that keeps the next start from its work."""
    making = "import sys; from pathlib import Path; from casebase.library.store import Library\nprint(1, flush=True)\n"
    making += "Library.create(Path(sys.argv[1]))"
    for number in range(6):
        path = tmp_path / f"shop{number}.db"
        process = subprocess.Popen([sys.executable, "-c", making, str(path)], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(number * 0.004)
        process.kill()
        process.communicate(timeout=240)
        # An empty file is no library yet: it is made once more, as `casebase init` does.
        begun = path.exists() and path.stat().st_size > 0
        with Library.open(path) if begun else Library.create(path) as library:
            assert library.count() == 0
            assert library.faults() == []
