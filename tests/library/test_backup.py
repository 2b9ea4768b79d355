"""A copy made while people write: whole, checked, and never put over what it does not hold."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import sys
import time
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from other_processes import confirmed_until_now, run, writer

from casebase import files
from casebase.errors import LibraryError
from casebase.library.backup import back_up, dated_copies
from casebase.library.file_store import files_folder
from casebase.library.store import Library
from casebase.record.case import Case

MakeCase = Callable[..., Case]

pytestmark = pytest.mark.of_the_file


def rows(path: Path) -> list[tuple[int, str]]:
    """Return number and SHA-256 of every record, read by Python's sqlite3 alone."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT rowid, sha256 FROM records ORDER BY rowid").fetchall()


def attach(library: Path, content: bytes) -> str:
    """Put a file beside a library as it lies there, and return its SHA-256."""
    sha256 = hashlib.sha256(content).hexdigest()
    place = files_folder(library) / sha256[:2] / sha256
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(content)
    return sha256


def several(make_case: MakeCase, count: int, word: str = "Number") -> list[Case]:
    """Return so many records, no two alike."""
    return [make_case(concern=f"{word} {number}.") for number in range(count)]


def digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_copy_holds_every_record_by_its_number(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """The file alone, without a log beside it, is the library."""
    library.log(several(make_case, 30))
    made = back_up(library, tmp_path / "copy.db")
    assert made.cases == 30
    assert made.bytes == (tmp_path / "copy.db").stat().st_size
    assert rows(tmp_path / "copy.db") == rows(library.path)
    assert not (tmp_path / "copy.db-wal").exists()
    assert (tmp_path / "copy.db").read_bytes()[
        18:20
    ] == b"\1\1"  # rollback mode: SQLite file format, offset 18
    with Library.open(tmp_path / "copy.db") as copy:
        assert copy.faults() == []


@pytest.mark.slow
def test_a_copy_ends_while_somebody_writes_all_the_time(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """It holds what was kept when it began, and every record logged before that; the writer is not held up."""
    library.log(several(make_case, 500, "a long story. " * 200))
    other = writer(library.path, "Number")
    try:
        before = rows(library.path)
        begun = time.monotonic()
        back_up(library, tmp_path / "copy.db")
        assert time.monotonic() - begun < 20
        after = rows(library.path)
    finally:
        confirmed_until_now(other)
    copied = rows(tmp_path / "copy.db")
    assert copied[: len(before)] == before
    assert after[: len(copied)] == copied
    assert len(after) > len(before)


def test_an_earlier_copy_is_replaced_by_a_longer_one(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """The nightly copy under one name."""
    library.log(several(make_case, 3))
    back_up(library, tmp_path / "copy.db")
    library.log(several(make_case, 5, "Another"))
    assert back_up(library, tmp_path / "copy.db").cases == 8
    assert len(rows(tmp_path / "copy.db")) == 8


def test_a_copy_that_holds_more_is_not_replaced(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """After going back to an old state, the copy of the day before is the only one with the lost records."""
    library.log(several(make_case, 3))
    back_up(library, tmp_path / "copy.db")
    with closing(sqlite3.connect(tmp_path / "copy.db")) as copy:
        copy.execute("INSERT INTO records VALUES ('zzzzzzzz', 1, 'x', '{}', '2026-11-25')")
        copy.commit()
    there = digest(tmp_path / "copy.db")
    with pytest.raises(LibraryError, match="holds records that this library lacks"):
        back_up(library, tmp_path / "copy.db")
    assert digest(tmp_path / "copy.db") == there


@pytest.mark.slow
@pytest.mark.parametrize("standing", ["a text", "another library", "an empty file", "another program's"])
def test_what_is_no_earlier_copy_is_left_alone(
    library: Library, make_case: MakeCase, tmp_path: Path, standing: str
) -> None:
    """A copy is never written over something else."""
    library.log([make_case()])
    out = tmp_path / "out.db"
    if standing == "another library":
        Library.create(out).close()
    elif standing == "another program's":
        with closing(sqlite3.connect(out)) as other:
            other.execute("CREATE TABLE facts (name, value)")
            other.commit()
    else:
        out.write_text("minutes of the meeting" if standing == "a text" else "")
    there = digest(out)
    with pytest.raises(LibraryError, match="something else stands there"):
        back_up(library, out)
    assert digest(out) == there


def test_the_library_is_no_place_for_its_copy(library: Library, tmp_path: Path) -> None:
    """By whatever name it is given."""
    (tmp_path / "other name.db").hardlink_to(library.path)
    for out in (library.path, tmp_path / "other name.db"):
        with pytest.raises(LibraryError, match="this is the library itself"):
            back_up(library, out)


def test_a_record_changed_outside_leaves_the_earlier_copy(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """What is not whole is no copy, and nothing is left of the attempt."""
    (logged,) = library.log([make_case()])
    back_up(library, tmp_path / "copy.db")
    there = digest(tmp_path / "copy.db")
    with closing(sqlite3.connect(library.path)) as connection:
        connection.execute("UPDATE records SET json = replace(json, 'dead', 'alive')")
        connection.commit()
    with pytest.raises(
        LibraryError, match=f"not whole: case {logged.case_id}, revision 1: the record does not"
    ):
        back_up(library, tmp_path / "copy.db")
    assert digest(tmp_path / "copy.db") == there
    assert list(tmp_path.glob(".casebase*")) == []


def test_a_record_that_another_casebase_wrote_does_not_stop_the_copy(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """What does not fit the format of today is kept as it was written, and so it is copied."""
    library.log([make_case()])
    text = '{"kind": "some kind of tomorrow"}'
    with closing(sqlite3.connect(library.path)) as connection:
        told = ("zzzzzzzz", 1, hashlib.sha256(text.encode()).hexdigest(), text, "2026-11-25")
        connection.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?)", told)
        connection.commit()
    back_up(library, tmp_path / "copy.db")
    assert rows(tmp_path / "copy.db") == rows(library.path)


def test_a_folder_that_is_not_there_is_not_made(library: Library, tmp_path: Path) -> None:
    """Where the disk for copies is not mounted, nobody wants them on the system's own disk."""
    with pytest.raises(LibraryError, match="see that the disk is there"):
        back_up(library, tmp_path / "mount" / "copy.db")
    with pytest.raises(LibraryError, match="--keep goes with a folder"):
        back_up(library, tmp_path / "mount", keep=3)


@pytest.mark.slow
def test_only_the_last_copies_stay_in_a_folder(library: Library, make_case: MakeCase, tmp_path: Path) -> None:
    """Those of other libraries, and files of other names, are nobody's to remove."""
    folder = tmp_path / "copies"
    folder.mkdir()
    (folder / "notes.db").write_text("mine")
    Library.create(folder / "shop-2026-11-01T0230.db").close()
    for day in range(20, 26):
        library.log([make_case(concern=f"Day {day}.")])
        made = back_up(library, folder, keep=3, now=datetime(2026, 11, day, 2, 30))
    assert [path.name for path in dated_copies(library.path, folder)] == [
        "shop-2026-11-01T0230.db",
        "shop-2026-11-23T0230.db",
        "shop-2026-11-24T0230.db",
        "shop-2026-11-25T0230.db",
    ]
    assert [path.name for path in made.removed] == ["shop-2026-11-22T0230.db"]
    assert (folder / "notes.db").read_text() == "mine"


def test_the_only_copy_of_a_lost_record_stays(library: Library, make_case: MakeCase, tmp_path: Path) -> None:
    """Whatever --keep says, a copy goes only where all its records stand in the new one."""
    folder = tmp_path / "copies"
    folder.mkdir()
    library.log([make_case()])
    back_up(library, folder, keep=1, now=datetime(2026, 11, 1, 2, 30))
    (old,) = dated_copies(library.path, folder)
    with closing(sqlite3.connect(old)) as copy:
        copy.execute("INSERT INTO records VALUES ('zzzzzzzz', 1, 'x', '{}', '2026-11-25')")
        copy.commit()
    made = back_up(library, folder, keep=1, now=datetime(2026, 11, 2, 2, 30))
    assert (made.removed, made.left) == ([], [old])
    assert old.exists()


def test_attached_files_go_along_once(library: Library, make_case: MakeCase, tmp_path: Path) -> None:
    """All copies of a folder share one folder of files; what is there is not copied again."""
    folder = tmp_path / "copies"
    folder.mkdir()
    library.log([make_case()])
    sha256 = attach(library.path, b"a picture of a splice")
    assert back_up(library, folder, now=datetime(2026, 11, 24, 2, 30)).files == 1
    kept = folder / "shop.db.files" / sha256[:2] / sha256
    assert kept.read_bytes() == b"a picture of a splice"
    stamp = kept.stat().st_mtime_ns
    attach(library.path, b"another picture")
    assert back_up(library, folder, now=datetime(2026, 11, 25, 2, 30)).files == 1
    assert kept.stat().st_mtime_ns == stamp
    assert [path.name for path in folder.glob("*.files")] == ["shop.db.files"]


def test_a_rotten_attached_file_is_told_and_the_records_are_copied(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """A picture that is not what its name says must not keep the records from being safe."""
    library.log([make_case()])
    sha256 = attach(library.path, b"a picture")
    (files_folder(library.path) / sha256[:2] / sha256).write_bytes(b"a picturf")
    made = back_up(library, tmp_path / "copy.db")
    assert len(rows(tmp_path / "copy.db")) == 1
    (fault,) = made.faults
    assert sha256 in fault
    assert "does not match its SHA-256" in fault
    assert not (tmp_path / "copy.db.files" / sha256[:2] / sha256).exists()


def test_an_attached_file_that_is_missing_is_told(
    library: Library, make_case: MakeCase, tmp_path: Path
) -> None:
    """A record names it, nobody has it."""
    missing = hashlib.sha256(b"gone").hexdigest()
    named = make_case(attachments=[{"file": "splice.png", "shows": "the splice", "sha256": missing}])
    library.log([named])
    made = back_up(library, tmp_path / "copy.db")
    assert [missing in fault for fault in made.faults] == [True]


def test_what_a_killed_copy_left_goes_an_hour_later(
    library: Library, make_case: MakeCase, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parts that somebody may still be writing stay."""
    library.log([make_case()])
    (tmp_path / ".casebase-parts-killed").mkdir()
    (tmp_path / ".casebase-parts-killed" / "copy.db").write_text("half")
    back_up(library, tmp_path / "copy.db")
    assert (tmp_path / ".casebase-parts-killed").exists()
    monkeypatch.setattr(files, "LEFT_AFTER_SECONDS", -1)
    back_up(library, tmp_path / "copy.db")
    assert not (tmp_path / ".casebase-parts-killed").exists()


@pytest.mark.slow
def test_the_command_makes_a_copy_and_tells_it(library: Library, make_case: MakeCase, tmp_path: Path) -> None:
    """`casebase backup` as a nightly job runs it; exit codes 0 and 2."""
    library.log(several(make_case, 4))
    (tmp_path / "copies").mkdir()
    told = run("backup", tmp_path / "copies", "--keep", "2", "--library", library.path, "--json")
    data = json.loads(told.stdout)
    assert (told.returncode, data["records"], data["faults"]) == (0, 4, [])
    assert len(rows(Path(data["file"]))) == 4
    refused = run("backup", library.path, "--library", library.path)
    assert (refused.returncode, refused.stdout) == (2, "")
    assert refused.stderr.startswith("Error: ")
    assert refused.stderr.count("\n") == 1
