"""The bytes of attached files, in a folder beside the library: each named by the SHA-256 of its content.

Records name them; they are pictures without metadata, plain text and captures, and are checked whenever they are read.
The files of a copy of a library lie in a folder beside that copy. Copies that bear a day in their name share one
folder, because a file is named by its content and never changes.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import time
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

from casebase.errors import LibraryError
from casebase.files import (
    bytes_at,
    flush_folder,
    folder_of_parts,
    make_owners_folder,
    put,
    sha256_of_file,
    write_at_once,
)
from casebase.library.engine import Database

_SHA256: Final = re.compile(r"[0-9a-f]{64}")

LEFT_AFTER_SECONDS: Final = 3600
"""An older file that no record names was left by somebody who was stopped; a younger one may be on its way."""


class Files(Protocol):
    """Where the bytes of a library's attached files are kept, each under the SHA-256 of its content."""

    def keep(self, content: bytes) -> str:
        """Keep a file and return its SHA-256; raise `LibraryError` where it cannot be kept."""

    def read(self, sha256: str) -> bytes:
        """Return a file; raise `LibraryError` where it is missing or not what it was."""

    def bytes_of(self, sha256: str) -> int | None:
        """Return the size of a file, None where it is not there."""

    def sizes_left_over(self, named: frozenset[str]) -> list[int]:
        """Return the bytes of each file that is older than an hour and none of those named."""

    def remove_left_over(self, named: frozenset[str]) -> None:
        """Remove what `sizes_left_over` counts; raises `OSError` where a file cannot be removed."""

    def whole_size(self) -> int:
        """Return the bytes of all files."""


def files_folder(library: Path) -> Path:
    """Return the folder of the files that belong to the library at `library`."""
    return library.with_name(f"{library.name}.files")


class AttachedFiles:
    """The files of one library."""

    def __init__(self, library: Path) -> None:
        self.folder = files_folder(library)
        self._library = library

    def keep(self, content: bytes) -> str:
        """Keep a file and return its SHA-256; raise `LibraryError` where it cannot be written.

        It is on the disk under its name, whole, or it is not there at all.
        """
        sha256 = hashlib.sha256(content).hexdigest()
        try:
            self.read(sha256)
            with suppress(OSError):  # it counts as new: nobody may take it for left over meanwhile
                os.utime(self.path_of(sha256))
            return sha256
        except LibraryError:  # it is not there, or not whole
            pass
        try:
            self._make_folder(self.path_of(sha256).parent)
            # Whoever may read the library may read its files.
            write_at_once(self.path_of(sha256), content, self._library.stat().st_mode & 0o666)
        except OSError as error:
            raise LibraryError(
                f"{self.folder}: a file cannot be kept there ({error.strerror}): make room, or check its rights"
            ) from None
        return sha256

    def read(self, sha256: str) -> bytes:
        """Return a file; raise `LibraryError` where it is missing or not what it was."""
        try:
            content = self.path_of(sha256).read_bytes()
        except OSError:
            raise LibraryError(
                f"{self.folder}: the attached file {sha256[:12]} is not there: bring it back from a backup, or attach"
                " it again"
            ) from None
        if hashlib.sha256(content).hexdigest() != sha256:
            raise LibraryError(
                f"{self.path_of(sha256)}: not the file that was attached, it was changed or damaged: bring it back from"
                " a backup, or attach it again"
            )
        return content

    def bytes_of(self, sha256: str) -> int | None:
        """Return the size of a file, None where it is not there."""
        try:
            return self.path_of(sha256).stat().st_size
        except OSError:
            return None

    def path_of(self, sha256: str) -> Path:
        """Return where a file lies, if it is there."""
        if not _SHA256.fullmatch(sha256):
            raise LibraryError(f"'{sha256}' is no SHA-256: expected 64 hexadecimal digits")
        return self.folder / sha256[:2] / sha256

    def left_over(self, named: frozenset[str]) -> list[Path]:
        """Return what lies here, is older than an hour, and is none of the files named."""
        before = time.time() - LEFT_AFTER_SECONDS
        paths = (path for path in sorted(self.folder.glob("*/*")) if path.is_file())
        return [path for path in paths if path.name not in named and path.stat().st_mtime < before]

    def sizes_left_over(self, named: frozenset[str]) -> list[int]:
        """Return the bytes of each file that is older than an hour and none of those named."""
        return [path.stat().st_size for path in self.left_over(named)]

    def remove_left_over(self, named: frozenset[str]) -> None:
        """Remove what `left_over` finds; raises `OSError` where a file cannot be removed."""
        for path in self.left_over(named):
            path.unlink()

    def whole_size(self) -> int:
        """Return the bytes of all files."""
        return bytes_at(self.folder)

    @staticmethod
    def _make_folder(folder: Path) -> None:
        """Make a folder of files and the one around it, durably: a record must never outlive the file it names."""
        if not folder.is_dir():
            make_owners_folder(folder.parent)
            make_owners_folder(folder)
            flush_folder(folder.parent)
            flush_folder(folder.parent.parent)


