"""Bundles that arrive in parts: each lies in a folder under the SHA-256 of the whole until it was taken in.

What arrived stays where the connection ends, so a sender goes on from there. Of one shop one bundle is under way at a
time: what a shop can fill of the disk is the largest bundle, once.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import time
from collections.abc import Container, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import BundleError, ExchangeError
from casebase.files import make_owners_folder, release_lock, take_lock

_LOCK: Final = "lock"
_NAME: Final = re.compile(r"([0-9a-f]{64})-([0-9]{1,15})")

IDLE_SECONDS: Final = 60.0
"""An unfinished bundle that nothing came of for this long makes room for another of the same shop (judged)."""

LEFT_AFTER_SECONDS: Final = 7 * 24 * 3600
"""An unfinished bundle is kept for a week: a shop that lost its line comes back within days (judged)."""

_LEFT_FREE_BYTES: Final = 200_000_000
"""On the disk beside what arrives: the library needs room as well (judged)."""


class UnderWayError(ExchangeError):
    """Another bundle of the same shop is arriving."""


class NoRoomError(ExchangeError):
    """The disk has no room for what was announced."""


@dataclass(frozen=True)
class Arriving:
    """A bundle on its way: its file, the SHA-256 and the bytes of the whole."""

    path: Path
    sha256: str
    length: int

    @property
    def offset(self) -> int:
        """How many bytes are there."""
        return self.path.stat().st_size

    @property
    def is_whole(self) -> bool:
        """Whether all bytes are there."""
        return self.offset == self.length


class Inbox:
    """A folder of bundles that arrive; one service at a time has it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @contextmanager
    def owned(self) -> Iterator[None]:
        """Hold the folder; raise `ExchangeError` where another service does, or it cannot be made."""
        try:
            make_owners_folder(self.folder)
            lock = take_lock(self.folder / _LOCK)
        except OSError as error:
            raise ExchangeError(
                f"{self.folder}: cannot be used ({error.strerror}): name another --inbox"
            ) from None
        if lock is None:
            raise ExchangeError(
                f"{self.folder}: another casebase hub takes bundles there: end it, or name an --inbox"
            )
        try:
            yield
        finally:
            release_lock(lock)

    def arriving(self, source: str, sha256: str) -> Arriving | None:
        """Return what is there of a bundle of a shop, None where nothing is."""
        return next((one for one in self._of(source) if one.sha256 == sha256), None)

    def begun(self, source: str, sha256: str, length: int, waiting: Container[str]) -> Arriving:
        """Return the place for a bundle; what else was left unfinished of that shop goes.

        `waiting` are bundles that are to be taken in. Raises `UnderWayError` while another one is among them or still
        arrives, `NoRoomError` where the disk is full.
        """
        for other in self._of(source):
            if (other.sha256, other.length) == (sha256, length):
                return other
            is_arriving = not other.is_whole and time.time() - other.path.stat().st_mtime < IDLE_SECONDS
            if is_arriving or other.sha256 in waiting:
                raise UnderWayError("another bundle of this shop is under way: it comes first")
            other.path.unlink(missing_ok=True)
        folder = self._folder_of(source)
        make_owners_folder(folder)
        if shutil.disk_usage(folder).free < length + _LEFT_FREE_BYTES:
            raise NoRoomError("the hub has no room for it on its disk: tell its operator")
        place = Arriving(folder / f"{sha256}-{length}", sha256, length)
        os.close(os.open(place.path, os.O_WRONLY | os.O_CREAT, 0o600))
        return place

    def remove_left_over(self) -> None:
        """Remove what nothing came of for a week."""
        for path in self.folder.glob("*/*"):
            with suppress(OSError):
                if time.time() - path.stat().st_mtime > LEFT_AFTER_SECONDS:
                    path.unlink()

    def _of(self, source: str) -> list[Arriving]:
        found = ((path, _NAME.fullmatch(path.name)) for path in sorted(self._folder_of(source).glob("*-*")))
        return [Arriving(path, name[1], int(name[2])) for path, name in found if name]

    def _folder_of(self, source: str) -> Path:
        """Return where bundles of a shop arrive; its name is not in the path, whatever it is made of."""
        return self.folder / hashlib.sha256(source.encode()).hexdigest()[:32]


def refuse_other_content(bundle: Arriving) -> None:
    """Raise `BundleError` where what arrived is not what was announced; see to it that it is on the disk."""
    with bundle.path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
        os.fsync(file.fileno())
    if found != bundle.sha256:
        raise BundleError("what arrived is not what was announced, by its SHA-256: send it again")
