"""The zip file that shops exchange: what it is made of, and its members examined before anything of it is read.

`records.jsonl` holds one line of JSON per case, `case.schema.json` the JSON Schema of what stands there under `record`,
`layouts.jsonl` one line per wiring layout, `layout.schema.json` what stands there,
`attachments/` files named by the SHA-256 of their content, `bundle.json` who made it and how much there is,
`SHA256SUMS` a line per file as sha256sum of the GNU coreutils writes it, `signature.json` who signed those lines.

Nothing is ever unpacked to a folder. The structure is that of APPNOTE.TXT, the zip specification by PKWARE.
"""

from __future__ import annotations

import errno
import json
import re
import stat
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from casebase.errors import BundleError
from casebase.record.case import Case
from casebase.record.json_form import LAYOUT_SCHEMA_FILE, SCHEMA_FILE, plain_data
from casebase.record.problems import printable

FORMAT: Final = "casebase bundle"
VERSION: Final = 1

RECORDS: Final = "records.jsonl"
LAYOUTS: Final = "layouts.jsonl"
SCHEMA: Final = SCHEMA_FILE
ABOUT: Final = "bundle.json"
SUMS: Final = "SHA256SUMS"
SIGNATURE: Final = "signature.json"
ATTACHMENTS: Final = "attachments/"

NEEDED: Final = (ABOUT, SCHEMA, RECORDS, SUMS)
OPTIONAL: Final = (LAYOUTS, LAYOUT_SCHEMA_FILE, SIGNATURE)
"""There where a bundle holds layouts, and where it is signed."""

MOST_MEMBERS: Final = 20_000
"""Files in a bundle: more than a shop photographs in years, low enough to be listed at once (judged)."""

LARGEST_BYTES: Final[dict[str, int]] = {
    ABOUT: 100_000,
    SCHEMA: 2_000_000,
    SUMS: 4_000_000,
    SIGNATURE: 10_000,
    RECORDS: 1_000_000_000,
    LAYOUTS: 100_000_000,
    LAYOUT_SCHEMA_FILE: 2_000_000,
    ATTACHMENTS: 64_000_000,
}
"""Unpacked; a hundred thousand cases take about 350 MB (judged)."""

LARGEST_WHOLE_BYTES: Final = 4_000_000_000
"""All files unpacked (judged)."""

LONGEST_LINE: Final = 4_000_000
"""Bytes of one record; they have some thousands (judged)."""

MOST_CASES: Final = 200_000
"""Twice the cases of the largest library that was measured (judged)."""


@dataclass(frozen=True)
class Entry:
    """One case of a bundle: the ID it has everywhere, the sender's revision, its SHA-256, and the public record.

    `earlier` are the SHA-256 of the versions of this case that went between shops before this one was made of them.
    """

    told_id: str
    revision: int
    sha256: str
    earlier: tuple[str, ...]
    case: Case

    def line(self) -> str:
        """Return the case as its line of `records.jsonl`, without the line's end."""
        return canonical_text(
            {
                "earlier": list(self.earlier),
                "id": self.told_id,
                "record": plain_data(self.case),
                "revision": self.revision,
                "sha256": self.sha256,
            }
        )


def canonical_text(data: Any) -> str:
    """Return plain data as JSON: keys sorted, no spaces, UTF-8 kept; the same as of a record in a library."""
    return json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def largest_bytes(name: str) -> int:
    """Return how large a file of a bundle may be, unpacked."""
    return LARGEST_BYTES[ATTACHMENTS if name.startswith(ATTACHMENTS) else name]


_LOCAL_HEADER: Final = b"PK\x03\x04"
_LOCAL_HEADER_BYTES: Final = 30
_ENCRYPTED: Final = 0x1 | 0x40 | 0x2000
"""Bits 0, 6 and 13 of the general purpose flag: encrypted, strongly encrypted, names masked (APPNOTE 4.4.4)."""

_MOST_SHRUNK: Final = 1_100
"""Deflate makes nothing smaller than by 1032 to 1 (zlib, "Maximum expansion factor"); more is a wrong size."""

_MOST_SHRUNK_OF_TEXT: Final = 100
_LARGE_BYTES: Final = 1_000_000
"""Records shrink by 5 to 25 to 1 (measured on invented ones); a large file that shrinks by more holds none."""

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
        if path.exists() and not path.is_file():
            raise OSError(errno.EINVAL, "not a plain file")
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
    if member.orig_filename not in (*NEEDED, *OPTIONAL) and not _ATTACHMENT.fullmatch(member.orig_filename):
        yield f"{name}: not a file of a bundle"
    elif member.file_size > largest_bytes(member.filename):
        yield f"{name}: {member.file_size} bytes unpacked: expected at most {largest_bytes(member.filename)}"
    if kind not in (0, stat.S_IFREG):
        yield f"{name}: a link or another thing that is no plain file"
    if member.flag_bits & _ENCRYPTED:
        yield f"{name}: encrypted"
    if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        yield f"{name}: packed in a way that a bundle does not use"
    is_large_text = member.file_size >= _LARGE_BYTES and not name.startswith(ATTACHMENTS)
    most_shrunk = _MOST_SHRUNK_OF_TEXT if is_large_text else _MOST_SHRUNK
    if member.file_size > most_shrunk * max(member.compress_size, 1):
        yield f"{name}: {member.compress_size} bytes of a bundle do not unpack to {member.file_size}"


def _overlaps_in(members: Sequence[zipfile.ZipInfo]) -> list[str]:
    """Return members whose bytes another one claims too: one kernel of packed data, unpacked many times over."""

    def least_end(member: zipfile.ZipInfo) -> int:
        name_bytes = len(member.orig_filename.encode())
        return member.header_offset + _LOCAL_HEADER_BYTES + name_bytes + member.compress_size

    placed = sorted(members, key=lambda member: member.header_offset)
    return [
        f"{printable(after.filename)}: its bytes belong to {printable(before.filename)} too"
        for before, after in pairwise(placed)
        if least_end(before) > after.header_offset
    ]


def _refuse(path: Path, traps: list[str]) -> None:
    if traps:
        told = "\n".join(f"{path}: {trap}" for trap in traps[:_MOST_TOLD])
        more = f"\nand {len(traps) - _MOST_TOLD} more" if len(traps) > _MOST_TOLD else ""
        raise BundleError(
            f"{told}{more}\nnothing was taken in: expected a bundle as casebase export writes it"
        )