_NAMED: Final = """
    SELECT r.case_id, r.revision, json_extract(a.value, '$.file'), json_extract(a.value, '$.sha256')
    FROM records r, json_each(CASE WHEN json_valid(r.json) THEN r.json ELSE '{}' END, '$.attachments') a
    WHERE json_extract(a.value, '$.sha256') IS NOT NULL ORDER BY r.case_id, r.revision, 3
"""
"""Of every revision: an earlier one is shown with its files too."""


@dataclass(frozen=True)
class LeftOver:
    """Files that no record names: how many, and their bytes."""

    files: int
    bytes: int


def faults_of_files(db: Database, files: Files) -> list[str]:
    """Return what is wrong with the attached files of a library, each in one sentence; every file is named once."""
    seen, found = set[str](), []
    for case_id, revision, name, sha256 in _named_files(db):
        if sha256 in seen:
            continue
        seen.add(sha256)
        try:
            files.read(sha256)
        except LibraryError as error:
            found.append(f"case {case_id}, revision {revision}, attachment '{name}': {error}")
    return found


def left_over(db: Database, files: Files) -> LeftOver:
    """Return what lies among the attached files for longer than an hour and is named by no record."""
    sizes = files.sizes_left_over(_named(db))
    return LeftOver(len(sizes), sum(sizes))


def remove_left_over(db: Database, files: Files) -> None:
    """Remove what `left_over` counts; raises `OSError` where a file cannot be removed."""
    files.remove_left_over(_named(db))


def _named(db: Database) -> frozenset[str]:
    return frozenset(sha256 for _, _, _, sha256 in _named_files(db))


def _named_files(db: Database) -> Iterator[tuple[str, int, str, str]]:
    yield from db.execute(_NAMED)


_DATED: Final = re.compile(r"(?P<stem>.+)-\d{4}-\d\d-\d\dT\d{4}(?P<suffix>\.[^.]*)?")


@dataclass(frozen=True)
class BroughtOver:
    """How many files were brought over, and what is wrong with others, in sentences."""

    count: int
    faults: list[str]


def folder_beside_copy(copy: Path) -> Path:
    """Return the folder of the files that go with a copy."""
    dated = _DATED.fullmatch(copy.name)
    return files_folder(copy.with_name(f"{dated['stem']}{dated['suffix'] or ''}") if dated else copy)


def folders_of_copy(copy: Path) -> list[Path]:
    """Return where the files of a copy may lie: beside it, by the name it has or by that without a day."""
    return list(dict.fromkeys((files_folder(copy), folder_beside_copy(copy))))


def bring_over(sources: Iterable[Path], target: Path, *, look_closely: bool = False) -> BroughtOver:
    """Bring over every file that the folder `target` lacks; one that is not what its name says is left and reported.

    With `look_closely` a file that is there is read, and brought over again where it is not what its name says.
    """

    def is_there(path: Path, place: Path) -> bool:
        if not place.is_file():
            return False
        if look_closely:
            return sha256_of_file(place) == place.name
        return place.stat().st_size == path.stat().st_size

    lying = (path for source in sources for path in sorted(source.glob("??/*")))
    found = (path for path in lying if _SHA256.fullmatch(path.name) and path.name[:2] == path.parent.name)
    wanted = [path for path in found if not is_there(path, target / path.parent.name / path.name)]
    if not wanted:
        return BroughtOver(0, [])
    target.mkdir(parents=True, exist_ok=True)
    with folder_of_parts(target) as parts:
        wrong = [path for path in wanted if not _is_brought(path, target, parts)]
    faults = [
        f"{path}: the file does not match its SHA-256: it was changed outside casebase" for path in wrong
    ]
    return BroughtOver(len(wanted) - len(wrong), faults)


def missing_files(folder: Path, named: Collection[str]) -> list[str]:
    """Return the SHA-256 of every file that records name and that is not in the folder."""
    return sorted(sha256 for sha256 in named if not (folder / sha256[:2] / sha256).is_file())


def _is_brought(path: Path, target: Path, parts: Path) -> bool:
    made = parts / path.name
    shutil.copy(path, made)  # with its rights: whoever may not read the file may not read its copy
    if sha256_of_file(made) != path.name:
        return False
    (target / path.parent.name).mkdir(exist_ok=True)
    put(made, target / path.parent.name / path.name)
    return True
