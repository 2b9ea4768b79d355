"""Kills processes (SIGKILL) that edit, take back, remove and review, at random moments; looks at what is left.

Run by hand: `python tests/bench/kill_while_mending.py [ROUNDS] [SEED] [DOING]...`. Of the rounds of each doing, three
quarters kill a loop over the library's own functions (`mend_one_by_one.py`), the rest the real command. After each kill
`casebase check` must find the library whole, everything confirmed must be there, and every later revision must be
signed. Exits with 1 when anything was lost or half done.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from itertools import islice
from pathlib import Path
from typing import Final

from mend_one_by_one import BY, DOINGS
from mend_one_by_one import main as mend
from multiplied_cases import multiplied

from casebase.commands import edit, review
from casebase.commands.app import app
from casebase.library.reviews import said_of
from casebase.library.store import Library
from casebase.record.loading import case_from_data

CASES: Final = 10
ROUNDS_A_LIBRARY: Final = 20
IMPORTED: Final = (edit, review)
"""Commands are imported when they are called: here before, once for all rounds."""

FORKED: Final = multiprocessing.get_context("fork")
"""A process that has imported everything begins at once, and is killed while it writes more often."""

COMMANDS: Final[dict[str, list[list[str]]]] = {
    "edit": [["edit", "ID", "--set", "note=NUMBER", "--by", BY], ["edit", "ID", "--by", BY]],
    "undo": [["undo", "ID", "--by", BY]],
    "remove": [["remove", "ID", "--by", BY], ["remove", "ID", "--bring-back", "--by", BY]],
    "review": [
        ["review", "ID", "--keep-inside", "--by", BY],
        ["review", "ID", "--return", "NUMBER", "--by", BY],
    ],
}
Confirmed = tuple[str, int, str]


def main(rounds: int, seed: int, doings: list[str]) -> int:
    """Print the figures; return the exit code."""
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        made = a_library(folder / "made.db")
        for doing in doings or DOINGS:
            wrong += kill_the_loop(folder, made, doing, rounds - rounds // 4, seed)
            wrong += kill_the_command(folder, made, doing, rounds // 4, seed)
    print("\n".join(wrong[:30]) or "nothing lost, nothing half done")
    return 1 if wrong else 0


def a_library(path: Path) -> Path:
    """Make a library of cases of one author, two revisions each, and return its path."""
    with Library.create(path) as library:
        cases = [case_from_data(data, "a bench") for data in islice(multiplied(CASES), CASES)]
        told = {"provenance": cases[0].provenance.model_copy(update={"author": BY})}
        cases = [case.model_copy(update=told) for case in cases]
        for one, case in zip(library.log(cases), cases, strict=True):
            library.log([case.model_copy(update={"id": one.case_id, "note": "the second revision"})])
    return path


def kill_the_loop(folder: Path, made: Path, doing: str, rounds: int, seed: int) -> list[str]:
    """Kill the loop over the functions; return what was wrong."""
    chance, wrong = random.Random(f"{seed} {doing}"), list[str]()
    confirmed, there, most = list[Confirmed](), 0, 0
    library = folder / "loop.db"
    for number in range(rounds):
        if number % ROUNDS_A_LIBRARY == 0:
            shutil.copy(made, library)
            confirmed = []
        reading, writing = os.pipe()
        running = FORKED.Process(target=mend_into, args=(writing, library, doing, chance.randrange(10**6)))
        running.start()
        os.close(writing)
        with os.fdopen(reading) as told:
            told.readline()
            time.sleep(chance.uniform(0.0, 0.25))
            running.kill()
            running.join()
            lines = told.read().rsplit("\n", 1)[0].splitlines()
        fields = [line.split("\t") for line in lines]
        confirmed += [(case_id, int(revision), what) for case_id, revision, what in fields]
        there += len(lines)
        found, more = what_is_wrong(library, confirmed)
        most = max(most, more)
        wrong += [f"{doing}, loop, round {number}: {fault}" for fault in found]
    print(f"{doing}, loop: {rounds} kills, {there} confirmed, {len(wrong)} faults", flush=True)
    return wrong


def mend_into(pipe: int, library: Path, doing: str, seed: int) -> None:
    """Mend until killed, what is confirmed told to a pipe; in a process of its own."""
    os.dup2(pipe, 1)
    sys.stdout = os.fdopen(1, "w")
    mend(library, doing, seed)


def what_is_wrong(path: Path, confirmed: list[Confirmed]) -> tuple[list[str], int]:
    """Return what is wrong with a library after a kill, and how much more it holds than was confirmed."""
    with Library.open(path) as library:
        found = library.faults()
        held = Counter[Confirmed]()
        with library.reading() as db:
            ids = [row[0] for row in db.execute("SELECT DISTINCT case_id FROM records")]
        for case_id in ids:
            for row in library.revisions(case_id)[2:]:
                held[case_id, row["revision"], row["made"]] += 1
                found += (
                    [f"{case_id}, revision {row['revision']}: not signed"] if row["made"] == "logged" else []
                )
            for row in said_of(library, case_id):
                held[case_id, row["revision"], row["said"]] += 1
    lost = Counter(confirmed) - held
    return [*found, *(f"lost {one}" for one in lost)], sum((held - Counter(confirmed)).values())


def kill_the_command(folder: Path, made: Path, doing: str, rounds: int, seed: int) -> list[str]:
    """Kill the real command, one case after another; return what was wrong."""
    chance, wrong, became = random.Random(seed), list[str](), Counter[str]()
    library = folder / "command.db"
    shutil.copy(made, library)
    with Library.open(library) as opened:
        ids = [row["id"] for row in opened.summaries()]
    whole = max(one_command(library, doing, ids[0], number, folder, 60.0)[1] for number in range(2))
    shutil.copy(made, library)
    for number in range(rounds):
        before = state_of(library)
        code, _ = one_command(
            library, doing, ids[number % CASES], number, folder, chance.uniform(0.0, 1.05) * whole
        )
        after = state_of(library)
        found, _ = what_is_wrong(library, [])
        if code == 0 and after == before:
            found.append("ended well, and nothing was kept")
        elif len(after - before) > 2:  # a revision and who made it
            found.append(f"more than one thing was kept: {after - before}")
        became[
            "killed, nothing kept" if after == before else "killed, kept whole" if code else "ended first"
        ] += 1
        wrong += [f"{doing}, command, round {number}: {fault}" for fault in found]
    print(f"{doing}, command: {rounds} kills: {dict(became)}, {len(wrong)} faults", flush=True)
    return wrong


def one_command(  # noqa: PLR0913, PLR0917  what is done where, and for how long it may
    library: Path, doing: str, case_id: str, number: int, folder: Path, seconds: float
) -> tuple[int, float]:
    """Run a command and kill it after some seconds; return its exit code and how long it took."""
    words = COMMANDS[doing][number // CASES % len(COMMANDS[doing])]
    arguments = [{"ID": case_id}.get(word, word.replace("NUMBER", f"number {number}")) for word in words]
    editor = f"sed -i 's/^note: .*/note: number {number} in an editor/'"
    environment = {
        "EDITOR": editor,
        "XDG_DATA_HOME": str(folder / "data"),
        "CASEBASE_TEXT_MODEL": "/no/model",
    }
    running = FORKED.Process(target=command, args=([*arguments, "--library", str(library)], environment))
    began = time.monotonic()
    running.start()
    running.join(seconds)
    running.kill()
    running.join()
    return int(running.exitcode or 0), time.monotonic() - began


def command(arguments: list[str], environment: dict[str, str]) -> None:
    """Run the real command line, silently; in a process of its own."""
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in range(3):
        os.dup2(nowhere, stream)
    os.environ.update(environment)
    app(arguments)


def state_of(path: Path) -> frozenset[tuple[object, ...]]:
    """Return every record, who made it and every word of the lead."""
    with Library.open(path) as library, library.reading() as db:
        tables = ("records", "authorship", "reviews")
        return frozenset((table, *row) for table in tables for row in db.execute(f"SELECT * FROM {table}"))


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdecimal()]
    named = [word for word in sys.argv[1:] if not word.isdecimal()]
    sys.exit(main(*(numbers + [170, 11898][len(numbers) :]), named))
