"""Kills processes that log (SIGKILL) at random moments, and looks at what is left of the library.

Run by hand: `python tests/bench/kill_while_logging.py [ROUNDS] [SEED]`. Two ways, as many rounds each: the command
`casebase log` on a file of many records (all or none must be there), and a loop over `Library.log`, one record at a
time (every case whose ID was printed must be there). After each kill `casebase check` must find the library whole.
Exits with 1 when anything was lost, torn, or refused to open.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from itertools import islice
from pathlib import Path
from typing import Final

from measured import COMMAND, seconds_of
from multiplied_cases import multiplied

from casebase.library.store import Library

RECORDS_A_FILE: Final = 120
ROUNDS_A_LIBRARY: Final = 10
LOOP: Final = str(Path(__file__).with_name("log_one_by_one.py"))


def main(rounds: int, seed: int) -> int:
    """Print the figures; return the exit code."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        files = _files(Path(folder))
        wrong = _kill_the_command(Path(folder), files, rounds, chance)
        wrong += _kill_the_loop(Path(folder), files, rounds, chance)
    print("\n".join(wrong) or "nothing lost, nothing torn")
    return 1 if wrong else 0


def _files(folder: Path) -> list[Path]:
    records = multiplied(RECORDS_A_FILE * ROUNDS_A_LIBRARY)
    files = [folder / f"{number}.jsonl" for number in range(ROUNDS_A_LIBRARY)]
    for file in files:
        lines = (json.dumps(data) for data in islice(records, RECORDS_A_FILE))
        file.write_text("\n".join(lines), encoding="utf-8")
    return files


def _kill_the_command(folder: Path, files: list[Path], rounds: int, chance: random.Random) -> list[str]:
    whole = seconds_of("log", str(files[0]), "--library", _library(folder / "timing.db"))[0]
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    library, kept = "", 0
    for number in range(rounds):
        if number % ROUNDS_A_LIBRARY == 0:
            library, kept = _library(folder / f"command{number}.db"), 0
        file = files[number % ROUNDS_A_LIBRARY]
        process = subprocess.Popen([COMMAND, "log", file, "--library", library], stdout=subprocess.DEVNULL)
        begun = time.monotonic()
        _kill(process, chance.uniform(0.4, 1.0) * whole)
        if process.returncode == 0:  # what it took this time: the next kill falls within it
            whole = min(whole, time.monotonic() - begun)
        else:
            whole *= 1.02
        there = _whole_count(library, f"command, round {number}", wrong)
        counts[_became_of(process, there - kept)] += 1
        if there - kept not in (0, RECORDS_A_FILE) or (process.returncode == 0 and there == kept):
            wrong.append(f"command, round {number}: {there - kept} records of {RECORDS_A_FILE} kept")
        kept = there
    print(f"casebase log, {RECORDS_A_FILE} records a file, {rounds} rounds: {dict(counts)}")
    return wrong


def _became_of(process: subprocess.Popen[bytes], kept: int) -> str:
    if process.returncode == 0:
        return "ended before the kill, all kept"
    return "killed, all kept" if kept else "killed, none kept"


def _kill_the_loop(folder: Path, files: list[Path], rounds: int, chance: random.Random) -> list[str]:
    wrong: list[str] = []
    library, confirmed, total, more = "", set[str](), 0, 0
    for number in range(rounds):
        if number % ROUNDS_A_LIBRARY == 0:
            library, confirmed = _library(folder / f"loop{number}.db"), set()
        told = _told_until_killed(files[number % ROUNDS_A_LIBRARY], library, chance.uniform(0.0, 0.4))
        confirmed |= told
        total += len(told)
        _whole_count(library, f"loop, round {number}", wrong)
        with Library.open(Path(library)) as opened:
            there = {row["id"] for row in opened.summaries()}
        more += len(there - confirmed)
        if not confirmed <= there:
            wrong.append(f"loop, round {number}: lost {sorted(confirmed - there)}")
        confirmed = there
    print(
        f"loop over Library.log, {rounds} rounds: {total} confirmed, {more} kept but killed before they were printed"
    )
    return wrong


def _told_until_killed(file: Path, library: str, seconds: float) -> set[str]:
    process = subprocess.Popen([sys.executable, LOOP, file, library], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(seconds)
    process.kill()
    told = process.stdout.read()  # `communicate` would pass over lines that `readline` has taken in already
    process.wait()
    return set(told.rsplit("\n", 1)[0].split())


def _kill(process: subprocess.Popen[bytes], seconds: float) -> None:
    try:
        process.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _library(path: Path) -> str:
    seconds_of("init", "--library", str(path))
    return str(path)


def _whole_count(library: str, where: str, wrong: list[str]) -> int:
    """Return how many cases `casebase check` counts; note whatever it finds wrong."""
    checked = json.loads(seconds_of("check", "--json", "--library", library)[1])
    wrong += [f"{where}: {fault}" for fault in checked["faults"]]
    return int(checked["cases"])


if __name__ == "__main__":
    given = [int(number) for number in sys.argv[1:]]
    sys.exit(main(*(given + [100, 11898][len(given) :])))
