"""Several processes on one library file: each waits for the other, nothing is lost."""

from __future__ import annotations

import ast
import json
import os
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from casebase.errors import LibraryError
from casebase.library.reviews import said_of
from casebase.library.store import Library, Outcome
from casebase.record.case import Case

MakeCase = Callable[..., Case]

COMMAND = str(Path(sys.executable).parent / "casebase")

LOGGING = """
import sys, time
from pathlib import Path
from casebase.errors import LibraryError
from casebase.library.store import Library
from casebase.record.case import Case

path, name, count, go = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), Path(sys.argv[4])
print("ready", flush=True)
while not go.exists():
    time.sleep(0.0005)
try:
    library = Library.create(path)
except LibraryError as error:
    if "something stands there already" not in str(error):
        raise
    library = Library.open(path)
for number in range(count):
    case = Case.model_validate(
        {"kind": "fault case", "vehicle": {"make": name, "model": "Fjellet"}, "concern": f"{name} {number}"}
    )
    print(library.log([case])[0].case_id, flush=True)
library.close()
"""
"""Logs records one by one, the library made if it is not there, as soon as the file `go` appears."""


def start(path: Path, name: str, count: int, go: Path) -> subprocess.Popen[str]:
    """Start a process that logs `count` records once `go` is there."""
    process = subprocess.Popen(
        [sys.executable, "-c", LOGGING, str(path), name, str(count), str(go)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


@pytest.mark.slow
@pytest.mark.parametrize("is_there", [True, False], ids=["library there", "no library yet"])
def test_two_processes_logging_at_once_lose_nothing(tmp_path: Path, is_there: bool) -> None:
    """Forty records from each of two, starting together, on a library that is there or that both would make."""
    path, go = tmp_path / "shop.db", tmp_path / "go"
    if is_there:
        Library.create(path).close()
    processes = [start(path, name, 40, go) for name in ("Norrvik", "Thorne")]
    go.touch()
    confirmed = []
    for process in processes:
        told, errors = process.communicate(timeout=240)
        assert (process.returncode, errors) == (0, "")
        confirmed += told.split()
    with Library.open(path) as library:
        assert library.count() == len(set(confirmed)) == 80
        assert {row["id"] for row in library.summaries()} == set(confirmed)
        assert [len(library.summaries(make=make)) for make in ("Norrvik", "Thorne")] == [40, 40]
        assert library.faults() == []


@pytest.mark.slow
def test_many_first_openings_at_once_make_one_library(tmp_path: Path) -> None:
    """Several processes that find no library all end up in the same one, the schema laid once."""
    path, go = tmp_path / "shop.db", tmp_path / "go"
    processes = [start(path, f"Make {number}", 2, go) for number in range(4)]
    go.touch()
    for process in processes:
        assert process.communicate(timeout=240)[1] == ""
    with Library.open(path) as library:
        assert library.count() == 8
        assert library.faults() == []


@pytest.mark.slow
def test_two_commands_at_once_both_log_their_files(tmp_path: Path) -> None:
    """`casebase log` from two shells, a file of thirty records each: both exit well, all sixty are there."""
    environment = os.environ | {"CASEBASE_LIBRARY": str(tmp_path / "shop.db")}
    Library.create(tmp_path / "shop.db").close()
    commands = []
    for make in ("Norrvik", "Thorne"):
        records = [
            {"kind": "fault case", "vehicle": {"make": make, "model": "Holt"}, "concern": f"Number {number}."}
            for number in range(30)
        ]
        file = tmp_path / f"{make}.jsonl"
        file.write_text("\n".join(map(json.dumps, records)), encoding="utf-8")
        commands.append(
            subprocess.Popen(
                [COMMAND, "log", str(file)],
                env=environment,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
        )
    for command in commands:
        assert command.communicate(timeout=240)[1] == ""
        assert command.returncode == 0
    with Library.open(tmp_path / "shop.db") as library:
        assert library.count() == 60
        assert library.faults() == []


def test_two_hands_on_one_case_cannot_both_win(tmp_path: Path, make_case: MakeCase) -> None:
    """Two open libraries revise one case from the same revision: the second is told, the first stays."""
    with Library.create(tmp_path / "shop.db") as one, Library.open(tmp_path / "shop.db") as other:
        (logged,) = one.log([make_case()])
        (revised,) = other.log([make_case(note="From the other.", id=logged.case_id, revision=1)])
        assert revised.outcome is Outcome.REVISED
        with pytest.raises(LibraryError, match="revision 2 is kept by now"):
            one.log([make_case(note="From the one.", id=logged.case_id, revision=1)])
        assert one.get(logged.case_id).case.note == "From the other."


def test_reading_goes_on_while_another_writes(tmp_path: Path, make_case: MakeCase) -> None:
    """A list is shown as it was before the writing began, at once; the unfinished case is not in it."""
    with Library.create(tmp_path / "shop.db") as writer, Library.open(tmp_path / "shop.db") as reader:
        writer.log([make_case()])
        counts = []

        def half_way() -> object:
            yield make_case(concern="Another one.")
            counts.append(reader.count())
            counts.append(len(reader.summaries(find="another")))

        writer.log(half_way())  # type: ignore[arg-type]
        assert counts == [1, 0]
        assert reader.count() == 2


@pytest.mark.of_the_file
def test_a_check_waits_for_another_process_and_says_so(library: Library, make_case: MakeCase) -> None:
    """A library that is being written to is not called broken."""
    library.log([make_case()])
    library._db.execute("PRAGMA busy_timeout = 50")
    with closing(sqlite3.connect(library.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LibraryError, match="another process has been writing"):
            library.faults()
        other.execute("ROLLBACK")
    assert library.faults() == []


MENDING = """
import sys, time
from pathlib import Path
from casebase.errors import LibraryError
from casebase.library.mending import bring_back, remove, take_back
from casebase.library.reviews import Said, say
from casebase.library.store import Library
from casebase.terminal.editing import keep_edited

path, name, case_id, go = Path(sys.argv[1]), sys.argv[2], sys.argv[3], Path(sys.argv[4])
print("ready", flush=True)
while not go.exists():
    time.sleep(0.0005)
told = {"edited": 0, "taken back": 0, "removed": 0, "brought back": 0, "returned": 0, "refused": 0}
with Library.open(path) as library:
    for number in range(60):
        try:
            if number % 4 == 3:
                what = ("taken back", "removed", "brought back", "returned")[number // 4 % 4]
                if what == "taken back":
                    take_back(library, case_id, name)
                elif what == "returned":
                    say(library, case_id, Said.RETURNED, name, str(number))
                else:
                    (remove if what == "removed" else bring_back)(library, case_id, name)
                told[what] += 1
            else:
                kept = library.get(case_id)
                case = kept.case.model_copy(update={"note": f"{name} {number}"})
                keep_edited(library, kept, case, name)
                told["edited"] += 1
        except LibraryError:
            told["refused"] += 1
print(told, flush=True)
"""


@pytest.mark.slow
def test_two_who_mend_one_record_at_once_are_told_and_lose_nothing(
    tmp_path: Path, make_case: MakeCase
) -> None:
    """Edited, taken back, removed, brought back and returned by two: what each was told is what stands there."""
    path, go = tmp_path / "shop.db", tmp_path / "go"
    with Library.create(path) as library:
        (logged,) = library.log([make_case(provenance={"ended": "2026-11-20"})])
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", MENDING, str(path), name, logged.case_id, str(go)],
            stdout=subprocess.PIPE,
            text=True,
        )
        for name in ("tova", "bo")
    ]
    for process in processes:
        assert process.stdout is not None
        process.stdout.readline()
    go.touch()
    done = [ast.literal_eval(process.communicate(timeout=240)[0]) for process in processes]
    with Library.open(path) as library:
        rows = library.revisions(logged.case_id)[1:]
        for name, told in zip(("tova", "bo"), done, strict=True):
            own = Counter(row["made"] for row in rows if row["by"] == name)
            # What was brought back by taking a removal back is one more of that, and one less of the other.
            assert own.total() + told["returned"] + told["refused"] == 60
            assert (own["edited"], own["removed"]) == (told["edited"], told["removed"])
            words = [word for word in said_of(library, logged.case_id) if word["by"] == name]
            assert len(words) == told["returned"]
        assert sum(told["refused"] for told in done) > 0
        assert library.faults() == []
