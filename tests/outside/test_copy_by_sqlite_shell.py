"""A copy of a library, looked at by the command-line shell of the SQLite project: sqlite3, in Debian's package.

Source of what is asked: "Command Line Shell For SQLite", dot-commands `.selftest`, `.sha3sum` and `.dbinfo`, and
"PRAGMA integrity_check", "PRAGMA quick_check" and "PRAGMA foreign_key_check" in SQLite's documentation.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from needed_programs import needs

from casebase.errors import CasebaseError
from casebase.library.backup import back_up
from casebase.library.restore import restore
from casebase.library.store import Library
from casebase.record.loading import load_file

SHELL = shutil.which("sqlite3")
DEMO_FOLDER = Path(__file__).parents[2] / "demo_cases"

pytestmark = [needs("sqlite3"), pytest.mark.slow]


def shell(path: Path, *commands: str) -> str:
    """Return what the shell prints for some commands, the file opened read-only."""
    assert SHELL is not None, "the sqlite3 shell is not installed"
    done = subprocess.run(
        [SHELL, "-readonly", "-batch", str(path), *commands], capture_output=True, text=True, check=True
    )
    return done.stdout.strip()


@pytest.fixture
def library(tmp_path: Path) -> Library:
    """A library of invented cases, open, with a part of it still in its log."""
    made = Library.create(tmp_path / "shop.db")
    for path in sorted(DEMO_FOLDER.glob("*.yaml"))[:12]:
        try:
            made.log(load_file(path))
        except CasebaseError:
            continue
    return made


def test_the_shell_finds_a_copy_whole(library: Library, tmp_path: Path) -> None:
    """Pages, indexes, keys: the checks that SQLite's own shell has."""
    back_up(library, tmp_path / "copy.db")
    assert (tmp_path / "shop.db-wal").stat().st_size > 0
    copy = tmp_path / "copy.db"
    assert shell(copy, "PRAGMA integrity_check") == "ok"
    assert shell(copy, "PRAGMA quick_check") == "ok"
    assert shell(copy, "PRAGMA foreign_key_check") == ""
    assert shell(copy, "PRAGMA journal_mode") == "delete"
    assert "0 errors out of" in shell(copy, ".selftest")


def test_the_shell_finds_the_same_content_in_library_copy_and_restored(
    library: Library, tmp_path: Path
) -> None:
    """SHA3 over all rows of `records`, by the shell: what was logged, copied, and put back is the same."""
    back_up(library, tmp_path / "copy.db")
    there = shell(tmp_path / "shop.db", ".sha3sum records")
    library.close()
    restore(tmp_path / "copy.db", tmp_path / "new.db", datetime(2026, 11, 25))
    restore(tmp_path / "copy.db", tmp_path / "shop.db", datetime(2026, 11, 25))
    for name in ("copy.db", "new.db", "shop.db", "shop-before-2026-11-25T000000.db"):
        assert shell(tmp_path / name, ".sha3sum records") == there
        assert shell(tmp_path / name, "PRAGMA integrity_check") == "ok"
    assert int(shell(tmp_path / "copy.db", "SELECT count(*) FROM records")) >= 12


def test_the_shell_says_what_a_copy_is(library: Library, tmp_path: Path) -> None:
    """The application's mark at offset 68 of the file, as the SQLite file format has it."""
    back_up(library, tmp_path / "copy.db")
    assert shell(tmp_path / "copy.db", "PRAGMA application_id") == str(int.from_bytes(b"CBSE", "big"))
