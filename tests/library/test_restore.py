"""The way back: the copy takes the library's place, and what stood there is never lost."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
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

from casebase.errors import LibraryError
from casebase.library import restore as restoring
from casebase.library.backup import back_up
from casebase.library.file_store import files_folder
from casebase.library.matching import index_folder
from casebase.library.restore import restore
from casebase.library.schema import MIGRATIONS
from casebase.library.store import Library
from casebase.record.case import Case

MakeCase = Callable[..., Case]

DEMO_FOLDER = Path(__file__).parents[2] / "demo_cases"
NOW = datetime(2026, 11, 25, 21, 30)


def ids(path: Path) -> set[str]:
    """Return the IDs of a library, read by Python's sqlite3 alone."""
    with closing(sqlite3.connect(path)) as connection:
        return {row[0] for row in connection.execute("SELECT case_id FROM records")}


def logged(path: Path, make_case: MakeCase, word: str, count: int = 3) -> set[str]:
    """Log some records, made for the word, and return their IDs."""
    cases = [make_case(concern=f"{word} {number}.") for number in range(count)]
    with Library.open(path) if path.exists() else Library.create(path) as library:
        return {one.case_id for one in library.log(cases)}


def copied(path: Path) -> Path:
    """Return a copy of a library in a folder of its own."""
    copy = path.parent / "copies" / "copy.db"
    copy.parent.mkdir(exist_ok=True)
    with Library.open(path) as library:
        back_up(library, copy)
    return copy


def is_whole(path: Path) -> bool:
    """Return whether a library is whole, tables and full text included."""
    with Library.open(path) as library:
        return library.faults() == []


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """The path of a shop's library, not made yet."""
    return tmp_path / "shop.db"


@pytest.mark.slow
def test_the_old_state_comes_back_and_the_new_one_is_kept_aside(shop: Path, make_case: MakeCase) -> None:
    """And the way back to that is a restore again."""
    old = logged(shop, make_case, "old")
    copy = copied(shop)
    new = logged(shop, make_case, "new")
    done = restore(copy, shop, NOW)
    assert done.aside == shop.with_name("shop-before-2026-11-25T213000.db")
    assert (ids(shop), ids(done.aside)) == (old, old | new)
    assert is_whole(shop)
    restore(done.aside, shop, NOW)
    assert ids(shop) == old | new
    assert ids(shop.with_name("shop-before-2026-11-25T213000-2.db")) == old
    assert is_whole(shop)


def test_the_restored_library_takes_many_hands_again(shop: Path, make_case: MakeCase) -> None:
    """It is in WAL mode as before, where readers do not wait for a writer."""
    logged(shop, make_case, "old")
    for place in (shop, shop.with_name("another.db")):
        restore(copied(shop), place, NOW)
        with closing(sqlite3.connect(place)) as connection:
            assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


@pytest.mark.slow
def test_a_copy_that_is_worked_in_can_be_restored_over(shop: Path, make_case: MakeCase) -> None:
    """It is in rollback mode, where a writer keeps readers out: it is put aside all the same, with somebody reading."""
    old = logged(shop, make_case, "old")
    worked_in = copied(shop)
    new = logged(shop, make_case, "new")
    other = shop.with_name("other copy.db")
    with Library.open(shop) as library:
        back_up(library, other)
    with Library.open(worked_in) as reader:
        done = restore(other, worked_in, NOW)
        assert {row["id"] for row in reader.summaries()} == old | new
    assert done.aside is not None
    assert (ids(worked_in), ids(done.aside)) == (old | new, old)


def test_on_a_new_computer_the_copy_is_the_library(shop: Path, make_case: MakeCase, tmp_path: Path) -> None:
    """Folders that are lacking are made."""
    old = logged(shop, make_case, "old")
    there = tmp_path / "new" / "computer" / "library.db"
    assert restore(copied(shop), there).aside is None
    assert ids(there) == old
    assert is_whole(there)


