"""The folder of editions: one file for each, its SHA-256 beside it, and a line that says which one is shown.

Files are never written again. What changes is the line, at once: whoever reads sees one edition or the other.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import sqlite3
import tempfile
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import EditionError
from casebase.publish.edition import is_frozen, open_frozen

_NAME: Final = re.compile(r"edition-(\d{1,6})\.db")
_SHOWN: Final = "shown"

LEFT_AFTER_SECONDS: Final = 3600
"""A folder of parts that nobody touched for an hour belongs to nobody who is still publishing."""


@dataclass(frozen=True)
class EditionFile:
    """One edition: number, day, how many records, who signed it off, the SHA-256 of the file, whether it is shown."""

    number: int
    path: Path
    day: str
    records: int
    signed_off_by: str
    sha256: str
    is_shown: bool


def edition_path(folder: Path, number: int) -> Path:
    """Return where an edition stands."""
    return folder / f"edition-{number}.db"


def numbers_in(folder: Path) -> list[int]:
    """Return the numbers of the editions in a folder, the lowest first."""
    found = (_NAME.fullmatch(path.name) for path in folder.glob("edition-*.db"))
    return sorted(int(name[1]) for name in found if name)


def remove_unfinished(folder: Path) -> None:
    """Remove what a publication that was stopped half way left: a file without its SHA-256, folders of parts."""
    for number in numbers_in(folder):
        path = edition_path(folder, number)
        if not kept_digest(path):
            path.unlink(missing_ok=True)
    for left in folder.glob(".edition-*"):
        if time.time() - left.stat().st_mtime > LEFT_AFTER_SECONDS:
            shutil.rmtree(left, ignore_errors=True)


def shown_path(folder: Path) -> Path:
    """Return the file of the edition that is shown; raise `EditionError` where there is none."""
    try:
        name = (folder / _SHOWN).read_text(encoding="utf-8").strip()
    except OSError:
        name = ""
    path = folder / name
    if not _NAME.fullmatch(name) or not is_frozen(path):
        raise EditionError(f"{folder}: no edition is shown here: make one with casebase publish {folder}")
    return path


def show_edition(folder: Path, number: int) -> None:
    """Show another edition from now on; raise `EditionError` where there is none of that number."""
    path = edition_path(folder, number)
    if not is_frozen(path):
        there = ", ".join(map(str, numbers_in(folder))) or "none"
        raise EditionError(f"{folder}: there is no edition {number}: expected one of {there}")
    write_at_once(folder / _SHOWN, f"{path.name}\n")


def editions_in(folder: Path) -> list[EditionFile]:
    """Return the editions of a folder, the newest first."""
    try:
        shown = shown_path(folder)
    except EditionError:
        shown = None
    return [_edition(edition_path(folder, number), number, shown) for number in reversed(numbers_in(folder))]


def keep_digest(path: Path) -> str:
    """Write the SHA-256 of a file beside it, as `sha256sum -c` reads it (GNU coreutils), and return it."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    write_at_once(_digest_path(path), f"{digest}  {path.name}\n")
    return digest


def kept_digest(path: Path) -> str:
    """Return the SHA-256 that was written beside a file; empty where none was."""
    try:
        return _digest_path(path).read_text(encoding="utf-8").split()[0]
    except (OSError, IndexError):
        return ""


def write_at_once(path: Path, text: str) -> None:
    """Replace a small file: a reader sees the old text or the new."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.chmod(name, 0o644)
    os.replace(name, path)


def _digest_path(path: Path) -> Path:
    return path.with_name(f"{path.name}.sha256")


def _edition(path: Path, number: int, shown: Path | None) -> EditionFile:
    with closing(open_frozen(path)) as connection:
        facts = _facts(connection)
        records = int(connection.execute("SELECT count(*) FROM cases").fetchone()[0])
    return EditionFile(
        number,
        path,
        facts.get("frozen on", ""),
        records,
        facts.get("signed off by", ""),
        kept_digest(path),
        path == shown,
    )


def _facts(connection: sqlite3.Connection) -> dict[str, str]:
    return dict(connection.execute("SELECT name, value FROM facts"))
