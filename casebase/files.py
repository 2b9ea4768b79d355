"""Files that are put in their place at once: made in a folder of parts beside it, on the disk before they are seen."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

_PARTS: Final = ".casebase-parts-"
LEFT_AFTER_SECONDS: Final = 3600
"""A folder of parts that nobody touched for an hour was left by a process that was stopped."""


@contextmanager
def folder_of_parts(beside: Path) -> Iterator[Path]:
    """Yield a new folder in the folder `beside`, removed with all that is in it; those left there before go too."""
    for left in beside.glob(f"{_PARTS}*"):
        if time.time() - _last_touched(left) > LEFT_AFTER_SECONDS:
            shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(dir=beside, prefix=_PARTS, ignore_cleanup_errors=True) as folder:
        yield Path(folder)


def put(made: Path, place: Path) -> None:
    """Put a finished file in its place, at once, whatever stands there."""
    flush_file(made)
    os.replace(made, place)
    flush_folder(place.parent)


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


def flush_file(path: Path) -> None:
    """Wait until a file's content is on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Wait until a folder's names are on the disk, where the operating system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _last_touched(folder: Path) -> float:
    with suppress(OSError):
        return max(path.stat().st_mtime for path in (folder, *folder.iterdir()))
    return time.time()