def test_the_log_of_a_library_that_was_removed_does_not_come_back(shop: Path, make_case: MakeCase) -> None:
    """Somebody removed shop.db alone: SQLite would take the log beside it for that of the new file."""
    logged(shop, make_case, "old")
    copy = copied(shop)
    with Library.open(shop) as library:
        library.log([make_case(concern="In the log alone.")])
        log = shop.with_name("shop.db-wal").read_bytes()
    shop.unlink()
    shop.with_name("shop.db-wal").write_bytes(log)
    restore(copy, shop, NOW)
    assert ids(shop) == ids(copy)
    assert is_whole(shop)
    assert shop.with_name("shop-before-2026-11-25T213000.db-wal").read_bytes() == log


def cut(path: Path) -> None:
    """Cut the file off in the middle."""
    os.truncate(path, path.stat().st_size // 2)


def overwrite(path: Path) -> None:
    """Write something else over the beginning."""
    with path.open("rb+") as file:
        file.write(b"not this any more" * 300)


def scramble(path: Path) -> None:
    """Write chance over everything but the first page."""
    with path.open("rb+") as file:
        file.seek(4096)
        file.write(random.Random(1).randbytes(path.stat().st_size - 4096))


def empty(path: Path) -> None:
    """Leave a file of no bytes."""
    os.truncate(path, 0)


@pytest.mark.slow
@pytest.mark.parametrize("damage", [cut, overwrite, scramble, empty])
def test_a_damaged_library_is_replaced_and_its_bytes_kept(
    shop: Path, make_case: MakeCase, damage: Callable[[Path], None]
) -> None:
    """The usual reason to restore: whatever can still be got out of the file stays at hand."""
    old = logged(shop, make_case, "old", 200)
    copy = copied(shop)
    damage(shop)
    broken = shop.read_bytes()
    done = restore(copy, shop, NOW)
    assert ids(shop) == old
    assert is_whole(shop)
    assert done.aside is not None
    # A file that SQLite can still open goes through its hands: the header counts a change, the rest is as it was.
    assert done.aside.read_bytes()[100:] == broken[100:]


@pytest.mark.slow
def test_a_damaged_copy_changes_nothing(shop: Path, make_case: MakeCase) -> None:
    """Whatever is wrong with it, it is found before the library is touched."""
    logged(shop, make_case, "old", 200)
    copy = copied(shop)
    whole, there = copy.read_bytes(), shop.read_bytes()
    for damage in (cut, overwrite, scramble, empty):
        copy.write_bytes(whole)
        damage(copy)
        with pytest.raises(LibraryError, match=r"copy\.db: "):
            restore(copy, shop, NOW)
    assert shop.read_bytes() == there
    assert sorted(path.name for path in shop.parent.iterdir()) == ["copies", "shop.db"]


def test_a_record_changed_in_the_copy_is_found(shop: Path, make_case: MakeCase) -> None:
    """SQLite sees nothing wrong in it; the SHA-256 of the record does."""
    logged(shop, make_case, "old")
    copy = copied(shop)
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("UPDATE records SET json = replace(json, 'old 1', 'old 7')")
        connection.commit()
    with pytest.raises(LibraryError, match="does not match its SHA-256: nothing was restored"):
        restore(copy, shop)


def test_a_copy_of_a_newer_casebase_is_refused(shop: Path, make_case: MakeCase) -> None:
    """What its tables mean is not known here."""
    logged(shop, make_case, "old")
    copy = copied(shop)
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('casebase', '9999_later', '')"
        )
        connection.commit()
    with pytest.raises(LibraryError, match="made by a newer casebase"):
        restore(copy, shop)


def test_a_copy_of_an_older_casebase_is_brought_up_to_date(shop: Path, make_case: MakeCase) -> None:
    """Before it takes the library's place, so that a process that has it open finds the tables it knows."""
    old = logged(shop, make_case, "old")
    copy = copied(shop)
    with closing(sqlite3.connect(copy)) as connection:
        connection.executescript(
            "DROP TABLE news; DELETE FROM _sqlite_migrations WHERE name = '0008_news';"
            "DELETE FROM facts WHERE name = 'derived version'"
        )
    with Library.open(shop) as library:
        restore(copy, shop)
        with library.reading() as db:
            assert MIGRATIONS.pending(db) == []
            assert db.execute("SELECT count(*) FROM news").fetchone() == (0,)
    assert ids(shop) == old
    assert is_whole(shop)


