"""Writing files that are whole or not there at all, and locks that end with the process that holds them.

A file is made under another name beside its place, reaches the disk, and is then moved to its place in one step:
whoever reads sees the file before or the new one, also after a process was killed or the power was lost.
"""

from __future__ import annotations

import codecs
import errno
import hashlib
import os
import shutil
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final

if TYPE_CHECKING:
    from filelock import BaseFileLock

_PARTS: Final = ".casebase-parts-"
"""How the names of unfinished files and of their folders begin."""

LEFT_AFTER_SECONDS: Final = 3600
"""What is unfinished and was not touched for an hour was left by a process that was stopped."""

_UTF_16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)

_AGAIN_AFTER_SECONDS: Final = (0.05, 0.1, 0.2, 0.4) if os.name == "nt" else ()
"""Windows refuses to replace a file that is open: a virus scanner or an indexer lets go within a moment."""


def text_of(content: bytes) -> str:
    r"""Return the text of a file in UTF-8, or in UTF-16 with a byte order mark as Windows writes it; lines end in `\n`.

    Raises `UnicodeDecodeError`.

    >>> text_of("R\r\nΩ".encode("utf-16")), text_of("R\r\nΩ".encode("utf-8-sig"))
    ('R\nΩ', 'R\nΩ')
    """
    text = content.decode("utf-16" if content.startswith(_UTF_16) else "utf-8-sig")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def write_at_once(place: Path, content: bytes, mode: int | None = None) -> None:
    """Write a whole file to `place`; see `writing_at_once`."""
    with writing_at_once(place, mode) as file:
        file.write(content)


@contextmanager
def writing_at_once(place: Path, mode: int | None = None) -> Iterator[IO[bytes]]:
    """Yield a file to write to, which replaces what stands at `place` when the block ends without an error.

    `mode` gives the file's permissions; without one only its owner may read it. After an error everything is as it was.
    """
    _remove_left_over(place.parent)
    descriptor, name = tempfile.mkstemp(dir=place.parent, prefix=_PARTS)
    try:
        with os.fdopen(descriptor, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if mode is not None:
            os.chmod(name, mode)
        replace(Path(name), place)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise
    flush_folder(place.parent)


@contextmanager
def folder_of_parts(beside: Path) -> Iterator[Path]:
    """Yield a new folder in the folder `beside`, removed afterwards with everything that is still in it."""
    _remove_left_over(beside)
    with tempfile.TemporaryDirectory(dir=beside, prefix=_PARTS, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def put(made: Path, place: Path) -> None:
    """Move a finished file to its place in one step, whatever stands there."""
    flush_file(made)
    replace(made, place)
    flush_folder(place.parent)


def replace(made: Path, place: Path) -> None:
    """Move a file to its place, whatever stands there; where that is in use, try again for a moment.

    Raises `PermissionError` where it stays in use.
    """
    for seconds in _AGAIN_AFTER_SECONDS:
        with suppress(PermissionError):
            os.replace(made, place)
            return
        time.sleep(seconds)
    os.replace(made, place)


def put_beside_others(made: Path, place: Path) -> None:
    """Put a finished file in a place where nothing stands; raise `FileExistsError` where something does."""
    flush_file(made)
    try:
        os.link(made, place)
    except FileExistsError:
        raise
    except OSError:  # a file system without second names
        if place.exists():
            raise FileExistsError(f"{place} stands there already") from None
        os.rename(made, place)
    flush_folder(place.parent)


def owners_mode(mode: int) -> int:
    """Return the permissions of what its owner alone may use; the group too where the umask lets it write."""
    umask = os.umask(0o077)
    os.umask(umask)
    return mode if umask & 0o020 else mode | mode >> 3


def make_owners_folder(folder: Path) -> None:
    """Make a folder, and the ones around it, that its owner alone may look into (see `owners_mode`)."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=owners_mode(0o700), exist_ok=True)


def plain_content(path: Path, most_bytes: int) -> bytes:
    """Return what a plain file holds, one byte more than `most_bytes` at most.

    Raises `OSError`, for a pipe or a device too: they may keep whoever reads them for ever.
    """
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(descriptor, "rb") as file:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "not a plain file", str(path))
        return file.read(most_bytes + 1)


def flush_file(path: Path) -> None:
    """Wait until a file's content is on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Wait until a folder's names are on the disk, where the operating system can do that."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def bytes_at(path: Path) -> int:
    """Return the size of a file, or of all files in a folder; 0 where there is nothing."""
    found = 0
    for one in (path, *path.rglob("*")):
        with suppress(OSError):  # gone meanwhile
            found += one.stat().st_size if one.is_file() else 0
    return found


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's content, as 64 hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def take_lock(path: Path) -> BaseFileLock | None:
    """Return the lock whose file is at `path`, taken; None where another process or thread holds it.

    The operating system frees it when its process ends, however it ends. Raises `OSError` where there can be no file.
    """
    import filelock  # noqa: PLC0415  20 ms, and most commands write nothing but the library

    lock = filelock.FileLock(path)
    try:
        lock.acquire(timeout=0)
    except filelock.Timeout:
        return None
    return lock


def release_lock(lock: BaseFileLock) -> None:
    """Free a lock and remove its file."""
    with suppress(OSError):  # while it is held: nobody can have taken a file that goes
        os.unlink(lock.lock_file)
    lock.release()


def _remove_left_over(folder: Path) -> None:
    """Remove unfinished files and folders of parts that a stopped process left in a folder."""
    for left in folder.glob(f"{_PARTS}*"):
        with suppress(OSError):
            touched = max(path.stat().st_mtime for path in (left, *left.glob("*")))
            if time.time() - touched > LEFT_AFTER_SECONDS:
                shutil.rmtree(left) if left.is_dir() else left.unlink()
