"""Binary logs (BLF): containers of objects, mostly packed; frames are taken out of them by the thousand.

Objects and their fields are those that python-can's reader knows. What it skips silently, such as a container that is
cut off, is refused here.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.bus_log.blf_objects import frames_of
from casebase.intake.bus_log.frames import Channels, FrameBlock
from casebase.intake.bus_log.log_lines import Progress

_FILE_HEADER: Final = struct.Struct("<4sLBBBBBBBBQQLL8H8H")
_OBJECT_HEADER: Final = struct.Struct("<4sHHLL")
_CONTAINER_HEADER_BYTES: Final = 16
_CONTAINER: Final = 10
_MOST_UNPACKED: Final = 64 * 1024 * 1024
_SMALLEST_OBJECT: Final = 16
_PLAIN, _DEFLATED = 0, 2


def blf_blocks(path: Path, channels: Channels, progress: Progress) -> Iterator[FrameBlock]:
    """Yield the frames of a BLF log; raise CaptureError where it is cut off or does not hold together."""
    with path.open("rb") as file:
        start = _start_seconds(path, file)
        whole = path.stat().st_size
        tail = b""
        for content in _containers(path, file):
            data = tail + content
            places, end = _objects(path, data, file.tell())
            tail = data[end:]
            progress(min(file.tell(), whole), whole)
            try:
                found = frames_of(data, places, start, channels)
            except (ValueError, struct.error) as error:
                raise _damaged(path, file.tell(), str(error)) from None
            yield found
        if tail.strip(b"\0"):
            raise _damaged(path, whole, "the last object is not whole")


def _start_seconds(path: Path, file: BinaryIO) -> float:
    """Read the header of the file; return when the measurement began, in seconds since 1970."""
    begun = file.read(_FILE_HEADER.size)
    if len(begun) < _FILE_HEADER.size or begun[:4] != b"LOGG":
        raise _damaged(path, 0, "it does not begin as a BLF log does")
    header = _FILE_HEADER.unpack(begun)
    whole = path.stat().st_size
    if header[10] != whole:
        raise CaptureError(
            f"{path}: its header says {header[10]} bytes, the file has {whole}: it was cut off, or never closed by"
            " what logged it; copy it again, or have it repaired by the program that wrote it"
        )
    if header[1] < _FILE_HEADER.size or header[1] > whole:
        raise _damaged(path, 4, "its header has no length that can be")
    file.seek(header[1])
    return _seconds_of(header[14:22])


def _seconds_of(told: tuple[int, ...]) -> float:
    """Return a date of the header as seconds since 1970; 0 where it is none, as where nobody set the clock."""
    year, month, _, day, hour, minute, second, milliseconds = told
    try:
        return datetime(year, month, day, hour, minute, second, milliseconds * 1000, tzinfo=UTC).timestamp()
    except ValueError:
        return 0.0


def _containers(path: Path, file: BinaryIO) -> Iterator[bytes]:
    """Yield the content of each container."""
    while begun := file.read(_OBJECT_HEADER.size):
        at = file.tell() - len(begun)
        if len(begun) < _OBJECT_HEADER.size or begun[:4] != b"LOBJ":
            raise _damaged(path, at, "no object begins here")
        _, _, _, size, kind = _OBJECT_HEADER.unpack(begun)
        if not _OBJECT_HEADER.size <= size <= _MOST_UNPACKED:
            raise _damaged(path, at, f"an object of {size} bytes")
        body = file.read(size - _OBJECT_HEADER.size)
        if len(body) < size - _OBJECT_HEADER.size:
            raise _damaged(path, at, f"an object of {size} bytes goes beyond the end")
        file.read(size % 4)
        if kind == _CONTAINER:
            yield _unpacked(path, at, body)


def _unpacked(path: Path, at: int, body: bytes) -> bytes:
    if len(body) < _CONTAINER_HEADER_BYTES:
        raise _damaged(path, at, "a container without a header")
    method, content = body[0] | body[1] << 8, body[_CONTAINER_HEADER_BYTES:]
    if method == _PLAIN:
        return content
    if method != _DEFLATED:
        raise _damaged(path, at, f"a container packed by method {method}, which is not known")
    packed = zlib.decompressobj()
    try:
        data = packed.decompress(content, _MOST_UNPACKED)
    except zlib.error:
        raise _damaged(path, at, "a packed container cannot be unpacked") from None
    if not packed.eof:
        raise _damaged(path, at, "a packed container is not whole, or larger than any logger writes")
    return data


def _objects(path: Path, data: bytes, at: int) -> tuple[NDArray[np.int64], int]:
    """Return where whole objects begin in unpacked data, and where the rest begins."""
    places: list[int] = []
    place, end = 0, len(data)
    size_at = struct.Struct("<L").unpack_from
    while place + _OBJECT_HEADER.size <= end:
        # Objects are padded; how far differs by kind.
        if data[place : place + 4] != b"LOBJ":
            found = data.find(b"LOBJ", place, place + 8)
            if found < 0:
                raise _damaged(path, at, "no object begins where one should, within the container before")
            place = found
            continue
        (size,) = size_at(data, place + 8)
        if size < _SMALLEST_OBJECT or size > _MOST_UNPACKED:
            raise _damaged(path, at, f"an object of {size} bytes within the container before")
        if place + size > end:
            break
        places.append(place)
        place += size
    return np.array(places, np.int64), min(place, end)


def _damaged(path: Path, at: int, what: str) -> CaptureError:
    return CaptureError(
        f"{path}: at byte {at}: {what}; the file is damaged or no BLF log: copy it again, or have it written as"
        " another format"
    )
