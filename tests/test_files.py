"""Files that are whole or not there, and locks that end with their process; POSIX: rename(2), link(2), flock(2)."""

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from casebase import files
from casebase.files import (
    folder_of_parts,
    put,
    put_beside_others,
    release_lock,
    sha256_of_file,
    take_lock,
    write_at_once,
    writing_at_once,
)

HOLDS_A_LOCK = """
import sys, time
from pathlib import Path
from casebase.files import take_lock
lock = take_lock(Path(sys.argv[1]))
print(lock is not None, flush=True)
time.sleep(60)
"""


def names_in(folder: Path) -> list[str]:
    """Return what lies in a folder."""
    return sorted(path.name for path in folder.iterdir())


def test_a_file_is_replaced_whole(tmp_path):
    """Afterwards it holds the new content, only its owner may read it, and nothing lies beside it."""
    (tmp_path / "shown").write_text("edition-1.db, and more behind it")
    write_at_once(tmp_path / "shown", b"edition-2.db")
    assert (tmp_path / "shown").read_bytes() == b"edition-2.db"
    assert (tmp_path / "shown").stat().st_mode & 0o777 == 0o600
    assert names_in(tmp_path) == ["shown"]


def test_a_file_for_others_gets_its_permissions_before_it_is_seen(tmp_path, monkeypatch):
    """Nobody meets a file that may not be read yet."""
    seen, replace = [], os.replace
    monkeypatch.setattr(
        os,
        "replace",
        lambda made, place: seen.append(Path(made).stat().st_mode & 0o777) or replace(made, place),
    )
    write_at_once(tmp_path / "shown", b"edition-2.db", 0o644)
    assert seen == [0o644]


def test_what_fails_half_way_changes_nothing(tmp_path):
    """The content before stays, and the half that was written goes."""
    write_at_once(tmp_path / "shown", b"before")
    with pytest.raises(TypeError), writing_at_once(tmp_path / "shown") as file:
        file.writelines([b"half of", "no bytes"])
    assert (tmp_path / "shown").read_bytes() == b"before"
    assert names_in(tmp_path) == ["shown"]


def test_a_finished_file_takes_the_place_of_another_or_refuses_to(tmp_path):
    """`put` replaces, `put_beside_others` never does."""
    (tmp_path / "copy.db").write_text("before")
    with folder_of_parts(tmp_path) as parts:
        (parts / "made").write_text("new")
        with pytest.raises(FileExistsError):
            put_beside_others(parts / "made", tmp_path / "copy.db")
        assert (tmp_path / "copy.db").read_text() == "before"
        put_beside_others(parts / "made", tmp_path / "other.db")
        put(parts / "made", tmp_path / "copy.db")
    assert names_in(tmp_path) == ["copy.db", "other.db"]
    assert {path.read_text() for path in tmp_path.iterdir()} == {"new"}


def test_a_disk_without_second_names_keeps_what_stands_there_too(tmp_path, monkeypatch):
    """Such as FAT, which has no hard links."""

    def none(_made: Path, _place: Path) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    (tmp_path / "made").write_text("new")
    (tmp_path / "there").write_text("before")
    with pytest.raises(FileExistsError):
        put_beside_others(tmp_path / "made", tmp_path / "there")
    put_beside_others(tmp_path / "made", tmp_path / "free")
    assert (tmp_path / "there").read_text() == "before"
    assert names_in(tmp_path) == ["free", "there"]


@pytest.mark.parametrize(
    "writing", [lambda place: write_at_once(place, b"new"), lambda place: unused(place.parent)]
)
def test_what_a_stopped_process_left_goes_an_hour_later(tmp_path, monkeypatch, writing):
    """Files and folders; others may still be at younger ones."""
    (tmp_path / ".casebase-parts-folder").mkdir()
    (tmp_path / ".casebase-parts-folder" / "half").write_text("half")
    (tmp_path / ".casebase-parts-file").write_text("half")
    writing(tmp_path / "copy.db")
    assert {".casebase-parts-file", ".casebase-parts-folder"} <= set(names_in(tmp_path))
    monkeypatch.setattr(files, "LEFT_AFTER_SECONDS", -1)
    writing(tmp_path / "copy.db")
    assert not {".casebase-parts-file", ".casebase-parts-folder"} & set(names_in(tmp_path))


def unused(folder: Path) -> None:
    """Make a folder of parts that nothing is put in."""
    with folder_of_parts(folder):
        pass


def test_the_digest_is_the_published_one(tmp_path):
    """FIPS 180-4, example of SHA-256 for the message `abc`."""
    (tmp_path / "message").write_bytes(b"abc")
    assert sha256_of_file(tmp_path / "message") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_a_lock_is_held_by_one_and_leaves_nothing(tmp_path):
    """Neither the same thread nor another takes it a second time; freed, it can be taken again."""
    lock, others = take_lock(tmp_path / "lock"), []
    other = threading.Thread(target=lambda: others.append(take_lock(tmp_path / "lock")))
    other.start()
    other.join()
    assert lock is not None
    assert [take_lock(tmp_path / "lock"), *others] == [None, None]
    release_lock(lock)
    assert names_in(tmp_path) == []
    again = take_lock(tmp_path / "lock")
    assert again is not None
    release_lock(again)


def test_a_lock_is_free_once_its_process_is_killed(tmp_path):
    """SIGKILL leaves the file, which then keeps nobody out."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS_A_LOCK, str(tmp_path / "lock")], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "True\n"
        assert take_lock(tmp_path / "lock") is None
        other.kill()
    assert names_in(tmp_path) == ["lock"]
    lock = take_lock(tmp_path / "lock")
    assert lock is not None
    release_lock(lock)


def test_a_lock_that_cannot_be_made_says_why(tmp_path):
    """No folder, no lock: an error of the operating system, not a lock that another holds."""
    (tmp_path / "file").touch()
    with pytest.raises(OSError, match=r"File exists|Not a directory"):
        take_lock(tmp_path / "file" / "lock")


def test_a_file_in_use_is_replaced_as_soon_as_it_is_let_go(tmp_path, monkeypatch):
    """Windows refuses while another program has it open (ERROR_SHARING_VIOLATION); forced here."""
    refusals, move = iter([True, True, False]), os.replace

    def refuse_twice(made: Path, place: Path) -> None:
        if next(refusals):
            raise PermissionError(13, "Permission denied", str(made), None, str(place))
        move(made, place)

    monkeypatch.setattr(files, "_AGAIN_AFTER_SECONDS", (0, 0, 0))
    monkeypatch.setattr(os, "replace", refuse_twice)
    write_at_once(tmp_path / "shown", b"new")
    assert (tmp_path / "shown").read_bytes() == b"new"


def test_a_file_that_stays_in_use_is_as_it_was(tmp_path, monkeypatch):
    """The error reaches whoever writes, and nothing half written is left."""
    write_at_once(tmp_path / "shown", b"before")

    def refuse(made: Path, place: Path) -> None:
        raise PermissionError(13, "Permission denied", str(made), None, str(place))

    monkeypatch.setattr(files, "_AGAIN_AFTER_SECONDS", (0,))
    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(PermissionError):
        write_at_once(tmp_path / "shown", b"new")
    assert (tmp_path / "shown").read_bytes() == b"before"
    assert names_in(tmp_path) == ["shown"]