def test_what_is_no_copy_is_refused(shop: Path, make_case: MakeCase, tmp_path: Path) -> None:
    """Nothing there, a folder, the library itself, another program's database."""
    logged(shop, make_case, "old")
    with closing(sqlite3.connect(tmp_path / "other.db")) as other:
        other.execute("CREATE TABLE jobs (name)")
    refused = {
        "gone.db": "no copy there",
        "copies": "no copy there",
        "shop.db": "this is the library itself",
        "other.db": "another program",
    }
    copy = copied(shop)
    for name, said in refused.items():
        with pytest.raises(LibraryError, match=said):
            restore(tmp_path / name, shop)
    with pytest.raises(LibraryError, match="another program"):
        restore(copy, tmp_path / "other.db")
    with pytest.raises(LibraryError, match="a folder, not a library file"):
        restore(copy, tmp_path)


def test_a_library_in_use_is_no_copy_but_a_plain_copy_of_a_closed_one_is(
    shop: Path, make_case: MakeCase, tmp_path: Path
) -> None:
    """A part of a library in use is in its log; once all have closed it, the file alone is the library."""
    old = logged(shop, make_case, "old")
    with Library.open(shop) as library:
        library.log([make_case(concern="In the log alone.")])
        with pytest.raises(LibraryError, match=r"a part is in shop\.db-wal"):
            restore(shop, tmp_path / "new.db")
    (tmp_path / "plain.db").write_bytes(shop.read_bytes())
    restore(tmp_path / "plain.db", tmp_path / "new.db")
    assert len(ids(tmp_path / "new.db") - old) == 1


@pytest.mark.slow
def test_an_open_library_sees_and_writes_the_restored_one(shop: Path, make_case: MakeCase) -> None:
    """A process that has the file open since before goes on in it, and not in a file that is gone."""
    old = logged(shop, make_case, "old")
    copy = copied(shop)
    with Library.open(shop) as library:
        library.log([make_case(concern="After the copy.")])
        restore(copy, shop)
        assert {row["id"] for row in library.summaries()} == old
        (later,) = library.log([make_case(concern="After the restore.")])
    assert ids(shop) == old | {later.case_id}
    assert is_whole(shop)


@pytest.mark.slow
def test_what_others_write_during_a_restore_is_here_or_aside(shop: Path, make_case: MakeCase) -> None:
    """Two processes log without a pause while a third restores three times: no confirmed case is lost."""
    old = logged(shop, make_case, "old", 100)
    copy = copied(shop)
    writers = [writer(shop, name) for name in ("north", "south")]
    done = []
    for _ in range(3):
        done.append(run("restore", copy, "--library", shop))
        time.sleep(0.2)
    confirmed = set().union(*map(confirmed_until_now, writers))
    assert [(one.returncode, one.stderr) for one in done] == [(0, "")] * 3
    asides = list(shop.parent.glob("shop-before-*.db"))
    assert len(asides) == 3
    assert len(confirmed) > 10
    assert confirmed <= ids(shop).union(*map(ids, asides))
    assert old <= ids(shop)
    assert is_whole(shop)


