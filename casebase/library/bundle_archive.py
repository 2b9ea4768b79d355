"""The zip file of a bundle, looked at before anything of it is read: names, sizes, and what zip files hide.

Nothing is ever unpacked to a folder. The structure is that of APPNOTE.TXT, the zip specification by PKWARE.
"""

from __future__ import annotations

import re
import stat
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from copy import copy
from itertools import pairwise
from pathlib import Path
from typing import Final

from casebase.errors import BundleError
from casebase.library.bundle_format import (
    ATTACHMENTS,
    LARGEST_WHOLE_BYTES,
    MOST_MEMBERS,
    NEEDED,
    largest_bytes,
)
from casebase.record.problems import printable

_LOCAL_HEADER: Final = b"PK\x03\x04"
_LOCAL_HEADER_BYTES: Final = 30
_ENCRYPTED: Final = 0x1 | 0x40 | 0x2000
"""Bits 0, 6 and 13 of the general purpose flag: encrypted, strongly encrypted, names masked (APPNOTE 4.4.4)."""

_MOST_SHRUNK: Final = 1_100
"""Deflate makes nothing smaller than by 1032 to 1 (zlib, "Maximum expansion factor"); more is a wrong size."""

_ATTACHMENT: Final = re.compile(re.escape(ATTACHMENTS) + r"[0-9a-f]{64}")
_READ_AT_ONCE: Final = 1 << 20
_MOST_TOLD: Final = 20


class Archive:
    """A zip file whose list of members was found to be that of a bundle; a member is read whole, or refused."""

    def __init__(self, path: Path, archive: zipfile.ZipFile) -> None:
        self.path = path
        self._archive = archive
        self._members = {member.filename: member for member in archive.infolist()}

    @property
    def names(self) -> list[str]:
        """The names of all members."""
        return sorted(self._members)

    @property
    def attachments(self) -> list[str]:
        """The SHA-256 by which the attachments are named."""
        return [name.removeprefix(ATTACHMENTS) for name in self.names if name.startswith(ATTACHMENTS)]

    def read(self, name: str) -> bytes:
        """Return a member; raise `BundleError` when it is damaged or not of the size the list gives."""
        return b"".join(self.parts(name))

    def parts(self, name: str) -> Iterator[bytes]:
        """Yield a member piece by piece, as `read` returns it whole."""
        declared = self._members[name].file_size
        longer = copy(self._members[name])
        longer.file_size = declared + 1  # reading on past the declared end tells whether there is more
        count = 0
        try:
            with self._archive.open(longer) as file:
                while part := file.read(_READ_AT_ONCE):
                    count += len(part)
                    yield part
        except (
            zipfile.BadZipFile,
            zlib.error,
            EOFError,
            OSError,
            NotImplementedError,
            RuntimeError,
        ) as error:
            raise BundleError(f"{self.path}: {name} is damaged ({error}): ask for the bundle again") from None
        if count != declared:
            raise BundleError(
                f"{self.path}: {name} is not {declared} bytes long as the zip file says: ask for the bundle again"
            )


@contextmanager
def opened_archive(path: Path) -> Iterator[Archive]:
    """Open the zip file of a bundle; raise `BundleError` with all that is wrong with its members."""
    try:
        with path.open("rb") as file:
            begins = file.read(len(_LOCAL_HEADER))
        if begins != _LOCAL_HEADER:
            raise zipfile.BadZipFile("it does not begin as one")
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, NotImplementedError, ValueError, UnicodeDecodeError) as error:
        raise BundleError(f"{path}: no zip file ({error}): expected what casebase export writes") from None
    except OSError as error:
        raise BundleError(f"{path}: cannot be read ({error.strerror or error}): check the path") from None
    with archive:
        _refuse(path, traps_in(archive.infolist()))
        yield Archive(path, archive)


def traps_in(members: Sequence[zipfile.ZipInfo]) -> list[str]:
    """Return what is wrong with the members of a zip file, each in one sentence; empty for those of a bundle."""
    if len(members) > MOST_MEMBERS:
        return [f"{len(members)} files in it: expected at most {MOST_MEMBERS}"]
    found = [trap for member in members for trap in _traps_of(member)]
    times = Counter(member.filename for member in members)
    found += [f"{printable(name)}: there {count} times" for name, count in times.items() if count > 1]
    found += [f"{name}: missing" for name in NEEDED if name not in times]
    whole = sum(member.file_size for member in members)
    if whole > LARGEST_WHOLE_BYTES:
        found.append(f"{whole} bytes unpacked: expected at most {LARGEST_WHOLE_BYTES}")
    return found + _overlaps_in(members)


def _traps_of(member: zipfile.ZipInfo) -> Iterator[str]:
    name, kind = printable(member.orig_filename), stat.S_IFMT(member.external_attr >> 16)
    if not _is_expected(member.orig_filename):
        yield f"{name}: not a file of a bundle"
    elif member.file_size > largest_bytes(member.filename):
        yield f"{name}: {member.file_size} bytes unpacked: expected at most {largest_bytes(member.filename)}"
    if kind not in (0, stat.S_IFREG):
        yield f"{name}: a link or another thing that is no plain file"
    if member.flag_bits & _ENCRYPTED:
        yield f"{name}: encrypted"
    if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        yield f"{name}: packed in a way that a bundle does not use"
    if member.file_size > _MOST_SHRUNK * max(member.compress_size, 1):
        yield f"{name}: {member.compress_size} bytes cannot unpack to {member.file_size}"


def _is_expected(name: str) -> bool:
    return name in NEEDED or _ATTACHMENT.fullmatch(name) is not None


def _overlaps_in(members: Sequence[zipfile.ZipInfo]) -> list[str]:
    """Return members whose bytes another one claims too: one kernel of packed data, unpacked many times over."""
    placed = sorted(members, key=lambda member: member.header_offset)
    return [
        f"{printable(after.filename)}: its bytes belong to {printable(before.filename)} too"
        for before, after in pairwise(placed)
        if _least_end(before) > after.header_offset
    ]


def _least_end(member: zipfile.ZipInfo) -> int:
    return (
        member.header_offset + _LOCAL_HEADER_BYTES + len(member.orig_filename.encode()) + member.compress_size
    )


def _refuse(path: Path, traps: list[str]) -> None:
    if traps:
        told = "\n".join(f"{path}: {trap}" for trap in traps[:_MOST_TOLD])
        more = f"\nand {len(traps) - _MOST_TOLD} more" if len(traps) > _MOST_TOLD else ""
        raise BundleError(
            f"{told}{more}\nnothing was taken in: expected a bundle as casebase export writes it"
        )
