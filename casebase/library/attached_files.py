"""The bytes of attached files, beside the library: each under the SHA-256 of its content, checked whenever it is read.

What lies here was taken in by `taken_files`: pictures without metadata and plain text. The record names it.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

from casebase.errors import LibraryError
from casebase.library.placing import flush_folder

_SHA256: Final = re.compile(r"[0-9a-f]{64}")

LEFT_AFTER_SECONDS: Final = 3600
"""An older file that no record names was left by somebody who was stopped; a younger one may be on its way."""


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
            if not self._is_whole(sha256):
                _write_at_once(self.path_of(sha256), content, self._library.stat().st_mode & 0o666)
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
        return [path for path in self._paths() if path.name not in named and path.stat().st_mtime < before]

    def _paths(self) -> Iterator[Path]:
        return (path for path in sorted(self.folder.glob("*/*")) if path.is_file())

    def _is_whole(self, sha256: str) -> bool:
        with suppress(LibraryError):
            self.read(sha256)
            return True
        return False


def _write_at_once(path: Path, content: bytes, mode: int) -> None:
    _make_folder(path.parent)
    descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=".part-")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, mode)  # whoever may read the library may read its files
        os.replace(name, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise
    flush_folder(path.parent)


def _make_folder(folder: Path) -> None:
    """Make a folder of files and the one around it, durably: a record must never outlive the file it names."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        flush_folder(folder.parent)
        flush_folder(folder.parent.parent)
