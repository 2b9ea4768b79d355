"""What a hub has for its shops: a bundle that its lead exported, checked whole before anybody gets it."""

from __future__ import annotations

import logging
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from casebase.errors import CasebaseError
from casebase.files import replace, sha256_of_file
from casebase.library.store import Library
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.signing import own_public_key

_NAME: Final = "offered"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Offered:
    """A copy of the lead's bundle that was checked, with its SHA-256."""

    path: Path
    sha256: str


class Offer:
    """The bundle at a path, as it was last found whole; a wrong file there leaves the one before."""

    def __init__(self, path: Path, folder: Path) -> None:
        self._path, self._folder = path, folder
        self._seen: tuple[int, int, int] | None = None
        self.current: Offered | None = None

    def is_new(self) -> bool:
        """Return whether something else lies there than was looked at last."""
        return self._stamp() != self._seen

    def look(self, library: Library) -> None:
        """Check what lies there and offer it from now on; a file that is none of this library's bundles never goes out.

        Raises `LibraryError` where the library is away: then it is looked at again.
        """
        stamp, own = self._stamp(), own_public_key(library)
        self._seen = stamp
        if stamp is None:
            return
        try:
            self.current = self._checked(own)
        except (CasebaseError, OSError) as error:
            log.warning("%s is not handed out: %s", self._path, error)

    def _checked(self, own: str | None) -> Offered:
        copy = self._folder / f"{_NAME}.part"
        shutil.copyfile(self._path, copy)
        copy.chmod(0o600)
        try:
            bundle = checked_bundle(copy, public_case)
            if own is None or bundle.key != own:
                raise CasebaseError("not signed by this library's own key: write it with casebase export")
            sha256 = sha256_of_file(copy)
            place = self._folder / f"{_NAME}-{sha256}.zip"
            replace(copy, place)
        finally:
            with suppress(OSError):
                copy.unlink(missing_ok=True)
        for other in self._folder.glob(f"{_NAME}-*.zip"):
            if other != place:
                with suppress(OSError):  # on some systems not while somebody reads it
                    other.unlink()
        return Offered(place, sha256)

    def _stamp(self) -> tuple[int, int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size, found.st_ino