@pytest.mark.slow
def test_a_restore_waits_for_a_writer_and_says_so(
    shop: Path, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody holds the library for longer than anybody waits: nothing is changed, nothing put aside."""
    logged(shop, make_case, "old")
    copy = copied(shop)
    monkeypatch.setattr(restoring, "BUSY_SECONDS", 0.1)
    with closing(sqlite3.connect(shop, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LibraryError, match="another process has been writing"):
            restore(copy, shop)
        other.execute("ROLLBACK")
    assert sorted(path.name for path in shop.parent.glob("*.db")) == ["shop.db"]
    assert is_whole(shop)


def test_a_library_that_cannot_be_put_aside_is_not_replaced(
    shop: Path, make_case: MakeCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the pages are written by then, and are taken back."""
    old = logged(shop, make_case, "old")
    copy = copied(shop)
    new = logged(shop, make_case, "new")

    def no_room(library: Path, aside: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(restoring, "_copy_aside", no_room)
    with pytest.raises(LibraryError, match="No space left on device"):
        restore(copy, shop)
    assert ids(shop) == old | new
    assert is_whole(shop)


@pytest.mark.slow
def test_the_index_of_the_library_before_is_not_taken_for_its(shop: Path, make_case: MakeCase) -> None:
    """The last record has the same number and content as before, and yet the one before it is another."""
    logged(shop, make_case, "old")
    copy = copied(shop)
    last = make_case(concern="The last one.")
    with Library.open(shop) as library:
        library.log([make_case(codes=[{"code": "U0100"}]), last])
        library.collection()
    restore(copy, shop)
    with Library.open(shop) as library:
        library.log([make_case(codes=[{"code": "U0155"}]), last])
        found = library.collection().index
        shutil.rmtree(index_folder(shop))
        expected = library.collection().index
    assert found.atoms == expected.atoms
    assert all((found.arrays[name] == expected.arrays[name]).all() for name in expected.arrays)


def test_attached_files_come_back_checked(shop: Path, make_case: MakeCase, tmp_path: Path) -> None:
    """Those that are lacking and those that rotted; one that no copy has is told, and the records come all the same."""
    contents = {hashlib.sha256(text).hexdigest(): text for text in (b"a splice", b"a plug", b"never copied")}
    first, second, missing = contents
    named = [{"file": f"{number}.png", "sha256": sha256} for number, sha256 in enumerate(contents)]
    with Library.create(shop) as library:
        library.log([make_case(attachments=named)])
        for sha256 in (first, second):
            place_of(shop, sha256).parent.mkdir(parents=True)
            place_of(shop, sha256).write_bytes(contents[sha256])
        copies = tmp_path / "copies"
        copies.mkdir()
        copy = back_up(library, copies, now=NOW).path
    place_of(shop, first).unlink()
    place_of(shop, second).write_bytes(b"a plus")
    done = restore(copy, shop)
    assert done.files == 2
    assert [missing in fault for fault in done.faults] == [True]
    for sha256 in (first, second):
        assert place_of(shop, sha256).read_bytes() == contents[sha256]
    elsewhere = tmp_path / "new" / "library.db"
    assert restore(copy, elsewhere).files == 2
    assert place_of(elsewhere, first).read_bytes() == b"a splice"


def place_of(library: Path, sha256: str) -> Path:
    """Return where an attached file lies."""
    return files_folder(library) / sha256[:2] / sha256


def test_who_may_not_read_the_library_may_not_read_its_copies(shop: Path, make_case: MakeCase) -> None:
    """A library for its owner's eyes stays so, wherever it goes."""
    logged(shop, make_case, "old")
    shop.chmod(0o600)
    copy = copied(shop)
    done = restore(copy, shop)
    assert done.aside is not None
    restore(copy, shop.with_name("new.db"))
    modes = {path.stat().st_mode & 0o777 for path in (shop, copy, done.aside, shop.with_name("new.db"))}
    assert modes == {0o600}


@pytest.mark.slow
def test_the_command_restores_and_says_where_the_library_before_is(shop: Path, make_case: MakeCase) -> None:
    """Exit code 0 and plain data; 2 and one sentence where there is no copy."""
    old = logged(shop, make_case, "old")
    copy = copied(shop)
    new = logged(shop, make_case, "new")
    done = run("restore", copy, "--library", shop, "--json")
    told = json.loads(done.stdout)
    assert (done.returncode, told["records"], told["was_damaged"]) == (0, 3, False)
    assert ids(Path(told["aside"])) == old | new
    refused = run("restore", shop.parent / "none.db", "--library", shop)
    assert (refused.returncode, refused.stdout, refused.stderr.count("\n")) == (2, "", 1)


@pytest.mark.slow
def test_similar_answers_from_the_restored_library(shop: Path, tmp_path: Path) -> None:
    """The real command, with the index of the state before still lying there."""
    first, second = sorted(DEMO_FOLDER.glob("*.yaml"))[:8], sorted(DEMO_FOLDER.glob("*.yaml"))[8:16]
    job = sorted((DEMO_FOLDER / "jobs").glob("*.yaml"))[0]
    Library.create(shop).close()
    run("log", *first, "--library", shop)
    before = run("similar", job, "--library", shop, "--json").stdout
    copy = copied(shop)
    run("log", *second, "--library", shop)
    assert run("similar", job, "--library", shop, "--json").stdout != before
    run("restore", copy, "--library", shop)
    after = run("similar", job, "--library", shop, "--json")
    assert json.loads(after.stdout)["matches"]
    assert after.stdout == before
